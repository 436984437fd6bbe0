"""JPEG data that were rounded coarsely."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-jpeg-quality"
ACCEPT: Final = "photographer"

_FINE, _LEAST = 90, 70
"""Estimated quality on the scale of the Independent JPEG Group (rule of the trade)."""


def find(known: Known) -> Iterable[Finding]:
    """Stop a coarse JPEG; warn of a middling one, and of coarse colour that is enlarged."""
    quality = known.facts.jpeg_quality
    if quality is None:
        return
    factor = known.layout.factor if known.layout is not None else 1
    coarse_colour = known.facts.chroma_subsampled and factor > 1
    if quality < _LEAST:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is a JPEG of quality {quality} or so, below {_LEAST}: its blocks would "
            "show in print.",
            "Export it again from the original, as TIFF or as a JPEG of quality 95, and drop that.",
            figures={"quality": str(quality)},
        )
    elif quality < _FINE:
        yield caution(
            CODE,
            f"{known.name} is a JPEG of quality {quality} or so, below {_FINE}.",
            "Look at smooth areas and fine edges at full size, or export it again finer.",
        )
    elif coarse_colour:
        yield caution(
            CODE,
            f"{known.name} is a JPEG that holds one colour for four pixels (4:2:0), and is "
            f"enlarged {float(factor):.2f} times.",
            "Look at edges between strong colours at full size, or export it again without "
            "subsampling.",
        )
