"""What the readings of a patch strip say: its differences, the limits, and what comes of it.

Limits are yardsticks of the house, not a claim of conformity: the standards that some of their
values are known from judge proofs of halftone printing, which these prints are not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from platemark.model.surface import Surface

Level = Literal["within", "caution", "beyond"]
Against = Literal["reference", "profile", "nothing"]
White = Literal["absolute", "paper"]
"""Whether readings count from a perfect white, as instruments do, or from the bare paper."""

PAPER_WHITE_L, PAPER_WHITE_AB = Decimal("99.5"), Decimal("0.5")
"""No paper is so white and so neutral; readings that say so were made with paper as their white."""


@dataclass(frozen=True, slots=True)
class Limit:
    """From where on something is told, and from where on finals are held."""

    caution: Decimal
    stop: Decimal


@dataclass(frozen=True, slots=True)
class Yardsticks:
    """Limits of a first reading against what the profile predicts; beyond them finals are held."""

    paper: Decimal = Decimal("3.0")
    mean: Decimal = Decimal("2.5")
    largest: Decimal = Decimal("5.0")
    neutral_mean: Decimal = Decimal("2.0")
    neutral_largest: Decimal = Decimal("3.5")
    primaries: Decimal = Decimal("3.0")
    primaries_hue: Decimal = Decimal("2.5")


@dataclass(frozen=True, slots=True)
class StripLimits:
    """`[strips]` of `studio.toml`: how a returned strip is judged."""

    condition: Literal["M0", "M1", "M2", "M3"] = "M1"
    """Of ISO 13655; like is compared with like alone."""
    paper: Limit = Limit(Decimal("2.0"), Decimal("3.0"))
    """CIEDE2000 of the bare paper."""
    mean: Limit = Limit(Decimal("2.0"), Decimal("3.0"))
    """CIEDE2000, mean of all colours."""
    p95: Limit = Limit(Decimal("4.0"), Decimal("6.0"))
    """CIEDE2000 that 95 of 100 colours keep to."""
    neutral: Limit = Limit(Decimal("1.5"), Decimal("2.5"))
    """Mean ΔCh of the greys: how far a* and b* moved."""
    primaries: Limit = Limit(Decimal("3.0"), Decimal("5.0"))
    """Largest CIEDE2000 of the six full colours."""
    black: Limit = Limit(Decimal("2.0"), Decimal("4.0"))
    """By how much black became lighter, L*."""
    against_profile: Yardsticks = Yardsticks()


@dataclass(frozen=True, slots=True)
class StripFigures:
    """Differences of a strip from what it is held against; decimals to hundredths as text."""

    paper: str
    """CIEDE2000, as all but the last four."""
    mean: str
    p95: str
    largest: str
    primaries: str
    """Largest of the full colours."""
    primaries_hue: str
    """Largest ΔH* of them."""
    neutral_mean: str
    """ΔCh of the greys."""
    neutral_largest: str
    black_l: str
    """L* of black, less that of what it is held against."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """One figure beside its limits."""

    what: str
    value: str
    unit: str
    caution: str
    """Empty where there is but one limit."""
    stop: str
    level: Level

    @property
    def sentence(self) -> str:
        """It in words, for people."""
        limit = self.stop if self.level == "beyond" else self.caution
        return f"{self.what} {self.value} {self.unit} (limit {limit})"


def judged_by_reference(figures: StripFigures, limits: StripLimits) -> tuple[Judgement, ...]:
    """Hold a strip's differences from its reference against the studio's limits."""
    rows = (
        ("paper", figures.paper, "ΔE00", limits.paper),
        ("all colours, mean", figures.mean, "ΔE00", limits.mean),
        ("95 of 100 colours", figures.p95, "ΔE00", limits.p95),
        ("greys, mean", figures.neutral_mean, "ΔCh", limits.neutral),
        ("full colours, largest", figures.primaries, "ΔE00", limits.primaries),
        ("black, lighter by", figures.black_l, "L*", limits.black),
    )
    return tuple(_judged(what, value, unit, limit) for what, value, unit, limit in rows)


def judged_by_profile(figures: StripFigures, limits: StripLimits) -> tuple[Judgement, ...]:
    """Hold a strip's differences from the profile's prediction against the yardsticks."""
    yard = limits.against_profile
    rows = (
        ("paper", figures.paper, "ΔE00", yard.paper),
        ("all colours, mean", figures.mean, "ΔE00", yard.mean),
        ("all colours, largest", figures.largest, "ΔE00", yard.largest),
        ("greys, mean", figures.neutral_mean, "ΔCh", yard.neutral_mean),
        ("greys, largest", figures.neutral_largest, "ΔCh", yard.neutral_largest),
        ("full colours, largest", figures.primaries, "ΔE00", yard.primaries),
        ("full colours, hue", figures.primaries_hue, "ΔH*", yard.primaries_hue),
    )
    return tuple(
        Judgement(what, value, unit, "", str(stop), "beyond" if Decimal(value) > stop else "within")
        for what, value, unit, stop in rows
    )


def worst(judgements: tuple[Judgement, ...]) -> Level:
    """The gravest of some judgements."""
    levels = {each.level for each in judgements}
    return "beyond" if "beyond" in levels else "caution" if "caution" in levels else "within"


def told(judgements: tuple[Judgement, ...], level: Level) -> str:
    """The judgements of a level in words; empty where there are none."""
    return "; ".join(each.sentence for each in judgements if each.level == level)


def own_reference_alone(surface: Surface) -> str:
    """Why a surface's readings are held against its own reference alone; empty where not.

    What an instrument of 45°/0° reads there is not what a profile's maker read (common practice).
    """
    if surface.bare_metal:
        return "bare metal"
    if surface.texture in ("weave", "brushed"):
        return f"{'a weave' if surface.texture == 'weave' else 'brushed'} surface"
    if surface.printed_on == "back" or any("acrylic" in x.material for x in surface.layers):
        return "clear sheet over the print"
    return ""


def white_of(paper: tuple[Decimal, Decimal, Decimal]) -> White:
    """What readings count from, told by how they read the bare paper."""
    is_white = paper[0] >= PAPER_WHITE_L and max(abs(paper[1]), abs(paper[2])) <= PAPER_WHITE_AB
    return "paper" if is_white else "absolute"


def _judged(what: str, value: str, unit: str, limit: Limit) -> Judgement:
    number = Decimal(value)
    level: Level = (
        "beyond" if number > limit.stop else "caution" if number > limit.caution else "within"
    )
    return Judgement(what, value, unit, str(limit.caution), str(limit.stop), level)


def table_lines(judgements: tuple[Judgement, ...]) -> Iterator[tuple[str, str, str, str]]:
    """Rows for a table: what, figure, limits, level."""
    words = {"within": "within", "caution": "near the limit", "beyond": "BEYOND THE LIMIT"}
    for each in judgements:
        limits = f"{each.caution} / {each.stop}" if each.caution else each.stop
        yield each.what, f"{each.value} {each.unit}", limits, words[each.level]


@dataclass(frozen=True, slots=True)
class Drift:
    """A reading beyond its limits that nobody has decided about."""

    reading: int
    """Its entry."""
    job: int
    day: date
    told: str
    """What is beyond, in words."""
    against: Against
