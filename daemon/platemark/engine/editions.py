"""How a print stands to the numbered editions: which numbers it gets, which pictures are of which.

Numbers are chosen from the record as it is and given in the entry that examines the job, by the one
thread that writes; should two ever be given the same, the second entry is refused by the tables.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from platemark.engine.lifecycle import being_sealed
from platemark.ledger.chain import Entry
from platemark.ledger.edition_tables import EDITION
from platemark.ledger.editions import EditionPicture, Editions
from platemark.ledger.read import JobRow, Reader
from platemark.model.edition import (
    ALIKE_BITS,
    Edition,
    EditionStanding,
    Numbered,
    NumberState,
    PictureOf,
    PrintKind,
    Terms,
    TermsBefore,
    bits_apart,
    numbered_words,
)
from platemark.model.known import Known
from platemark.model.plain import from_plain, to_plain
from platemark.model.request import Request
from platemark.model.studio import Settings

LIKENESS = "likeness"
"""In the record: what another file of a picture is known by, upright first and then turned and
mirrored, with blanks between them."""

_OUT: tuple[NumberState, ...] = ("printed", "sold")


@dataclass(frozen=True, slots=True)
class _Chosen:
    numbers: tuple[int, ...] = ()
    left: int = 0
    replaced: Numbered | None = None


def standing_of(
    reader: Reader,
    settings: Settings,
    known: Known,
    original: str,
    *,
    job: int = 0,
    likeness: str = "",
) -> EditionStanding | None:
    """How a print stands to the editions.

    Args:
        reader: The record.
        settings: The studio's, with its editions.
        known: What else is known of it: its request and its layout count.
        original: SHA-256 of the picture.
        job: Its job; 0 for a file that was not dropped.
        likeness: What the picture is known by, as the record has it; empty where not looked for.

    Returns:
        None where there never was an edition and none is asked for.
    """
    request = known.resolved.request
    ledger = Editions(reader)
    known_pictures = ledger.pictures()
    # A file that is taken away does not free the pictures of its edition.
    if not settings.editions and not known_pictures and request.edition is None:
        return None
    ids = tuple(each.id for each in settings.editions)
    pictures = _pictures(settings.editions, known_pictures, original, likeness)
    edition = settings.edition(request.edition) if request.edition is not None else None
    if edition is None:
        return EditionStanding(ids, pictures=pictures)
    rows = rows_of(ledger, edition)
    part = edition.part_of(known.layout.size) if known.layout is not None else None
    remake = ledger.remake_of(job) if job else None
    chosen = _Chosen()
    if part is not None and request.purpose == "final":
        chosen = _choose(edition, part, rows, job, request, remake)
    return EditionStanding(
        ids=ids,
        edition=edition,
        part=part,
        numbers=chosen.numbers,
        left=chosen.left,
        replaced=chosen.replaced,
        remake_of=remake,
        before=_terms_before(ledger, edition, part, request.edition_kind, rows, job),
        pictures=pictures,
        has_pictures=any(each.likeness for each in known_pictures if each.edition == edition.id),
        restored=_restored(ledger, edition),
    )


def rows_of(ledger: Editions, edition: Edition) -> list[Numbered]:
    """Every number of an edition that is given: by the record, and else by its file."""
    rows = ledger.numbers(edition.id)
    there = {(row.part, row.kind, row.number) for row in rows}
    rows += [
        Numbered(each.part, each.kind, each.number, each.state, None, 0)
        for each in edition.given
        if (each.part, each.kind, each.number) not in there
    ]
    return sorted(rows, key=lambda row: (row.part, row.kind, row.number))


def terms_of(entry: Entry) -> Terms:
    """What was promised by then: in the entry that gave a number, or said what became of one."""
    said = entry.body if "terms" in entry.body else entry.body[EDITION]
    return from_plain(Terms, said["terms"])


def promised_otherwise(ledger: Editions, edition: Edition) -> str:
    """How the file of an edition differs from what numbers of it were given under; empty for not.

    Sizes and surfaces that were added are asked about when something is printed so.
    """
    entry = ledger.terms_entry(edition.id)
    if entry is None or not ledger.numbers(edition.id):
        return ""
    terms, now = terms_of(entry), edition.terms
    if terms.counted != now.counted:
        return f"its sizes were counted {_COUNTED[terms.counted]} when numbers were given"
    for part, kind, said in terms.totals:
        if now.total(part, kind) != said:
            what = "prints" if kind == "print" else "artist’s proofs"
            is_now = edition.of(part, kind)
            return f"numbers were given as of {said} {what}, and its file says {is_now}"
    return ""


_COUNTED = {"together": "together", "each-size": "each by itself"}


@dataclass(frozen=True, slots=True)
class JobEdition:
    """The edition that a job's prints belong to, as it stands now."""

    id: str
    name: str
    of: int
    kind: PrintKind
    numbers: tuple[Numbered, ...]
    """Those that are its own now: a number that was destroyed and printed again is another's."""

    @property
    def words(self) -> str:
        """For people: `Dunes 2/3 printed, 3/3 sold`."""
        said = (
            f"{numbered_words(row.kind, (row.number,), self.of)} {row.state}"
            for row in self.numbers
        )
        return f"{self.name} {', '.join(said)}".rstrip()


