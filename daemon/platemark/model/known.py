"""Everything that a check may look at: one value, put together by the engine."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Literal

from platemark.model.adjusting import Adjustment
from platemark.model.approval import Approval
from platemark.model.edition import EditionStanding
from platemark.model.geometry import SILENT_PERCENT, Layout, aspect_error
from platemark.model.lab import Lab, Product
from platemark.model.measures import Measures
from platemark.model.picture import Facts
from platemark.model.reprint import Reprint
from platemark.model.request import Resolved, border_or_none
from platemark.model.strip_report import Drift
from platemark.model.studio import Limits
from platemark.model.surface import Surface
from platemark.model.terms import Intent
from platemark.model.units import Size, orientation_of


@dataclass(frozen=True, slots=True)
class ProfileStanding:
    """How the profile of a product stands today."""

    state: Literal["good", "missing", "changed", "refused", "retired", "none-needed"]
    file: str = ""
    sha256: str = ""
    """Of the file as it is now."""
    registered_sha256: str = ""
    """Of the file as it was admitted."""
    description: str = ""
    version: str = ""
    """As people write it, such as `2.4`."""
    reasons: tuple[str, ...] = ()
    """Why it was refused."""
    retired_by: str = ""
    """Who said that the product has no profile until another is added."""
    retired_on: date | None = None
    admitted_on: date | None = None
    valid_until: date | None = None
    intents: tuple[str, ...] = ()
    """Those that it has tables for, both ways."""


@dataclass(frozen=True, slots=True)
class Settled:
    """What a photographer settled for a picture on a surface."""

    version: int
    """1 for the first; each later one takes the place of the one before."""
    adjust: Adjustment | None
    intent: Intent | None
    """None for the lab's or the surface's own."""
    on: date
    """The day in the studio."""

    @property
    def is_nothing(self) -> bool:
        """Whether all was undone."""
        return self.adjust is None and self.intent is None

    @property
    def command(self) -> str:
        """The part of a `decide` command that says the same again."""
        said = f'--adjust "{self.adjust}"' if self.adjust is not None else ""
        return f"{said} --intent {self.intent}".strip() if self.intent is not None else said


@dataclass(frozen=True, slots=True)
class SettledBefore:
    """What was settled for an earlier file of the same name, which had other bytes."""

    job: int
    settled: Settled


@dataclass(frozen=True, slots=True)
class Other:
    """A job of the same bytes or the same name as this one."""

    job: int
    state: str
    parcel: str | None
    order: str | None
    same_bytes: bool
    same_name: bool
    same_request: bool
    same_surface: bool = True
    recalled: bool = False
    """It was called back after the lab had it, or may have had it."""


@dataclass(frozen=True, slots=True)
class Panel:
    """One picture of a set, as the record has it."""

    job: int
    name: str
    held: bool
    """It waits for an answer of its own, not only for the others of its set."""
    traits: tuple[tuple[str, str], ...]
    """What the pictures of a set share, by name (`surface`, `intent`, `profile`, …); empty while
    it has no plan."""


@dataclass(frozen=True, slots=True)
class StandingSet:
    """The set that a picture belongs to, once all of it that is on its way was read."""

    name: str
    of: int | None
    """How many pictures it is said to have."""
    own: Panel
    others: tuple[Panel, ...]
    """The rest of it in the order of their jobs; withdrawn ones left out."""


@dataclass(frozen=True, slots=True)
class Restored:
    """An older state of the record that the studio goes on from since a job was claimed."""

    seq: int
    """The entry that says so."""
    made: date
    """Up to when that state knows what was done."""
    how: Literal["copy", "lost", "read-back", "unplaced"] = "copy"
    """`copy`: a copy of the record; `lost`: what could be saved of it; `read-back`: the same, and
    the job itself is known from files alone; `unplaced`: the same, and of the file is only known
    that it was archived."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of one picture with one request."""

    name: str
    """The file's name, for people."""
    folder_surface: str
    """The hot folder it was dropped in."""
    today: date
    facts: Facts
    resolved: Resolved
    surface: Surface
    lab: Lab | None
    product: Product | None
    labs_offering: tuple[str, ...]
    layout: Layout | None
    misfit: str
    """Why there is no layout although a size is given; empty otherwise."""
    profile: ProfileStanding
    limits: Limits
    earlier: tuple[Other, ...]
    untagged: Literal["stop", "srgb-camera"]
    codes: frozenset[str] = frozenset()
    """Every code that a finding can have."""
    never_accepted: frozenset[str] = frozenset()
    """Codes of which no stop may be allowed by anybody."""
    photographers_own: frozenset[str] = frozenset()
    """Codes whose stops a photographer alone may accept, where any of them may be accepted."""
    later: tuple[Other, ...] = ()
    """Jobs that were dropped after this one and may be further, because this one waited."""
    photographers: frozenset[str] = frozenset()
    """The people who may accept what is the photographer's to accept."""
    whole_set: StandingSet | None = None
    """None for a picture of no set, and while others of it are still to be read."""
    measures: Measures | None = None
    """None where it was not measured: it has no layout yet, or a stop that nobody may accept."""
    settled: Settled | None = None
    """None where nothing was ever settled for this picture on this surface."""
    settled_before: SettledBefore | None = None
    """Of the newest earlier file of that name on this surface, where something stands."""
    restored: Restored | None = None
    """None for a job that was claimed since the record was last restored from a copy."""
    original_sha256: str = ""
    """Of the picture's file; empty where that was not asked."""
    approval: Approval | None = None
    """Of a test of this picture, for a final; None where none stands."""
    reprint: Reprint | None = None
    """None for a job that is not to be the same print as an earlier one."""
    editions: EditionStanding | None = None
    """None where there never was an edition and none is asked for."""

    drift: Drift | None = None
    """Of the product, where a returned strip is beyond its limits and nobody has decided."""

    def sells(self, size: Size) -> bool:
        """Whether the lab prints that size with the border that is asked."""
        if self.product is None:
            return False
        border = border_or_none(self.resolved.request.border)
        sheet = sorted((size.w.mm + border.across_mm, size.h.mm + border.down_mm))
        if self.product.max_side is not None and sheet[1] > self.product.max_side.mm:
            return False
        sold = self.product.sizes
        return not sold or any(sheet == sorted((each.w.mm, each.h.mm)) for each in sold)

    def sold_like(self, width: int, height: int) -> tuple[str, ...]:
        """The lab's sizes that suit a picture, best first, at most three.

        Those of its proportion (within 0.5 %, else the nearest in proportion) that it has pixels
        enough for, the nearest in area to what was asked first; the largest where nothing was.
        """
        if self.product is None:
            return ()
        standing = orientation_of(width, height)
        sizes = [size.standing_like(standing) for size in self.product.sizes]
        enough = [size for size in sizes if width / size.w.inches >= self.surface.ppi.stop]
        fair = [size for size in enough if self.sells(size)]
        same = [size for size in fair if aspect_error(width, height, size) * 100 <= SILENT_PERCENT]
        asked = self.resolved.request.size or self.resolved.request.sheet
        wanted = asked.w.mm * asked.h.mm if isinstance(asked, Size) else None

        def away(size: Size) -> Fraction:
            area = size.w.mm * size.h.mm
            return -area if wanted is None else max(area / wanted, wanted / area)

        same.sort(key=away)
        rest = [size for size in fair if size not in same]
        rest.sort(key=lambda size: aspect_error(width, height, size))
        return tuple(str(size) for size in (*same, *rest)[:3])
