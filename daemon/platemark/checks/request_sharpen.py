"""A picture is sharpened for its surface only where the surface's file says how."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-sharpen"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Stop a request for sharpening on a surface that has no numbers for it."""
    surface = known.surface
    if known.resolved.request.sharpen != "none" and surface.sharpen is None:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is to be sharpened for {surface.name}, and surfaces/{surface.id}.toml "
            "does not say how.",
            "Add a section [sharpen] there, or answer sharpen=none. Accepting means: print it as "
            "it is.",
        )
