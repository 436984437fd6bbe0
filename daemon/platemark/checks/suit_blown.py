"""A patch of pure white, where no ink is at all."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.suiting import over, percent

CODE: Final = "suit-blown"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of a large one."""
    measures, suits = known.measures, known.surface.suits
    if measures is None or known.facts.uniform:
        return
    if not over(measures.blown_patch_percent, suits.blown_patch_percent):
        return
    patch = percent(measures.blown_patch_percent)
    yield caution(
        CODE,
        f"One patch of pure white covers {patch} of {known.name}: no ink is printed there, and "
        f"{known.surface.name} shows bare.",
        "Bring back some detail or give it a trace of tone, if it is not to look empty.",
        figures={"patch": patch},
    )
