"""What the checks of suitability share: measures against a surface's limits, and how both are said.

Measures are decimal strings and limits may be off; a figure that is said, or that an acceptance is
bound to, is rounded so that it stays the same when the last digits move.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from platemark.model.units import shown


def over(measure: str | None, limit: Decimal | None) -> bool:
    """Whether there is a measure, and a limit, that it is above."""
    return measure is not None and limit is not None and Decimal(measure) > limit


def under(measure: str | None, limit: Decimal | None) -> bool:
    """Whether there is a measure, and a limit, that it is below."""
    return measure is not None and limit is not None and Decimal(measure) < limit


def percent(measure: str) -> str:
    """`23 %`; one decimal below ten."""
    return f"{shown(Fraction(measure), 0 if Decimal(measure) >= 10 else 1)} %"


def rounded(measure: str | Decimal, places: int = 0) -> str:
    """A measure for people."""
    return shown(Fraction(measure), places)
