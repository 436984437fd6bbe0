"""The folder of a held job: its picture, why it waits, and the sheet for the answer."""

from __future__ import annotations

import base64
import functools
import os
from dataclasses import dataclass
from pathlib import Path

import jinja2
from markupsafe import Markup

from platemark import durable
from platemark.intake.answers import (
    WIDTH,
    acceptable,
    answer_sheet,
    choice_words,
    choices_of,
    cured_by_size,
    decide_command,
    remark_on,
    size_words,
)
from platemark.intake.plain_text import flat, wrapped
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.notice import HeldNotice
from platemark.model.sits import proof_words

OURS = ("WHY.html", "WHY.txt", "ANSWER.txt")
"""What we write beside the picture."""


@dataclass(frozen=True, slots=True)
class _Way:
    """One way to answer."""

    words: str
    remark: str
    lines: tuple[str, ...]
    """On the answer sheet, ticked."""
    command: str


def write_held_folder(
    staging: Path,
    notice: HeldNotice,
    picture: Path,
    name: bytes,
    drawing: bytes | None,
    proof: bytes | None = None,
) -> Path:
    """Fill a new folder for a held job and make it lasting; it gets its final name elsewhere.

    Args:
        staging: A folder that must not exist yet, on the held folders' volume.
        notice: What its pages say.
        picture: The archived original.
        name: The name it was dropped under, as the file system has it.
        drawing: A JPEG of the picture with the choices drawn on it, or None.
        proof: A JPEG of how it would print, or None.

    Returns:
        The picture's path inside the folder.

    Raises:
        FileExistsError: the folder is there already.
        DiskFault: the picture cannot be copied.
        DiskFull: there is no room for it.
    """
    if os.path.lexists(staging):
        raise FileExistsError(str(staging))
    durable.make_folder(staging)
    target = staging / picture_name(name)
    durable.copy_out(picture, target)
    page = why_html(notice, drawing, proof)
    durable.write_new(staging / "WHY.html", page.encode("utf-8", "replace"))
    durable.write_new(staging / "WHY.txt", why_text(notice).encode("utf-8", "replace"))
    durable.write_new(staging / "ANSWER.txt", answer_sheet(notice).encode("utf-8", "replace"))
    durable.sync_tree(staging)
    return target


def picture_name(name: bytes) -> str:
    """The picture's own name, unless it is one of ours or no name at all.

    Raises:
        ValueError: no file can have this name.
    """
    if b"/" in name or b"\0" in name:
        raise ValueError(f"{name!r} is no file name")
    text = os.fsdecode(name)
    if text in ("", ".", ".."):
        return "picture"
    # Compared whatever the case: the folder may be looked at from a system that ignores it.
    return f"picture-{text}" if text.lower() in {ours.lower() for ours in OURS} else text


def why_html(notice: HeldNotice, drawing: bytes | None, proof: bytes | None = None) -> str:
    """Write WHY.html: one file with its style and drawings inside it, nothing from elsewhere."""
    return (
        _pages()
        .get_template("why.html.j2")
        .render(
            notice=notice,
            number=job_number(notice.job),
            stops=_stops(notice),
            cautions=_cautions(notice),
            accepts={finding: who_accepts(finding) for finding in _stops(notice)},
            ways=_ways(notice),
            drawing=_source(drawing),
            proof=_source(proof),
            proof_said=notice.then_and_now
            or proof_words((each.label, each.figure) for each in notice.sits),
            choices=_drawn(notice),
            size=size_words(notice.size),
            how=_how(notice),
            same_name=_same_name(notice),
        )
    )


def why_text(notice: HeldNotice) -> str:
    """Write WHY.txt: the same in plain text, at most 80 columns wherever words can be broken."""
    lines = [
        *_wrapped(f"{notice.name} waits for a person"),
        "=" * WIDTH,
        *_wrapped(f"Job {job_number(notice.job)}, since {notice.held_since}"),
        *_wrapped(_asked(notice)),
        "",
    ]
    if notice.answered:
        lines += [*_wrapped(notice.answered), ""]
    for number, finding in enumerate(_stops(notice), 1):
        lines += _wrapped(finding.message, f"{number}. ", "   ")
        lines += _wrapped(f"{finding.next} {who_accepts(finding)}", "   ", "   ")
        lines.append("")
    for finding in _cautions(notice):
        lines += _wrapped(f"Good to know: {finding.message} {finding.next}".rstrip())
    lines += ["", "HOW TO ANSWER", "-" * WIDTH]
    lines += _wrapped(_how(notice))
    lines.append("")
    for way in _ways(notice):
        lines += _wrapped(f"{way.words} ({way.remark})" if way.remark else way.words)
        lines += [f"    {line}" for line in (*way.lines, way.command)]
        lines.append("")
    lines += _wrapped(_same_name(notice))
    lines += ["", "THE PICTURE", "-" * WIDTH]
    for what, value in notice.facts:
        lines += _wrapped(value, f"{flat(what) + ':':<16} ", " " * 17)
    people = ", ".join(f"{name} ({role})" for name, role in notice.people)
    lines += ["", *_wrapped(f"May answer: {people}.")]
    return "\n".join(lines) + "\n"


