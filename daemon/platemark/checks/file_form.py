"""A sound file, of a form that is not read here."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-form"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop a form that no decoder here reads; layers alone are told of where layers are."""
    facts = known.facts
    if facts.unread and not facts.composite_missing:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is of a form that is not read here: {facts.unread}. Nothing says that "
            "it is damaged.",
            "Open it in your editor, save it as a flat RGB TIFF of 8 or 16 bit with the picture "
            "alone in it, without compression or with LZW or ZIP, and drop that.",
        )
