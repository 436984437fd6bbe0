"""Hardly more than a thumbnail."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "picture-small"
ACCEPT: Final = "assistant"

_FEW_PX = 256
"""Rule of the trade."""


def find(known: Known) -> Iterable[Finding]:
    """Warn of a picture with few pixels a side, which is mostly a preview dropped by mistake."""
    facts = known.facts
    if 0 < min(facts.width, facts.height) < _FEW_PX and not facts.damage:
        yield caution(
            CODE,
            f"{known.name} has only {facts.width} × {facts.height} px.",
            "It may be a preview. Check that it is the picture you meant.",
        )
