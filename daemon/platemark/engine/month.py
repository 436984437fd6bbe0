"""What was sent in a month, for whoever writes the bills: from the record alone.

A job counts in the month in which the parcel that holds it was closed, by the studio's own dates.
A parcel that was taken back before it left holds nothing. A job that was called back later stays
where it was, and comes once more among what was called back, in the month of that.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any, Literal
from zoneinfo import ZoneInfo

from platemark.engine.local_time import date_at, moment_of
from platemark.engine.reprinted import OF, REASON
from platemark.ledger.chain import Entry
from platemark.ledger.read import JobRow, Reader
from platemark.ledger.store import stamp
from platemark.model import paper
from platemark.model.errors import UsageError
from platemark.model.job import job_number
from platemark.model.paper import Paper, Section
from platemark.model.reprint import IN_PLACE_OF, REASONS
from platemark.model.studio import Settings
from platemark.parcel.ticket_words import copies_words

NOT_SENT = ("taken-back", "given-up", "sealed")
"""States of parcels that no lab got."""
CLOSING = ("parcel-closed", "parcel-read-back")
"""Entries that say which jobs a parcel holds."""
_MONTH = re.compile(r"([0-9]{4})-(0[1-9]|1[0-2])")
_CORRECTED = "a corrected picture took its place"


@dataclass(frozen=True, slots=True)
class Month:
    """A month of the studio's own dates."""

    name: str
    """`2026-03`."""
    zone: ZoneInfo
    first: datetime
    """Its first moment, UTC."""
    after: datetime
    """The first moment of the next, UTC."""

    def holds(self, at: str) -> bool:
        """Whether an entry's time lies in it."""
        return stamp(self.first) <= at < stamp(self.after)

    def date_of(self, at: str) -> date:
        """The studio's date at an entry's time."""
        return date_at(datetime.fromisoformat(at), self.zone)

    @property
    def words(self) -> str:
        """`March 2026`."""
        return f"{self.first.astimezone(self.zone):%B %Y}"


@dataclass(frozen=True, slots=True)
class MonthLine:
    """One job that was sent, or called back; the columns of the table, in their order."""

    kind: Literal["sent", "called back"]
    date: str
    order: str
    job: int
    picture: str
    lab: str
    product: str
    size: str
    copies: int
    purpose: str
    reason: str
    """Why the same print was made again, or why it was called back; empty where it was ordered."""
    replaces: int | None
    """The job in whose place it was printed."""
    parcel: str


COLUMNS = tuple(MonthLine.__dataclass_fields__)
"""Of the table, as its first row names them."""


@dataclass(frozen=True, slots=True)
class MonthTotal:
    """How much of one product a lab was sent."""

    lab: str
    product: str
    size: str
    purpose: str
    jobs: int
    prints: int


@dataclass(frozen=True, slots=True)
class MonthReport:
    """One month."""

    month: Month
    studio: str
    lines: tuple[MonthLine, ...]
    totals: tuple[MonthTotal, ...]
    """Of what was sent; what was called back is not taken off."""


