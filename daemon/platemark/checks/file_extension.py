"""A name whose ending says another format than the content."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-extension"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn when the ending and the content disagree; the content is believed."""
    facts = known.facts
    if facts.format != "other" and not facts.extension_agrees:
        yield caution(
            CODE,
            f"{known.name} is really a {facts.format.upper()}; its ending says otherwise.",
            "It was read as what it is. Check that it is the file you meant.",
        )
