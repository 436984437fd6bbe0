"""A patch strip needs a print that is wide enough for it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.patch_strip import FEWEST_ACROSS, PATCH_MM, strip_below
from platemark.model.units import shown

CODE: Final = "strip-room"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop where a patch strip is asked for beside a print that is narrower than a row of it."""
    layout = known.layout
    if known.resolved.request.strip != "patches" or layout is None:
        return
    if strip_below(layout.width, layout.height, layout.ppi) is None:
        yield stop(
            CODE,
            ACCEPT,
            f"A patch strip needs a print of {shown(FEWEST_ACROSS * PATCH_MM)} mm across; "
            f"{known.name} is printed at {layout.size}.",
            "Say strip = none, or order it larger.",
        )
