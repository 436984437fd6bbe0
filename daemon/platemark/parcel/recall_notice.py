"""A recall notice as a bag: for people `recall.html` and `recall.txt`, for programs `recall.json`.

The text is the payload, because a bag without any is not one everywhere; no picture is in it, so
whatever a lab prints unseen from `data/` is at worst the notice itself.
"""

from __future__ import annotations

import hashlib
import os
import textwrap
from dataclasses import dataclass
from pathlib import Path

from platemark import durable
from platemark.model.job import job_number, plain_text
from platemark.model.recall import RecalledPrint, RecallNotice
from platemark.model.units import BadSize, Size, parse_size
from platemark.parcel.bag import BuiltParcel, write_bag
from platemark.parcel.pages import pages
from platemark.parcel.recall_json import recall_bytes
from platemark.parcel.ticket_words import copies_words, shown_time

WIDTH = 78
"""Columns of `recall.txt`."""
TEXT = "data/recall.txt"
RECALL_FILES = ("recall.html", "recall.json", TEXT)
"""What a notice holds beside its lists."""


@dataclass(frozen=True, slots=True)
class _Line:
    """One print as the page shows it."""

    print: RecalledPrint
    number: str
    copies: str
    size: str
    file: str
    """Name of its print file, without the folder."""


def build_notice(staging: Path, notice: RecallNotice) -> BuiltParcel:
    """Write a whole notice into a new folder and make it lasting.

    Raises:
        FileExistsError: the folder is there already.
        DiskFull: there is no room for it.
    """
    if os.path.lexists(staging):
        raise FileExistsError(str(staging))
    durable.make_folder(staging / "data")
    text = recall_text(notice).encode("utf-8", "replace")
    durable.write_new(staging / TEXT, text)
    payload = {TEXT: (hashlib.sha256(text).hexdigest(), len(text))}
    tags = {
        "recall.html": recall_html(notice).encode("utf-8", "replace"),
        "recall.json": recall_bytes(notice),
    }
    return write_bag(staging, notice.parcel, notice.created, payload, tags)


def recall_html(notice: RecallNotice) -> str:
    """Write the page for the person at the lab: one file with its style inside it."""
    return (
        pages()
        .get_template("recall.html.j2")
        .render(
            notice=notice,
            lines=[_line(each) for each in notice.prints],
            heading=_heading(notice),
            numbers=_numbers(notice),
            rest=_rest(notice),
            written=shown_time(notice.created),
        )
    )


def recall_text(notice: RecallNotice) -> str:
    """Write the same as plain text, in lines of at most 78 columns; a hash stays whole."""
    lines = [
        *_wrapped(_heading(notice).upper()),
        *_wrapped(_numbers(notice)),
        "=" * WIDTH,
        "",
        *_wrapped(f"{notice.studio} calls these prints back from {notice.lab_name}."),
        *_wrapped(f"Notice {notice.parcel}, written {shown_time(notice.created)}"),
        "",
    ]
    for number, text in enumerate(notice.instructions, 1):
        lines += _wrapped(text, f"{number}. ", "   ")
    if notice.studio_contact:
        lines += ["", *_wrapped(notice.studio_contact, "Tell us:  ", " " * 10)]
    for each in map(_line, notice.prints):
        called = each.print.title or each.file
        lines += [
            "",
            "",
            *_wrapped(f"Job {each.number} in parcel {each.print.parcel}"),
            "-" * WIDTH,
        ]
        lines += _wrapped(
            f"{each.copies} on {each.print.product}, {each.size}", "Do not print  ", " " * 14
        )
        lines += _wrapped(called, "Picture       ", " " * 14)
        if each.print.order:
            lines += _wrapped(each.print.order, "Order         ", " " * 14)
        lines += _wrapped(each.file, "File          ", " " * 14)
        lines += _wrapped(each.print.print_file_sha256, "SHA-256       ", " " * 14)
    lines += ["", "", *_wrapped(_rest(notice))]
    lines += ["", f"Witness: entry {notice.witness.seq} of the studio's record,"]
    lines += [notice.witness.hash]
    return "\n".join(lines) + "\n"


def _heading(notice: RecallNotice) -> str:
    if len(notice.prints) == 1:
        return f"Do not print job {job_number(notice.prints[0].job)}"
    return f"Do not print these {len(notice.prints)} jobs"


def _rest(notice: RecallNotice) -> str:
    """What becomes of the other jobs of the same parcels."""
    parcels = list(dict.fromkeys(each.parcel for each in notice.prints))
    torn = [name for name in parcels if name not in notice.whole_parcels]
    said = []
    if notice.whole_parcels:
        said.append(f"Nothing of {_listed(notice.whole_parcels)} is to be printed.")
    if torn:
        before: dict[str, list[str]] = {}
        for each in notice.before:
            if each.parcel in torn:
                before.setdefault(each.notice, []).append(job_number(each.job))
        # What is not wanted is said first: whoever stops reading must not have read the contrary.
        for name, jobs in before.items():
            which = f"job {jobs[0]}" if len(jobs) == 1 else f"jobs {', '.join(jobs)}"
            said.append(f"Called back before and still not to be printed: {which} (notice {name}).")
        said.append(f"Everything else of {_listed(torn)} is still wanted, as its own ticket says.")
    return " ".join(said)


def _numbers(notice: RecallNotice) -> str:
    """Which jobs are called back, where the heading has only how many."""
    numbers = [job_number(each.job) for each in notice.prints]
    return f"Jobs {', '.join(numbers)}." if len(numbers) > 1 else ""


def _listed(names: tuple[str, ...] | list[str]) -> str:
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else f"parcel {last}"


def _line(each: RecalledPrint) -> _Line:
    return _Line(
        print=each,
        number=job_number(each.job),
        copies=copies_words(each.copies).replace("print", "test print", 1)
        if each.purpose == "test"
        else copies_words(each.copies),
        size=_shown_size(each.size),
        file=each.print_file.removeprefix("data/"),
    )


def _shown_size(text: str) -> str:
    try:
        size = parse_size(text)
    except BadSize:
        return text
    if isinstance(size, Size) and not size.name:
        return f"{size.width} × {size.height} {size.unit}"
    return text


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        " ".join(plain_text(text).split()), WIDTH, initial_indent=first, subsequent_indent=rest,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip
