"""`[strips]` in `studio.toml`: how patch strips that come back are judged."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from pydantic import Field, field_validator

from platemark.model.strip_report import Limit, StripLimits, Yardsticks
from platemark.settings.values import Exact, Problem, Section, mistaken

_MOST = 100
_USUAL, _YARD = StripLimits(), Yardsticks()


def _limit(usual: Limit, description: str) -> tuple[Decimal, ...]:
    told: tuple[Decimal, ...] = Field(
        default=(usual.caution, usual.stop),
        min_length=2,
        max_length=2,
        description=f"{description}: from where on it is told, and from where on finals are held.",
        examples=[[float(usual.caution), float(usual.stop)]],
    )
    return told


def _yard(usual: Decimal, description: str) -> Decimal:
    yard: Decimal = Field(
        default=usual, gt=0, le=_MOST, description=f"{description}.", examples=[float(usual)]
    )
    return yard


class AgainstProfileSection(Section):
    """Limits of a first reading, which is held against what the profile predicts."""

    paper: Exact = _yard(_YARD.paper, "CIEDE2000 of the bare paper")
    mean: Exact = _yard(_YARD.mean, "CIEDE2000, mean of all colours")
    largest: Exact = _yard(_YARD.largest, "CIEDE2000 of the worst colour")
    neutral_mean: Exact = _yard(_YARD.neutral_mean, "Mean ΔCh of the greys")
    neutral_largest: Exact = _yard(_YARD.neutral_largest, "ΔCh of the worst grey")
    primaries: Exact = _yard(_YARD.primaries, "CIEDE2000 of the worst full colour")
    primaries_hue: Exact = _yard(_YARD.primaries_hue, "ΔH* of the worst full colour")


class StripsSection(Section):
    """Patch strips that come back: with what they are measured, and what differs too much.

    Yardsticks of the house; no claim that a print conforms to a standard.
    """

    condition: Literal["M0", "M1", "M2", "M3"] = Field(
        default="M1",
        description=(
            "The measurement condition of ISO 13655 that the studio measures with; M1 has the "
            "ultraviolet of daylight, which paper with brighteners needs."
        ),
        examples=["M1"],
    )
    paper: tuple[Exact, ...] = _limit(_USUAL.paper, "CIEDE2000 of the bare paper")
    mean: tuple[Exact, ...] = _limit(_USUAL.mean, "CIEDE2000, mean of all colours")
    p95: tuple[Exact, ...] = _limit(_USUAL.p95, "CIEDE2000 that 95 of 100 colours keep to")
    neutral: tuple[Exact, ...] = _limit(_USUAL.neutral, "Mean ΔCh of the greys")
    primaries: tuple[Exact, ...] = _limit(_USUAL.primaries, "CIEDE2000 of the worst full colour")
    black: tuple[Exact, ...] = _limit(_USUAL.black, "By how much black is lighter, L*")
    against_profile: AgainstProfileSection = Field(
        default=AgainstProfileSection(),
        description="Limits of a product's first reading, held against its profile.",
    )

    @field_validator("paper", "mean", "p95", "neutral", "primaries", "black")
    @classmethod
    def _in_order(cls, both: tuple[Decimal, ...]) -> tuple[Decimal, ...]:
        if not 0 < both[0] <= both[1] <= _MOST:
            raise mistaken(
                Problem(
                    f"{both[0]} and {both[1]} are no two limits",
                    f"Write first from where on it is told, then from where on finals are held, "
                    f"both over 0 and up to {_MOST}.",
                )
            )
        return both

    def limits(self) -> StripLimits:
        """The limits as the engine has them."""
        return StripLimits(
            condition=self.condition,
            paper=Limit(*self.paper),
            mean=Limit(*self.mean),
            p95=Limit(*self.p95),
            neutral=Limit(*self.neutral),
            primaries=Limit(*self.primaries),
            black=Limit(*self.black),
            against_profile=Yardsticks(**self.against_profile.model_dump()),
        )
