"""RGB, greyscale and Lab are printed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.picture import READ_PACKINGS

CODE: Final = "colour-mode"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop other colour models, and the forms of Lab and YCbCr that no decoder here reads."""
    facts = known.facts
    if facts.damage or facts.format == "other":
        return
    if facts.mode == "other":
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is in a colour model that is not RGB, grey or Lab.",
            "Convert it to RGB with a profile in your editor and drop it again.",
        )
    elif facts.mode == "lab" and facts.bits == 8 and facts.lab_encoding != "icc":
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is in Lab at 8 bit, in a form that is not read here.",
            "Save it with 16 bit, or convert it to RGB in your editor, and drop it again.",
        )
    # A way of packing that is not read is told by itself.
    elif facts.mode == "ycbcr" and facts.compression in READ_PACKINGS - {"jpeg"}:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is a TIFF in YCbCr, in a form that is not read here.",
            "Save it as RGB in your editor and drop it again.",
        )
