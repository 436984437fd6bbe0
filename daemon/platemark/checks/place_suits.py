"""A surface hangs only where it lasts."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.surface import Place

CODE: Final = "place-not-suited"
ACCEPT: Final = "photographer"

_WORDS: Final[dict[Place, str]] = {
    "indoor": "indoors",
    "bright": "in bright light",
    "humid": "in damp rooms",
    "outdoor": "outdoors",
}


def find(known: Known) -> Iterable[Finding]:
    """Stop a print that is meant for a place which its surface is not made for.

    In bright light what shines is only hard to see: that is a caution.
    """
    place = known.resolved.request.place
    if place is None or place in known.surface.places:
        return
    if place == "bright" and known.surface.gloss != "matte":
        yield caution(
            CODE,
            f"{known.name} is to hang opposite a window or a lamp, and {known.surface.name} will "
            "mirror it.",
            "Choose a matte surface, or hang it where no light stands opposite.",
            figures={"place": place},
        )
        return
    allowed = ", ".join(_WORDS[each] for each in known.surface.places) or "nowhere yet"
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} is to hang {_WORDS[place]}, and {known.surface.name} is for: {allowed}.",
        "Choose a surface that is made for that place, or correct place =. Ask the lab and a "
        "licensed installer before anything is hung outdoors or over people.",
        figures={"place": place},
    )
