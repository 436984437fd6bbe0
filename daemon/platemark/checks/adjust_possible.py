"""Whether a picture bears the tonal adjustment that was settled for it."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "adjust-not-possible"
ACCEPT: Final = "never"

_UNDO: Final = "or undo it with `platemark decide N --adjust none`"


def find(known: Known) -> Iterable[Finding]:
    """Stop a colour adjustment of a one-channel grey, and any where no colour leads back to codes.

    A grey picture that is read with a profile for RGB is worked on as RGB.
    """
    adjust = known.settled.adjust if known.settled is not None else None
    profile = known.facts.profile
    if adjust is None or profile is None or profile.damage:
        return
    if adjust.needs_colour and known.facts.mode == "grey" and profile.colour_space == "GRAY":
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is grey with one channel, and has no colour that could be changed: "
            f"{adjust.words}.",
            f"Save it as RGB in your editor and drop it again, settle a lightness curve alone, "
            f"{_UNDO}.",
        )
    elif profile.one_way:
        yield stop(
            CODE,
            ACCEPT,
            f"The profile of {known.name}, {profile.description or 'without a name'}, says what "
            "its numbers mean but not which numbers a colour has, so nothing can be adjusted in "
            "it.",
            "Convert the picture to Adobe RGB or ROMM RGB in your editor and drop it again, "
            f"{_UNDO}.",
        )
