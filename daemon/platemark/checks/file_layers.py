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
        is_there = not facts.unread
        yield stop(
            CODE,
            ACCEPT if is_there else "never",
            f"{known.name} holds the layers of an image editor, but "
            + (
                "the flat picture beside them is of one single colour."
                if is_there
                else "no flat picture beside them, and layers are not drawn here."
            ),
            "Flatten it in your editor, save it as a TIFF and drop that.",
            figures={"flat picture": "of one colour" if is_there else "none"},
        )
    elif facts.layered:
        yield caution(
            CODE,
            f"{known.name} holds the layers of an image editor; the flat picture beside them is "
            "printed.",
            "If the layers were changed by a program that does not renew the flat picture, flatten "
            "it and drop it again.",
        )
