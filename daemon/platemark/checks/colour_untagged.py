"""Numbers without a profile are no colours."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-untagged"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture without a profile, unless the written policy lets a camera's sRGB pass."""
    facts = known.facts
    # CMYK and inks are stopped by themselves, and Lab needs no profile.
    if facts.mode in ("cmyk", "lab", "other") or facts.profile is not None:
        return
    policy = known.resolved.request.untagged or known.untagged
    camera = facts.format == "jpeg" and facts.camera and facts.exif_colour == "srgb"
    if policy == "srgb-camera" and camera:
        yield caution(
            CODE,
            f"{known.name} has no colour profile; its camera data says sRGB, so sRGB was assumed.",
        )
        return
    if facts.colour_code:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} names its colours by a code ({facts.colour_code} after ITU-T H.273) "
            "that is not known here, and has no colour profile.",
            "Embed the right profile in your editor and drop it again. Accepting means: read it "
            "as sRGB.",
            figures={"colour code": facts.colour_code, "read as": "sRGB"},
        )
        return
    guess = {
        "adobe-rgb": " Its camera data says Adobe RGB.",
        "srgb": " Its camera data says sRGB.",
    }.get(facts.exif_colour, "")
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} has no colour profile.{guess}",
        "Embed the right profile in your editor and drop it again. Accepting means: read it "
        "as sRGB.",
        figures={"read as": "sRGB"},
    )
