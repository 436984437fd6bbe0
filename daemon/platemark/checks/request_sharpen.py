"""What was asked is done, or said not to be done."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-sharpen"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Stop a request for sharpening: this version does not sharpen yet."""
    if known.resolved.request.sharpen != "none":
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is to be sharpened for its surface, and Platemark does not sharpen yet.",
            "Sharpen it in your editor and drop that; or answer sharpen=none. Accepting means: "
            "print it as it is.",
        )
