"""A profile that lies or is broken is never worked around."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-profile-damaged"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop a damaged embedded profile, and one that is for another colour model."""
    profile = known.facts.profile
    if profile is None:
        return
    wanted = {"rgb": "RGB", "ycbcr": "RGB", "grey": "GRAY", "lab": "Lab"}.get(known.facts.mode)
    if profile.damage:
        yield stop(
            CODE,
            ACCEPT,
            f"The colour profile inside {known.name} is damaged. {_sentence(profile.damage)}",
            "Assign the right profile in your editor, save, and drop it again.",
        )
    elif wanted is not None and profile.colour_space.strip() not in ("", wanted):
        yield stop(
            CODE,
            ACCEPT,
            f"The profile inside {known.name} is for {profile.colour_space.strip()}, the "
            "picture is "
            f"{'greyscale' if wanted == 'GRAY' else wanted}.",
            "Assign the right profile in your editor, save, and drop it again.",
        )


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."
