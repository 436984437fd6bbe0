"""Patch strips that came back: what they are held against, what stands open, how they went."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, get_args
from zoneinfo import ZoneInfo

from platemark.ledger.chain import Entry
from platemark.ledger.read import Reader
from platemark.ledger.strips import Strips
from platemark.model.plain import from_plain
from platemark.model.plan import Plan
from platemark.model.strip_report import Against, Drift, Level, StripFigures
from platemark.model.studio import Settings
from platemark.model.work import TrendPoint, TrendTask


@dataclass(frozen=True, slots=True)
class Likeness:
    """What two strips must share to be held against each other: the same colours, read alike."""

    colours: str
    condition: str
    white: str

    @classmethod
    def of(cls, body: dict[str, Any]) -> Likeness:
        """Of a reading's entry."""
        return cls(body["colours"], body["condition"], body["white"])


def colours_of(plan: Plan) -> str:
    """What the colours of a plan's strip depend on: the same gives the same colours in the file."""
    fits = "black fitted" if plan.black_point_compensation else "as it is"
    return f"{plan.output_profile_sha256} {plan.intent} {fits}"


def reference_of(read: Reader, lab: str, surface: str, like: Likeness) -> Entry | None:
    """The reading that a product's strips are held against; None where there is none to compare.

    That which a person named last, by a word on a drift or by approving a test; else the first
    that was not beyond its limits. Only a strip of the same colours, read in the same way, is one.
    """
    strips = Strips(read)
    for named in strips.named_references(lab, surface):
        entry = read.entry(named.reading)
        if entry is not None and Likeness.of(entry.body) == like:
            return entry
    for row in strips.of_product(lab, surface):
        entry = read.entry(row.seq) if row.verdict != "beyond" else None
        if entry is not None and Likeness.of(entry.body) == like:
            return entry
    return None


def drift_of(read: Reader, lab: str, surface: str, time_zone: str) -> Drift | None:
    """The drift of a product that nobody has decided about yet; None where there is none."""
    row = Strips(read).open_in(lab, surface)
    entry = read.entry(row.seq) if row is not None else None
    if row is None or entry is None:
        return None
    day = datetime.fromisoformat(entry.at).astimezone(ZoneInfo(time_zone)).date()
    return Drift(row.seq, row.job, day, entry.body["beyond"], entry.body["against"])


def trend_of(
    read: Reader,
    settings: Settings,
    lab: str,
    surface: str,
    drawing: str,
    *,
    newest: Sequence[Entry] = (),
    reference: int | None = None,
) -> TrendTask:
    """What is drawn of a product's strips.

    Args:
        read: The record.
        settings: The studio's.
        lab: The lab's id.
        surface: The surface's id.
        drawing: Where to write it.
        newest: Readings that are not in the record yet.
        reference: The reading that is about to become the reference.
    """
    entries = [read.entry(row.seq) for row in Strips(read).of_product(lab, surface)]
    readings = [*(entry for entry in entries if entry is not None), *newest]
    held_against = {entry.body["reference"] for entry in readings} | {reference}
    # The first of its kind that is not beyond its limits is one from the start.
    held_against |= {
        entry.seq
        for entry in readings
        if entry.body["reference"] is None and entry.body["verdict"] != "beyond"
    }
    zone, limits = ZoneInfo(settings.studio.time_zone), settings.studio.strips
    points = tuple(point_of(entry, zone, entry.seq in held_against) for entry in readings)
    on, by = settings.surface(surface), settings.lab(lab)
    heading = f"{on.name if on is not None else surface} of {by.name if by is not None else lab}"
    return TrendTask(heading, points, limits.mean, limits.p95, limits.black, drawing)


def point_of(entry: Entry, zone: ZoneInfo, is_reference: bool) -> TrendPoint:
    """One reading as a point of a trend."""
    body = entry.body
    against = next(each for each in get_args(Against) if each == body["against"])
    figures = figures_of(body)
    return TrendPoint(
        day=datetime.fromisoformat(entry.at).astimezone(zone).date().isoformat(),
        job=entry.job or 0,
        mean=figures.mean if figures is not None else "",
        p95=figures.p95 if figures is not None else "",
        black_l=figures.black_l if figures is not None else "",
        level=level_of(body),
        against=against,
        is_reference=is_reference,
    )


def figures_of(body: dict[str, Any]) -> StripFigures | None:
    """The differences of a reading from what it was held against; None where from nothing."""
    plain = body["by_reference"] or body["by_profile"]
    return from_plain(StripFigures, plain) if plain is not None else None


def level_of(body: dict[str, Any]) -> Level:
    """The verdict of a reading."""
    level: Level = next(each for each in get_args(Level) if each == body["verdict"])
    return level