def edition_of(reader: Reader, row: JobRow) -> JobEdition | None:
    """The edition that a job's prints belong to; None for a job of none, and for a test print."""
    said = reader.body(row.examined_seq).get(EDITION)
    if not said or not said["numbers"]:
        return None
    numbers = tuple(numbered for _, numbered in Editions(reader).of_job(row.job))
    name, of = said["name"], said["of"]
    return JobEdition(said["id"], name, of, said["kind"], numbers)


def recorded(known: Known, likeness: str) -> dict[str, Any]:
    """What the entry says that examines a print of an edition; nothing for any other.

    Args:
        known: A job without an open stop.
        likeness: What its picture is known by.
    """
    standing, request = known.editions, known.resolved.request
    if standing is None or standing.edition is None:
        return {}
    edition = standing.edition
    part = standing.part or ""
    before = [
        {"part": each.part, "kind": each.kind, "number": each.number, "state": each.state}
        for each in edition.given
    ]
    return {
        EDITION: {
            "id": edition.id,
            "name": edition.name,
            "part": part,
            "kind": request.edition_kind,
            "of": edition.of(part, request.edition_kind),
            "numbers": list(standing.numbers),
            "likeness": likeness.partition(" ")[0],
            "terms": to_plain(edition.terms),
            "before": before if standing.numbers else [],
        }
    }


def unnamed_before(reader: Reader, known: Known, row: JobRow) -> list[JobRow]:
    """Finals of a picture that were ready before its first print named an edition.

    Nobody could know then that they belong to it; they are to be looked at again.

    Args:
        reader: The record, before the entry that examines the job.
        known: A job without an open stop.
        row: The same job.
    """
    named = known.editions is not None and known.editions.edition is not None
    if not named or any(
        each.original == row.original_sha256 for each in Editions(reader).pictures()
    ):
        return []
    sealed = being_sealed(reader)
    return [
        other
        for other in reader.jobs(original=row.original_sha256)
        if other.job != row.job
        and other.state in ("examined", "rendered")
        and other.purpose == "final"
        and other.job not in sealed
    ]


def _choose(
    edition: Edition,
    part: str,
    rows: Sequence[Numbered],
    job: int,
    request: Request,
    remake: int | None,
) -> _Chosen:
    """The numbers that a print gets: what it has, what it is to replace, else the lowest free."""
    kind = request.edition_kind
    of, ours = edition.of(part, kind), [r for r in rows if (r.part, r.kind) == (part, kind)]
    by_number = {row.number: row for row in ours}
    own = [row.number for row in ours if row.job == job and row.state == "reserved"]
    free = [number for number in range(1, of + 1) if number not in by_number]
    left = len(free) + len(own)
    if request.replaces is not None:
        row = by_number.get(request.replaces)
        may = row is not None and (row.state == "destroyed" or row.number in own)
        gets = may and request.copies == 1
        return _Chosen((request.replaces,) if gets else (), left, row)
    if remake is not None:
        spoilt = [row.number for row in ours if row.job == remake and row.state == "destroyed"]
        again = tuple((own + spoilt)[: request.copies])
        return _Chosen(again if len(again) == request.copies else (), left)
    numbers = tuple(sorted((own + free)[: request.copies]))
    return _Chosen(numbers if len(numbers) == request.copies else (), left)


def _terms_before(
    ledger: Editions,
    edition: Edition,
    part: str | None,
    kind: PrintKind,
    rows: Sequence[Numbered],
    job: int,
) -> TermsBefore | None:
    """Under which terms numbers were given to others than this job; None where none stands."""
    entry = ledger.terms_entry(edition.id)
    others = [row for row in rows if row.seq and (row.job is None or row.job != job)]
    if entry is None or not others:
        return None
    highest = max((r.number for r in others if (r.part, r.kind) == (part, kind)), default=0)
    terms = terms_of(entry)
    return TermsBefore(terms, highest, any(row.state in _OUT for row in others))


def _pictures(
    editions: Sequence[Edition],
    known: Sequence[EditionPicture],
    original: str,
    likeness: str,
) -> tuple[PictureOf, ...]:
    found: dict[str, PictureOf] = {}
    names = {each.id: each.name for each in editions}
    for picture in known:
        name = names.get(picture.edition, picture.edition)
        if picture.original == original:
            found[picture.edition] = PictureOf(picture.edition, name, "same")
            continue
        bits = _bits_apart(likeness, picture.likeness)
        before = found.get(picture.edition)
        if bits is not None and (before is None or (before.how == "alike" and bits < before.bits)):
            found[picture.edition] = PictureOf(picture.edition, name, "alike", bits)
    for edition in editions:
        if original in edition.pictures and found.get(edition.id, _NONE).how != "same":
            found[edition.id] = PictureOf(edition.id, edition.name, "listed")
    return tuple(found[each] for each in sorted(found))


_NONE = PictureOf("", "", "alike")


def _bits_apart(likeness: str, other: str) -> int | None:
    """How far a picture is from another, however it is turned; None where it is another picture."""
    if not likeness or not other:
        return None
    nearest = min(bits_apart(each, other) for each in likeness.split())
    return nearest if nearest <= ALIKE_BITS else None


def _restored(ledger: Editions, edition: Edition) -> tuple[int, date] | None:
    entry = ledger.newest_restored()
    if entry is None:
        return None
    given = ledger.terms_entry(edition.id)
    if given is not None and given.kind == "examined" and given.seq > entry.seq:
        return None
    return entry.seq, datetime.fromisoformat(entry.body["copy_made"]).date()
