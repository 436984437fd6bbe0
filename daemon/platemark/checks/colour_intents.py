"""Which way colours that a surface cannot show are brought into it: a choice for the eye."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.planning import intent_of
from platemark.model.suiting import over, percent, rounded
from platemark.model.terms import Intent

CODE: Final = "colour-intents-differ"
ACCEPT: Final = "assistant"

_WHAT: Final[dict[Intent, str]] = {
    "relative": "relative keeps what the surface can show and cuts off the rest",
    "perceptual": "perceptual draws all colours in to make room for the strongest",
}


def find(known: Known) -> Iterable[Finding]:
    """Warn where perceptual and relative would look visibly different; silent once settled."""
    measures, product = known.measures, known.product
    is_settled = known.settled is not None and known.settled.intent is not None
    if measures is None or product is None or is_settled:
        return
    differs, mean = measures.other_intent_percent, measures.other_intent_mean
    if differs is None or not over(differs, known.surface.suits.other_intent_percent):
        return
    planned, _ = intent_of(known, product)
    other: Intent = "relative" if planned == "perceptual" else "perceptual"
    by = f" ({rounded(mean, 1)} ΔE00 on average)" if mean is not None else ""
    yield caution(
        CODE,
        f"{percent(differs)} of {known.name} would look visibly different with the {other} intent "
        f"than with the planned {planned} one{by}: {_WHAT[planned]}, {_WHAT[other]}.",
        f"Compare the two, and settle it: `platemark decide N --intent {other}`, or `--intent "
        f"{planned}` to keep it and not be told again.",
        figures={"differs": percent(differs), "planned": planned},
    )
