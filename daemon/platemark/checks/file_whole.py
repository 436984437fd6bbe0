"""Every row of the picture must decode."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-damaged"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture that is empty, ends early or cannot be decoded to its last row."""
    facts = known.facts
    if facts.bytes == 0:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is empty: it has no bytes at all.",
            "The copy failed. Copy the picture again.",
        )
    elif facts.truncated:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} ends too early: {facts.damage}.",
            "The copy or the export was cut off. Export the picture again and drop it again.",
        )
    elif facts.damage and facts.format != "other":
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} cannot be read to its last row: {facts.damage}.",
            "Open it in your editor, save it under a new name and drop that.",
        )