def who_accepts(finding: Finding) -> str:
    """Who may let a stop pass, or that one of its answers must be chosen."""
    if finding.accept == "never" and finding.choices:
        return "Choose one of the answers below."
    return {
        "never": "Nobody can accept this as it is.",
        "assistant": "Anybody of the studio may accept it.",
        "photographer": "A photographer may accept it.",
    }[finding.accept]


def _source(jpeg: bytes | None) -> Markup:
    if not jpeg:
        return Markup("")
    # Base 64 has no sign that HTML could take for its own.
    return Markup("data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii"))  # noqa: S704


@functools.cache
def _pages() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("platemark.intake", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_seen,
    )


def _seen(value: object) -> object:
    """Make hidden and turning signs of any text visible; it is escaped after that."""
    return flat(value) if type(value) is str else value


def _stops(notice: HeldNotice) -> tuple[Finding, ...]:
    return tuple(f for f in notice.findings if f.severity == "stop")


def _cautions(notice: HeldNotice) -> tuple[Finding, ...]:
    return tuple(f for f in notice.findings if f.severity == "caution")


def _ways(notice: HeldNotice) -> tuple[_Way, ...]:
    ways = []
    for choice in choices_of(notice.findings):
        remark = remark_on(choice, notice)
        command = decide_command(notice, "--set", choice)
        ways.append(_Way(choice_words(choice), remark, (f"[x] set {choice}",), command))
    if cured_by_size(notice.findings):
        words = "Print it at another size" if ways or notice.size else "Print it at a size"
        another = decide_command(notice, "--set", "size=SIZE")
        ways.append(_Way(words, "write it for SIZE, like 16x20in", ("set size = SIZE",), another))
    ways += _acceptances(notice)
    withdraw = decide_command(notice, "--withdraw")
    ways.append(_Way("Take it back", "it is not printed", ("[x] withdraw",), withdraw))
    return tuple(ways)


def _acceptances(notice: HeldNotice) -> list[_Way]:
    """Accept all that may be accepted at once: a stop that is left over would hold it again."""
    may = acceptable(notice.findings)
    if not may:
        return []
    left = list(dict.fromkeys(f.code for f in _stops(notice) if f not in may))
    words = "Print it as it is" if not left else "Accept what may be accepted"
    remarks = []
    if any(f.accept == "photographer" for f in may):
        remarks.append("a photographer decides")
    if left:
        remarks.append(f"{', '.join(left)} must be settled as well")
    codes = tuple(dict.fromkeys(f.code for f in may))
    options = [option for code in codes for option in ("--accept", code)]
    lines = tuple(f"[x] accept {code}" for code in codes)
    return [_Way(words, "; ".join(remarks), lines, decide_command(notice, *options))]


def _how(notice: HeldNotice) -> str:
    each = " Every reason needs an answer." if len(_stops(notice)) > 1 else ""
    return f"Tick in ANSWER.txt in this folder and save it, or give the command.{each}"


def _asked(notice: HeldNotice) -> str:
    size = f"{size_words(notice.size)} on " if notice.size else ""
    lab = f", printed by {notice.lab_name}" if notice.lab_name else ""
    order = f", for {notice.order}" if notice.order else ""
    return f"Asked for: {size}{notice.surface_name}{lab}{order}"


def _same_name(notice: HeldNotice) -> str:
    return (
        "Or drop a corrected picture under the same name into "
        f"{notice.folder or f'hot/{notice.surface}'}: it takes this one's place. For another "
        "surface, take it back and drop it into that one's folder."
    )


def _drawn(notice: HeldNotice) -> list[tuple[str, str, str]]:
    """(letter, what it asks for, what the drawing says of it)."""
    drawn = []
    for letter, meaning in notice.drawing_choices:
        setting, colon, words = meaning.partition(":")
        if colon and "=" in setting:
            drawn.append((letter, choice_words(setting.strip()), words.strip()))
        else:
            drawn.append((letter, meaning, ""))
    return drawn


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return wrapped(text, WIDTH, first, rest)
