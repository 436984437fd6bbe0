"""The camera's data and the profile name two colour spaces."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-exif-disagrees"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn where Exif contradicts the embedded profile, which wins."""
    facts = known.facts
    space = facts.profile.working_space if facts.profile is not None else None
    if facts.profile is None or facts.profile.damage or facts.mode == "grey" or space is None:
        return
    says_srgb = facts.exif_colour == "srgb" and space != "srgb"
    # Editors leave the index of Adobe RGB as the camera wrote it, so it contradicts sRGB alone.
    says_adobe = facts.exif_colour == "adobe-rgb" and space == "srgb"
    if says_srgb or says_adobe:
        yield caution(
            CODE,
            f"The camera data of {known.name} says {'sRGB' if says_srgb else 'Adobe RGB'}, its "
            f"profile says {facts.profile.description or space}; the profile is used.",
            "Look whether its colours are right on a display that you trust.",
        )
