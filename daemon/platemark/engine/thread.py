"""A picture's thread, from its record alone: versions, tests, approvals, finals, returns, more."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from platemark.engine.reprinted import OF, REASON
from platemark.ledger.chain import Entry
from platemark.ledger.edition_tables import EDITION
from platemark.ledger.editions import Editions
from platemark.ledger.read import JobRow, Reader
from platemark.ledger.threads import Threads
from platemark.model.edition import kind_words, numbers_words
from platemark.model.job import job_number
from platemark.model.reprint import IN_PLACE_OF, REASONS, SHORT
from platemark.model.studio import Settings

_SAID: Mapping[str, str] = {
    "approved": "approved",
    "approval-taken-back": "approval taken back",
    "lab-answered": "the lab’s answer",
    "picture-settled": "settled",
    "recalled": "called back",
    "returned": "came back",
    "strip-read": "patch strip read",
}
"""Entries about a job that its thread shows, and what each is called there."""
_STATES: Mapping[str, str] = {
    "claimed": "taken in, and not looked at yet",
    "examined": "planned",
    "rendered": "prepared, and in no parcel yet",
    "parcelled": "in parcel {parcel}",
    "delivered": "sent in parcel {parcel}",
    "held": "held for an answer",
    "withdrawn": "withdrawn",
}
_LAB_SAYS = {
    "accepted": "the lab has taken it",
    "made": "the lab has made it",
    "question": "the lab asks something",
    "refused": "the lab will not make it",
}


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happened in a thread."""

    seq: int
    """Its entry in the record."""
    at: str
    """UTC, RFC 3339."""
    kind: str
    """`picture`, `test`, `final`, `reprint`, `remake`, or the kind of the entry."""
    called: str
    """The same for people, in a word or two."""
    job: int
    words: str
    by: str
    """Who; empty where nobody did it."""


def thread_of(reader: Reader, row: JobRow, settings: Settings | None = None) -> tuple[Step, ...]:
    """Everything of a job's thread, in the order in which it happened.

    Args:
        reader: The record.
        row: Any job of the thread.
        settings: For the names of labs and surfaces; without them their ids are shown.
    """
    rows = reader.jobs_numbered(Threads(reader).jobs(row.job))
    steps: list[Step] = []
    versions: dict[str, int] = {}
    for each in rows:
        entry = reader.entry(each.claimed_seq)
        if entry is None:
            continue
        if each.original_sha256 not in versions:
            versions[each.original_sha256] = len(versions) + 1
            steps.append(_version(each, entry, len(versions)))
        steps.append(_print(reader, each, entry, settings))
        steps.extend(_since(reader, each))
    return tuple(sorted(steps, key=lambda step: (step.seq, step.kind != "picture")))


def is_single(steps: tuple[Step, ...]) -> bool:
    """Whether a thread tells nothing that the job itself does not: one picture, printed once."""
    return len(steps) <= len(("picture", "print"))


def as_plain(step: Step) -> dict[str, Any]:
    """A step as programs read it."""
    return {
        "seq": step.seq,
        "at": step.at,
        "kind": step.kind,
        "job": step.job,
        "words": step.words,
        "by": step.by or None,
    }


def _version(row: JobRow, entry: Entry, number: int) -> Step:
    which = "" if number == 1 else f"version {number}, "
    return Step(
        entry.seq,
        entry.at,
        "picture",
        "picture",
        row.job,
        f"{row.original_name}, {which}SHA-256 {row.original_sha256[:SHORT]}",
        "",
    )


