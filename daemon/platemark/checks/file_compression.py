"""Ways to pack a TIFF that lose something, or that are read in many ways."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-compression"
ACCEPT: Final = "never"

_REFUSED: Final = {"ccitt": "a fax (CCITT)", "old-jpeg": "JPEG of the old kind (compression 6)"}
"""Compression 2 to 4 and 6 of TIFF 6.0; technical note 2 of TIFF withdrew the latter."""


def find(known: Known) -> Iterable[Finding]:
    """Stop fax codes and the old JPEG in TIFF; warn of JPEG within a TIFF."""
    facts = known.facts
    if facts.format != "tiff" or facts.damage:
        return
    if facts.compression in _REFUSED:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is a TIFF packed as {_REFUSED[facts.compression]}, which not all "
            "programs read alike.",
            "Save it as a TIFF without compression, or with LZW or ZIP, and drop it again.",
        )
    elif facts.compression == "jpeg":
        yield caution(
            CODE,
            f"{known.name} is a TIFF that is packed as JPEG: it has lost detail as a JPEG does.",
            "If you have it unpacked, drop that instead.",
        )
