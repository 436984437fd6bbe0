"""An image editor's layers, and the flat picture beside them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-layers"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop layers without a picture of them; warn of layers, which no printer draws."""
    facts = known.facts
    if facts.composite_missing:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} holds the layers of an image editor, but the flat picture beside them "
            "is missing or of one single colour.",
            "Flatten it in your editor, save it as a TIFF and drop that.",
            figures={"flat picture": "none or of one colour"},
        )
    elif facts.layered:
        yield caution(
            CODE,
            f"{known.name} holds the layers of an image editor; the flat picture beside them is "
            "printed.",
            "If the layers were changed by a program that does not renew the flat picture, flatten "
            "it and drop it again.",
        )
