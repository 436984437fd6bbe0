"""A second picture that brightens the first on some displays."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-gain-map"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn that a gain map is left out, for paper cannot follow it."""
    if known.facts.gain_map:
        yield caution(
            CODE,
            f"{known.name} carries a gain map, which makes it brighter on some displays; it is "
            "left out, and the print may look darker than such a display.",
            "Judge the picture on a display without high dynamic range.",
        )
