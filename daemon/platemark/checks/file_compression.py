"""Ways to pack a TIFF: those that are read, and the one that loses something."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.picture import READ_PACKINGS

CODE: Final = "file-compression"
ACCEPT: Final = "never"

_IN_WORDS: Final = {
    "ccitt": "a fax (CCITT)",
    "old-jpeg": "JPEG of the old kind (compression 6)",
    "jpeg-2000": "JPEG 2000",
    "jpeg-xl": "JPEG XL",
    "lerc": "LERC",
    "lzma": "LZMA",
    "webp": "WebP",
    "zstd": "Zstandard",
}
"""Values of tag 259; technical note 2 of TIFF withdrew compression 6."""


def find(known: Known) -> Iterable[Finding]:
    """Stop what is not of the few ways that every program reads; warn of JPEG within a TIFF."""
    facts = known.facts
    if facts.format != "tiff" or facts.damage:
        return
    if facts.compression not in READ_PACKINGS:
        packed = _IN_WORDS.get(facts.compression, f"something {facts.compression}")
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is a TIFF packed as {packed}, which not all programs read alike; its "
            "pixels were not read.",
            "Save it as a TIFF without compression, or with LZW or ZIP, and drop it again.",
        )
    elif facts.compression == "jpeg":
        yield caution(
            CODE,
            f"{known.name} is a TIFF that is packed as JPEG: it has lost detail as a JPEG does.",
            "If you have it unpacked, drop that instead.",
        )
