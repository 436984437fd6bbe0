"""Colour that is too strong for the surface."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, percent, rounded

CODE: Final = "suit-colour"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of what the lab's profile cannot print, or a working space does not have.

    Where the lab converts, and all was kept, the strongest colours alone can tell; it is said once.
    """
    measures, suits = known.measures, known.surface.suits
    if measures is None or known.product is None:
        return
    lost, chroma = percent(measures.gamut_loss_percent), rounded(measures.chroma_p99)
    is_ours = known.product.profile is not None
    if over(measures.gamut_loss_percent, suits.gamut_loss_percent):
        yield caution(
            CODE,
            f"{lost} of {known.name} has colours that "
            + (
                f"{known.surface.name} cannot print: they will dull."
                if is_ours
                else "the lab's colour space does not have: they will dull before it prints."
            ),
            "Look at the soft proof; calm those colours yourself if it matters how, or choose a "
            "glossy surface.",
            figures={"lost": lost},
        )
    elif not is_ours and over(measures.chroma_p99, suits.chroma):
        yield caution(
            CODE,
            f"The strongest colours of {known.name} (C* {chroma}) are more than "
            f"{known.surface.name} usually prints: they will dull.",
            "Look at a test print; calm them yourself if it matters how, or choose a glossy "
            "surface.",
            figures={"chroma": chroma},
        )
