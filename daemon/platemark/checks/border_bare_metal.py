"""A border on bare metal is metal."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "border-bare-metal"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Stop a border on a surface without a white of its own."""
    layout = known.layout
    if layout is None or not known.surface.bare_metal or not layout.has_border:
        return
    yield stop(
        CODE,
        ACCEPT,
        f"The border of {known.name} would be bare metal, not white: {known.surface.name} has no "
        "white of its own.",
        "Leave the border out, or choose a surface with a white base. Accept if bare metal is "
        "what you want there.",
        figures={"border": str(layout.border)},
        choices=("border=none",) if known.resolved.request.border is not None else (),
    )
