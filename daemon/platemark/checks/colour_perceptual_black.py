"""Two versions of profiles that mean two blacks."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.planning import intent_of

CODE: Final = "colour-perceptual-black"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of a v4 source and a v2 printer profile with the perceptual intent."""
    source, product = known.facts.profile, known.product
    if source is None or source.damage or product is None or product.profile is None:
        return
    intent, _ = intent_of(known, product)
    if intent == "perceptual" and source.version[:2] == "4." and known.profile.version[:2] == "2.":
        yield caution(
            CODE,
            f"{known.name} has a profile of version {source.version} and the lab's is of version "
            f"{known.profile.version}: with the perceptual intent they mean different blacks.",
            "Look at the shadows of the test print, or use the relative intent.",
        )
