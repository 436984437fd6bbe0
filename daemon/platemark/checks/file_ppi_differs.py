"""Resolution tags that say that pixels are not square."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-ppi-differs"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of two resolutions; pixels are printed square, whatever the tags say."""
    if known.facts.ppi_differs:
        yield caution(
            CODE,
            f"The resolution tags of {known.name} differ, {known.facts.ppi_differs} ppi; they are "
            "ignored, and pixels are printed square.",
            "Look whether the picture is stretched in its narrow direction.",
        )