def _print(reader: Reader, row: JobRow, entry: Entry, settings: Settings | None) -> Step:
    """One print: what it is of, and how far it has come."""
    what, words = "final", []
    if row.purpose == "test" or "test_part" in entry.body:
        what = "test"
    if OF in entry.body:
        reason = entry.body[REASON]
        what = "remake" if reason in IN_PLACE_OF else "reprint"
        words.append(f"of job {job_number(entry.body[OF])} ({REASONS[reason]})")
    examined = reader.body(row.examined_seq)
    words += [
        part
        for part in (
            _part_of_test(entry, what),
            row.size,
            f"{row.copies} copies" if (row.copies or 1) > 1 else "",
            f"on {_surface(row, settings)}",
            f"by {_lab(row, settings)}" if row.lab else "",
            _numbers(reader, row, examined),
            _file_words(reader, row),
        )
        if part
    ]
    state = _STATES[row.state].format(parcel=row.parcel or "")
    return Step(
        entry.seq, entry.at, what, what, row.job, f"{', '.join(words)}: {state}",
        entry.actor if entry.actor != "service" else "",
    )  # fmt: skip


def _part_of_test(entry: Entry, what: str) -> str:
    if what != "test":
        return ""
    return {"crops": "crops at full size", "steps": "steps of one adjustment"}.get(
        entry.body.get("test_part", ""), "the whole picture"
    )


def _surface(row: JobRow, settings: Settings | None) -> str:
    surface = settings.surface(row.surface) if settings is not None else None
    return surface.name if surface is not None else row.surface


def _lab(row: JobRow, settings: Settings | None) -> str:
    lab = settings.lab(row.lab) if settings is not None and row.lab else None
    return lab.name if lab is not None else row.lab or ""


def _numbers(reader: Reader, row: JobRow, examined: dict[str, Any]) -> str:
    """The numbers that a print has in its edition, with what became of those that were sold on."""
    edition = examined.get(EDITION)
    if not isinstance(edition, dict) or not edition.get("numbers"):
        return ""
    now = {each.number: each.state for _, each in Editions(reader).of_job(row.job)}
    ended = [
        f"{number} {now[number]}"
        for number in edition["numbers"]
        if now.get(number) in ("sold", "void", "destroyed")
    ]
    said = f"{kind_words(edition['kind'])} {numbers_words(edition['numbers'])} of {edition['of']}"
    return f"{said} ({', '.join(ended)})" if ended else said


def _file_words(reader: Reader, row: JobRow) -> str:
    if row.print_sha256 is None:
        return ""
    first = reader.body(row.rendered_seq).get("print_file_of")
    same = f", the archived file of job {job_number(first)}" if first is not None else ""
    return f"print file {row.print_sha256[:SHORT]}{same}"


def _since(reader: Reader, row: JobRow) -> Iterator[Step]:
    for entry in reader.entries(row.claimed_seq, job=row.job):
        called = _SAID.get(entry.kind)
        if called is None:
            continue
        by = entry.actor if entry.actor != "service" else ""
        words = _words(entry.kind, reader.filled(entry.body))
        yield Step(entry.seq, entry.at, entry.kind, called, row.job, words, by)


def _words(kind: str, body: dict[str, Any]) -> str:
    if kind == "returned":
        return _returned_words(body)
    if kind == "lab-answered":
        lot = f", lot {body['lot']}" if body.get("lot") else ""
        return f"{_LAB_SAYS[body['says']]}{lot}"
    if kind == "recalled":
        return "before its parcel left" if body["how"] == "taken-back" else "the lab is told"
    if kind == "picture-settled":
        said = [f"{key} {body[key]}" for key in ("adjust", "intent") if body.get(key) is not None]
        return f"version {body['version']}: {', '.join(said) or 'all undone'}"
    # The first sentence says what was done, the others what follows.
    sentence = str(body.get("sentence", ""))
    return f"{sentence.split('. ')[0].rstrip('.')}." if sentence else ""


def _returned_words(body: dict[str, Any]) -> str:
    said = ["passed" if body["passed"] else "failed", *body["defects"]]
    if body.get("size"):
        said.append(f"measured {body['size']}")
    if body.get("surface_seen"):
        said.append(f"on {body['surface_seen']}")
    if body.get("photo"):
        said.append(f"photograph {body['photo']['sha256'][:SHORT]}")
    return "; ".join(said)
