"""White on bare metal is metal."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, percent, rounded
from platemark.model.surface import Suits

CODE: Final = "suit-bare-white"
ACCEPT: Final = "photographer"


def _least(suits: Suits) -> Decimal | None:
    """From where on anything is said; a caution that is off leaves the stop."""
    return suits.white_percent if suits.white_percent is not None else suits.white_stop_percent


def find(known: Known) -> Iterable[Finding]:
    """Warn of white areas, and stop where they are much of the picture."""
    measures, surface = known.measures, known.surface
    if measures is None or not over(measures.white_percent, _least(surface.suits)):
        return
    white = percent(measures.white_percent)
    said = (
        f"{white} of {known.name} is white, and on {surface.name} that stays metal: grey, shiny "
        f"(about L* {rounded(surface.white_l)}) and changing as you walk past."
    )
    then = "Choose a panel with a white base, or darken those areas."
    if over(measures.white_percent, surface.suits.white_stop_percent):
        yield stop(
            CODE, ACCEPT, said, f"{then} Accept it if metal is what you want there.",
            figures={"white": rounded(measures.white_percent) + " %"},
        )  # fmt: skip
    else:
        yield caution(CODE, said, then, figures={"white": white})
