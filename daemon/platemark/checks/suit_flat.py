"""Soft contrast on a surface that softens it further."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Final

from platemark.checks.suit_low_key import is_low_key
from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import rounded, under

CODE: Final = "suit-flat"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of a picture whose lightness spans little; a low key with few lights is told as such."""
    measures, suits = known.measures, known.surface.suits
    if measures is None or known.facts.uniform or is_low_key(known):
        return
    span = str(Decimal(measures.lightness_p95) - Decimal(measures.lightness_p5))
    if not under(span, suits.flat_l):
        return
    yield caution(
        CODE,
        f"{known.name} has a soft contrast: its lightness spans {rounded(span)} of 100, and "
        f"{known.surface.name} will flatten it further.",
        "Raise the contrast a little and look at a test print; if mist is what you want, go on.",
        figures={"span": rounded(span)},
    )
