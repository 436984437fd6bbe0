"""A very wide space in 256 steps."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-wide-at-8-bit"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of ROMM RGB at 8 bit, whose steps are twice as wide as those of sRGB and may show."""
    facts = known.facts
    if facts.profile is not None and facts.profile.working_space == "romm" and facts.bits == 8:
        yield caution(
            CODE,
            f"{known.name} is in ROMM RGB, which is very wide, at only 8 bit: skies and skin may "
            "show steps.",
            "Export it again with 16 bit from the original, not from this file.",
        )