def month_of(name: str, zone: ZoneInfo) -> Month:
    """Read a month as it is typed.

    Raises:
        UsageError: it is none.
    """
    match = _MONTH.fullmatch(name)
    if match is None or int(match[1]) < 1:
        raise UsageError(f"“{name}” is no month.", "Write it like 2026-03.")
    year, number = int(match[1]), int(match[2])
    if year > 9000:
        raise UsageError(f"“{name}” is no month.", "Write it like 2026-03.")
    first = date(year, number, 1)
    after = date(year + number // 12, number % 12 + 1, 1)
    return Month(name, zone, moment_of(first, time.min, zone), moment_of(after, time.min, zone))


def begun_month(name: str, settings: Settings, now: datetime) -> Month:
    """Read a month that has begun in the studio's time zone.

    Raises:
        UsageError: it is none, or is still to come.
    """
    month = month_of(name, ZoneInfo(settings.studio.time_zone))
    if month.first > now:
        raise UsageError(f"{month.words} is still to come.", "Name a month that has begun.")
    return month


def report_month(reader: Reader, settings: Settings, name: str, now: datetime) -> MonthReport:
    """Tell what was sent and what was called back in a month.

    Raises:
        UsageError: the month is none, or is still to come.
    """
    month = begun_month(name, settings, now)
    corrected = {
        entry.body["superseded_by"]: entry.job
        for entry in reader.entries(kind="superseded")
        if "superseded_by" in entry.body
    }
    sent = [
        _sent(reader, settings, month, entry, row, corrected)
        for entry, row in sent_in(reader, month)
    ]
    recalled = list(_recalled(reader, settings, month))
    lines = sorted([*sent, *recalled], key=lambda line: (line.date, line.parcel, line.job))
    return MonthReport(month, settings.studio.name, tuple(lines), _totals(sent))


def sent_in(reader: Reader, month: Month) -> Iterator[tuple[Entry, JobRow]]:
    """Each job that was sent in a month, with the entry that closed its parcel."""
    for entry in closings(reader, month):
        for job in entry.body["jobs"]:
            row = reader.job(job)
            if row is not None:
                yield entry, row


def closings(reader: Reader, month: Month) -> Iterator[Entry]:
    """The entries that closed the parcels of a month, of those that were not taken back."""
    for kind in CLOSING:
        for entry in reader.entries(kind=kind):
            if not month.holds(entry.at):
                continue
            parcel = reader.parcel(entry.body["parcel"])
            if parcel is not None and parcel.state not in NOT_SENT:
                yield entry


def _sent(
    reader: Reader,
    settings: Settings,
    month: Month,
    entry: Entry,
    row: JobRow,
    corrected: dict[int, int | None],
) -> MonthLine:
    examined = reader.body(row.examined_seq)
    reason, replaces = _why_reprinted(reader, row) or _why_again(examined)
    if replaces is None and row.job in corrected:
        reason, replaces = _CORRECTED, corrected[row.job]
    return _line(
        settings, row, examined, "sent", month.date_of(entry.at), reason, replaces,
        entry.body["parcel"],
    )  # fmt: skip


def _recalled(reader: Reader, settings: Settings, month: Month) -> Iterator[MonthLine]:
    """What was called back after it had been sent."""
    for entry in reader.entries(kind="recalled"):
        row = reader.job(entry.job) if entry.job is not None else None
        if row is None or not month.holds(entry.at) or entry.body.get("how") != "notice":
            continue
        why = reader.filled(entry.body.get("because")) or ""
        yield _line(
            settings, row, reader.body(row.examined_seq), "called back", month.date_of(entry.at),
            why, None, entry.body["parcel"],
        )  # fmt: skip


def _line(
    settings: Settings,
    row: JobRow,
    examined: dict[str, Any],
    kind: Literal["sent", "called back"],
    day: date,
    reason: str,
    replaces: int | None,
    parcel: str,
) -> MonthLine:
    lab = settings.lab(row.lab) if row.lab else None
    return MonthLine(
        kind=kind,
        date=day.isoformat(),
        order=row.order or "",
        job=row.job,
        picture=row.title or row.original_name,
        lab=lab.name if lab is not None else row.lab or "",
        # What the record was read back from need not have told it.
        product=examined.get("product") or row.surface,
        size=row.size or "",
        copies=row.copies or 1,
        purpose=row.purpose or "final",
        reason=reason,
        replaces=replaces,
        parcel=parcel,
    )


def _why_reprinted(reader: Reader, row: JobRow) -> tuple[str, int | None] | None:
    """Why a print was ordered again, and of which job where it took its place; None for none."""
    claimed = reader.body(row.claimed_seq)
    if OF not in claimed:
        return None
    because = claimed.get("because") or ""
    reason = ": ".join(filter(None, (REASONS[claimed[REASON]], because)))
    return reason, claimed[OF] if claimed[REASON] in IN_PLACE_OF else None


def _why_again(examined: dict[str, Any]) -> tuple[str, int | None]:
    """Why somebody had the same print made once more, and of which job it is."""
    accepted = {each["code"]: each for each in examined.get("accepted", ())}
    if "same-again" not in accepted:
        return "", None
    for finding in examined.get("findings", ()):
        if finding["code"] == "same-again" and finding["severity"] == "stop":
            # Figures are recorded as pairs.
            job = dict(finding.get("figures", ())).get("job")
            number = int(job) if job is not None and str(job).isdecimal() else None
            return accepted["same-again"]["because"] or "", number
    return "", None


def _totals(lines: Iterable[MonthLine]) -> tuple[MonthTotal, ...]:
    sums: dict[tuple[str, str, str, str], tuple[int, int]] = {}
    for line in lines:
        key = (line.lab, line.product, line.size, line.purpose)
        jobs, prints = sums.get(key, (0, 0))
        sums[key] = (jobs + 1, prints + line.copies)
    return tuple(MonthTotal(*key, *sums[key]) for key in sorted(sums))


def together(report: MonthReport) -> str:
    """How much was sent: `12 jobs, 30 prints`."""
    jobs = sum(total.jobs for total in report.totals)
    prints = sum(total.prints for total in report.totals)
    return f"{jobs} job{'' if jobs == 1 else 's'}, {copies_words(prints)}"


def cells_of(line: MonthLine) -> tuple[str, ...]:
    """A line's columns as people read them."""
    values = (getattr(line, name) for name in COLUMNS)
    numbered = ("job", "replaces")
    return tuple(
        "" if value is None else job_number(value) if name in numbered else str(value)
        for name, value in zip(COLUMNS, values, strict=True)
    )


def month_paper(report: MonthReport) -> Paper:
    """The table on paper, with its sums."""
    month, zone = report.month, report.month.zone.key
    sent = [line for line in report.lines if line.kind == "sent"]
    back = [line for line in report.lines if line.kind == "called back"]
    blocks = [
        paper.words(f"{month.words}: what was sent to the labs", "title"),
        paper.words(together(report), "big"),
        paper.words(f"By the dates of {zone}; a job counts when its parcel was closed.", "soft"),
        paper.row("In sum", _totals_table(report), first=True),
    ]
    if sent:
        blocks += [paper.words("Each job", "heading"), _table(sent)]
    if back:
        blocks += [
            paper.words("Called back in this month", "heading"),
            paper.words(
                "These were sent, in this month or before, and the lab was told not to print them. "
                "Ask the lab whether it billed them."
            ),
            _table(back),
        ]
    head = (report.studio, month.words, f"{len(report.lines)} lines")
    return Paper(
        f"{report.studio}: prints of {month.words}",
        report.studio,
        (Section(head, tuple(blocks)),),
        landscape=True,
    )


def _totals_table(report: MonthReport) -> paper.Block:
    if not report.totals:
        return paper.words("Nothing was sent.")
    rows = [
        (each.lab, each.product, each.size, each.purpose, str(each.jobs), str(each.prints))
        for each in report.totals
    ]
    sums = (sum(each.jobs for each in report.totals), sum(each.prints for each in report.totals))
    return paper.table(
        ("Lab", "Product", "Size", "Purpose", "Jobs", "Prints"),
        [*rows, ("Together", "", "", "", *map(str, sums))],
        (9, 16, 8, 5, 4, 4),
        figures=(4, 5),
        total=True,
    )


def _table(lines: Sequence[MonthLine]) -> paper.Block:
    headings = (
        "Date", "Order", "Job", "Picture", "Lab", "Product", "Size", "Copies", "Reason",
        "Instead of", "Parcel",
    )  # fmt: skip
    rows = [
        (
            line.date,
            line.order,
            job_number(line.job),
            line.picture if line.purpose == "final" else f"{line.picture} (test)",
            line.lab,
            line.product,
            line.size,
            str(line.copies),
            line.reason,
            job_number(line.replaces) if line.replaces is not None else "",
            line.parcel,
        )
        for line in lines
    ]
    return paper.table(headings, rows, (9, 12, 7, 15, 9, 13, 8, 6, 13, 8, 17), figures=(7,))
