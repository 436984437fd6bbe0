"""The certificate of one print of an edition: what the record and the edition's file say of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from platemark.engine.editions import rows_of, terms_of
from platemark.imaging.child import Children
from platemark.ledger.editions import Editions
from platemark.ledger.read import JobRow, Reader
from platemark.model import paper
from platemark.model.edition import (
    Disclosure,
    Edition,
    Numbered,
    PrintKind,
    kind_words,
    numbered_words,
)
from platemark.model.errors import ChildFault, UsageError
from platemark.model.job import job_number
from platemark.model.paper import Block, Paper, Section
from platemark.model.plain import from_plain
from platemark.model.plan import Plan
from platemark.model.studio import Settings
from platemark.model.ticket import Witness
from platemark.model.units import BadSize, parse_full_size
from platemark.model.work import ChildLimits, Failure, PreviewReport, PreviewTask

NOT_STATED = "not stated"
NO_ADVICE = (
    "This certificate states facts of this print as its studio keeps them. It is no legal advice: "
    "which of them a seller must tell, and how, the law of the place of sale decides."
)
_PICTURE_MM = (80, 60)
_MEMORY_MB, _SECONDS, _OUTPUT_MB = 1024, 120, 16
_LABELS = {
    "artist": "Artist",
    "year": "Year",
    "process": "Process and material",
    "signed": "Signature and number",
    "derived_from": "Derived from another medium",
    "master": "The master",
    "other_editions": "Other and prior editions",
    "posthumous": "Printed posthumously",
}
"""What buyers are told; what is empty of it, the certificate calls not stated."""


@dataclass(frozen=True, slots=True)
class Certificate:
    """All that stands on it."""

    certificate: str
    """Its own number: edition, print and job, so that a replaced print has another."""
    studio: str
    name: str
    title: str
    numbered: str
    """As the print carries it: `7/25`."""
    what: str
    """The same in words."""
    extent: tuple[str, ...]
    """How many prints and proofs there are, a line for each size that is counted by itself."""
    size: str
    sheet: str
    surface: str
    product: str
    workshop: str
    printed_on: date
    replaced: bool
    """It takes the place of a print that was destroyed."""
    disclosure: Disclosure
    job: int
    parcel: str
    print_sha256: str
    original_sha256: str
    witness: Witness
    made: date

    @property
    def not_stated(self) -> tuple[str, ...]:
        """What the edition's file leaves out, as people call it."""
        said = self.disclosure
        return tuple(
            label[:1].lower() + label[1:]
            for key, label in _LABELS.items()
            if getattr(said, key) in ("", None)
        )


def certificate_of(
    reader: Reader,
    settings: Settings,
    edition: Edition,
    part: str,
    kind: PrintKind,
    number: int,
) -> Certificate:
    """Put together what a certificate says.

    Args:
        reader: The record.
        settings: The studio's.
        edition: Of which edition.
        part: Of which row of numbers.
        kind: Whether of the prints or of the proofs.
        number: Of which print.

    Raises:
        UsageError: there is no such print, or not all that it must say is known; why not.
    """
    row = _printed(reader, edition, part, kind, number)
    job = reader.job(row.job) if row.job is not None else None
    if job is None or job.examined_seq is None or job.print_sha256 is None or job.parcel is None:
        raise UsageError(
            f"Number {number} of {edition.name} was not printed here, so nothing is known of its "
            "print file.",
            "A certificate of it is written by hand.",
        )
    _refuse_spoilt(reader, edition, job, row)
    examined = reader.body(job.examined_seq)
    _same_terms(reader, edition, part, kind)
    zone = ZoneInfo(settings.studio.time_zone)
    lab = settings.lab(job.lab or "")
    surface = settings.surface(job.surface)
    of = edition.of(part, kind)
    measures = examined["measures"]
    return Certificate(
        certificate=f"{edition.id}/{'AP' if kind == 'proof' else ''}{number}/{job_number(job.job)}",
        studio=settings.studio.name,
        name=edition.name,
        title=job.title or Path(job.original_name).stem,
        numbered=numbered_words(kind, (number,), of),
        what=f"{kind_words(kind)} {number} of {of}{_part_words(edition, part)}",
        extent=_extent(edition),
        size=_size_words(measures["size"]),
        sheet=_size_words(measures["sheet"]),
        surface=surface.name if surface is not None else job.surface,
        product=examined.get("product") or "",
        workshop=edition.disclosure.workshop or (lab.name if lab is not None else job.lab or ""),
        printed_on=_closed_on(reader, job, zone),
        replaced=bool((examined.get("request") or {}).get("replaces"))
        or Editions(reader).remake_of(job.job) is not None,
        disclosure=edition.disclosure,
        job=job.job,
        parcel=job.parcel,
        print_sha256=job.print_sha256,
        original_sha256=job.original_sha256,
        witness=reader.head(),
        made=datetime.now(UTC).astimezone(zone).date(),
    )


