"""Lab is read, and brought into a working space."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-lab"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn that a Lab picture is converted before it is printed."""
    facts = known.facts
    is_read = facts.bits != 8 or facts.lab_encoding == "icc"
    if facts.mode == "lab" and is_read and not facts.damage:
        yield caution(
            CODE,
            f"{known.name} is in Lab; it is brought into ROMM RGB at 16 bit.",
            "Colours outside ROMM RGB are cut off; look at the drawing on the ticket.",
        )
