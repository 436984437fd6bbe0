"""Caps from the header, before a pixel is read."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-too-large"
ACCEPT: Final = "assistant"
"""Its acceptance only lets the file be looked at again; the engine never counts it."""


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture over one of the studio's limits."""
    if known.facts.over_limit:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} was not opened: {known.facts.over_limit}.",
            "If it is really your picture, save it smaller or as a baseline file; or raise the "
            "limit in studio.toml. Accepting means: look at it again with the limits as they are "
            "then.",
        )
