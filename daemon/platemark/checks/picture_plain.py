"""A picture of nothing."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "picture-plain"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of a picture that is one colour all over."""
    if known.facts.uniform and not known.facts.composite_missing:
        yield caution(
            CODE,
            f"{known.name} is one single colour all over.",
            "Check that it is the picture you meant, and that its export did not fail.",
        )