def _printed(reader: Reader, edition: Edition, part: str, kind: PrintKind, number: int) -> Numbered:
    of = edition.of(part, kind)
    called = f"{kind_words(kind)} {number} of {edition.name}{edition.part_words(part)}"
    if not 1 <= number <= of:
        raise UsageError(f"There is no {called}: it has {of}.")
    rows = rows_of(Editions(reader), edition)
    wanted = (part, kind, number)
    row = next((row for row in rows if (row.part, row.kind, row.number) == wanted), None)
    state = row.state if row is not None else "free"
    if row is not None and state in ("printed", "sold"):
        return row
    why = {
        "free": "no print has it yet",
        "reserved": "its print is in no parcel yet",
        "void": "it is void",
        "destroyed": "its print is destroyed",
    }[state]
    raise UsageError(
        f"There is no certificate of {called}: {why}.",
        f"See `platemark editions show {edition.id}`.",
    )


def _refuse_spoilt(reader: Reader, edition: Edition, job: JobRow, row: Numbered) -> None:
    """No certificate goes out for a print that was called back, or that failed when it came back.

    Where a job made several, nobody knows which of them failed.

    Raises:
        UsageError: it was, or did.
    """
    why, passed = "", Editions(reader).passed(job.job)
    if reader.recall(job.job) is not None and not passed:
        why = "was called back, and may never have been printed"
    elif (job.copies or 1) == 1 and passed is False:
        why = "failed when it came back from the lab"
    if why:
        raise UsageError(
            f"{kind_words(row.kind).capitalize()} {row.number} of {edition.name} (job "
            f"{job_number(job.job)}) {why}.",
            "Where it is no more, say so with `platemark editions destroyed "
            f"{edition.as_typed(row.part, row.kind, row.number)}`; where it is good after all, "
            f"record that with `platemark return {job.job} --passed`.",
        )


def _same_terms(reader: Reader, edition: Edition, part: str, kind: PrintKind) -> None:
    """A certificate never says another total than numbers were given under.

    Raises:
        UsageError: the edition's file was changed since.
    """
    entry = Editions(reader).terms_entry(edition.id)
    if entry is None:
        return
    terms = terms_of(entry)
    said, now = terms.total(part, kind), edition.of(part, kind)
    if terms.counted != edition.counted or said != now:
        raise UsageError(
            f"editions/{edition.id}.toml says {now} by now, and numbers were given as of "
            f"{said if said is not None else 'another count'}.",
            "Put it back as it was; a certificate says what buyers were told.",
        )


def _extent(edition: Edition) -> tuple[str, ...]:
    """How large the whole edition is: prints, proofs and both together."""
    lines = []
    for part in edition.parts:
        prints, proofs = edition.of(part, "print"), edition.of(part, "proof")
        more = f" and {_count(proofs, 'artist’s proof')}" if proofs else ", no artist’s proofs"
        sizes = ", ".join(_size_words(str(each.size)) for each in edition.sizes)
        every = f" in {sizes}{' together' if len(edition.sizes) > 1 else ''}"
        where = _part_words(edition, part) or every
        both = f"; {prints + proofs} in all" if proofs else ""
        lines.append(f"{_count(prints, 'numbered print')}{more}{where}{both}")
    if len(lines) > 1:
        kinds: tuple[PrintKind, ...] = ("print", "proof")
        total = sum(edition.of(part, kind) for part in edition.parts for kind in kinds)
        lines.append(f"{total} prints of all sizes, proofs included")
    return tuple(lines)


def _part_words(edition: Edition, part: str) -> str:
    """A size that is counted by itself; empty where sizes are counted together."""
    words = edition.part_words(part)
    return f" in {_size_words(words.removeprefix(' in '))}" if words else ""


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _size_words(text: str) -> str:
    """A size for people, with millimetres beside an ISO name."""
    try:
        size = parse_full_size(text)
    except BadSize:
        return text
    measured = f"{size.w.value:f} × {size.h.value:f} {size.unit}"
    return f"{size.name} ({measured})" if size.name else measured


