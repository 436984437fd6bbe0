"""Eight or sixteen bits a sample; nothing less, nothing floating."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-depth"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop bitmaps, palettes and floating-point files."""
    facts = known.facts
    if facts.format == "other" or facts.damage:
        return
    if facts.float_samples or facts.bits not in (8, 16):
        kind = "floating-point" if facts.float_samples else f"{facts.bits}-bit"
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} has {kind} samples; prints are made from 8 or 16 bit.",
            "Convert it to 16 bit in your editor, look at it, and drop it again.",
        )
    elif facts.mode == "palette":
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} has a palette of at most 256 colours.",
            "Export it again as RGB with 8 or 16 bit.",
        )
