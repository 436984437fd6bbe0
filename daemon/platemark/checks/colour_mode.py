"""RGB and greyscale are printed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-mode"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop colour models that are neither RGB nor grey."""
    facts = known.facts
    if facts.mode in ("lab", "other") and not facts.damage and facts.format != "other":
        kind = "Lab" if facts.mode == "lab" else "a colour model that is not RGB or grey"
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is in {kind}.",
            "Convert it to RGB with a profile in your editor and drop it again.",
        )