def _closed_on(reader: Reader, job: JobRow, zone: ZoneInfo) -> date:
    """The day on which its parcel was closed, in the studio."""
    entry = next(
        (each for each in reader.entries(job=job.job) if each.body.get("state") == "parcelled"),
        None,
    )
    at = entry.at if entry is not None else job.moved_at
    return datetime.fromisoformat(at).astimezone(zone).date()


def draw_print(reader: Reader, root: Path, said: Certificate, target: Path) -> bool:
    """Draw the print small, from the very file that it was printed from, without what is cut off.

    Args:
        reader: The record.
        root: The studio's folder.
        said: What the certificate says.
        target: A new file, a JPEG.

    Returns:
        Whether there is a drawing; there is none of a file that is mirrored for a print behind
        acrylic, or that the archive has not.

    Raises:
        ChildFault: the process would not start.
    """
    row = reader.job(said.job)
    body = reader.body(row.examined_seq) if row is not None else {}
    plan = from_plain(Plan, body["plan"]) if "plan" in body else None
    found = sorted((root / "archive" / said.print_sha256[:2]).glob(f"{said.print_sha256}.*"))
    if plan is None or plan.mirror or not found:
        return False
    seen = plan.face_box if plan.wrap_px else plan.trim_box
    task = PreviewTask(str(found[0].absolute()), 1, "", (), str(target.absolute()), part=seen)
    report = Children().run(task, ChildLimits(_MEMORY_MB, _SECONDS, _OUTPUT_MB, threads=1))
    if isinstance(report, Failure) and report.kind == "world":
        raise ChildFault(report.sentence, "Try again.")
    return isinstance(report, PreviewReport)


def certificate_paper(said: Certificate, drawing: str = "") -> Paper:
    """Put a certificate on paper: one page, with room for a signature.

    Args:
        said: What stands on it.
        drawing: The print, small, as JPEG; empty where there is none.
    """
    head = (said.studio, f"Certificate {said.certificate}", "")
    blocks = [
        paper.words("Certificate", "title"),
        paper.words(said.name, "order"),
        paper.words(f"{said.numbered}: {said.what}", "big"),
        *([paper.picture(drawing, _PICTURE_MM, "")] if drawing else []),
        paper.row("The print", paper.facts(_print_facts(said)), first=True),
        paper.row("The edition", paper.facts(_edition_facts(said))),
        *([paper.row("Care", paper.words(said.disclosure.care))] if said.disclosure.care else []),
        paper.row("In the record", paper.facts(_record_facts(said))),
        paper.row("Signed", *_signing()),
        paper.words(NO_ADVICE, "small"),
    ]
    title = f"{said.name}, {said.numbered}"
    return Paper(title, said.studio, (Section(head, tuple(blocks)),))


def _print_facts(said: Certificate) -> Iterable[tuple[str, str]]:
    yield "Title", said.title
    yield _stated(said, "artist")
    yield _stated(said, "year")
    yield "Size of the picture", said.size
    yield "Size of the sheet", said.sheet
    yield "Printed on", f"{said.surface} ({said.product})" if said.product else said.surface
    yield _stated(said, "process")
    yield "Printed by", said.workshop or NOT_STATED
    yield "Given to be printed", _day(said.printed_on)
    yield _stated(said, "signed")
    if said.replaced:
        yield "In place of", "an earlier print of this number, which was destroyed"


def _edition_facts(said: Certificate) -> Iterable[tuple[str, str]]:
    for at, line in enumerate(said.extent):
        yield "" if at else "Extent", line
    for key in ("derived_from", "master", "other_editions", "posthumous"):
        yield _stated(said, key)


def _record_facts(said: Certificate) -> Iterable[tuple[str, str]]:
    yield "Ticket", f"job {job_number(said.job)} in parcel {said.parcel}"
    yield "Print file, SHA-256", said.print_sha256
    yield "Picture, SHA-256", said.original_sha256
    yield "Witness", f"entry {said.witness.seq} of the studio’s record"
    yield "Its hash", said.witness.hash
    yield "Written", _day(said.made)


def _signing() -> tuple[Block, ...]:
    """Two lines to write on, with room above them."""
    return (
        paper.words(" \n "),
        paper.table((" ", " "), [("Place and date", "Artist, or who signs for them")], (1, 1)),
    )


def _stated(said: Certificate, key: str) -> tuple[str, str]:
    value: Any = getattr(said.disclosure, key)
    if key == "posthumous" and value is not None:
        value = "yes" if value else "no"
    return _LABELS[key], value or NOT_STATED


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"
