"""A white or black band that is part of the file."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "picture-solid-border"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of a wide solid band along a side; it would be printed as part of the picture."""
    if known.facts.solid_border:
        yield caution(
            CODE,
            f"{known.name} ends in a solid white or black band ({known.facts.solid_border}), which "
            "is printed as part of the picture.",
            "If it is a border of paper, cut it off in your editor and ask for a border instead.",
        )
