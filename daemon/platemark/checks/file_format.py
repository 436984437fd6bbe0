"""Only TIFF, JPEG and PNG are printed; the content says which, not the name."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-format"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop what is no TIFF, JPEG or PNG."""
    facts = known.facts
    # What may still be growing has not shown what it is.
    if facts.format == "other" and facts.bytes and not facts.truncated:
        what = f" It looks like {facts.notes[0]}." if facts.notes else ""
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is not a TIFF, JPEG or PNG picture.{what}",
            "Save the finished picture as a flat TIFF (or a JPEG of high quality) and drop "
            "it again.",
        )
