"""Paper shows through where a picture is transparent."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-transparent"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture with any transparent pixel."""
    # Where nothing was decoded, the tags say only that it may be.
    if known.facts.alpha == "transparent" and known.facts.is_read:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is transparent in places; a print cannot be.",
            "Flatten the picture on the ground that you want and drop it again.",
        )
