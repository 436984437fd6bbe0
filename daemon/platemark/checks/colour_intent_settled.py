"""Whether the intent that was settled for a picture can be followed with this lab."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.planning import intent_of, why_not_intent

CODE: Final = "colour-intent-settled"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn where another intent than the settled one is used, and say why."""
    product = known.product
    intent = known.settled.intent if known.settled is not None else None
    if product is None or intent is None:
        return
    used, _ = intent_of(known, product)
    why = why_not_intent(intent, known, product)
    if why and used != intent:
        yield caution(
            CODE,
            f"The {intent} intent is settled for {known.name}, but {why}; {used} is used.",
            "Nothing is to be done if that is right for this print.",
        )
