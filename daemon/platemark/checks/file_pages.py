"""One picture a file."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-pages"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop a file with more than one full page."""
    if known.facts.pages > 1 and not known.facts.damage and not known.facts.unread:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} holds {known.facts.pages} pictures.",
            "Save each picture as its own file and drop those. Accepting means: print the first "
            "picture alone.",
            figures={"pages": str(known.facts.pages)},
        )
