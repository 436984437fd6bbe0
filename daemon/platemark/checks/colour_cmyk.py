"""CMYK is already made for some press."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-cmyk"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop CMYK, always."""
    if known.facts.mode == "cmyk":
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is CMYK: it was already converted for some press.",
            "Drop the RGB picture from before that conversion.",
        )
