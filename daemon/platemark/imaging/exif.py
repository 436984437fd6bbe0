"""Read what a camera or an editor wrote about a picture: Exif, a small TIFF with known tags.

Source: CIPA DC-008 (Exif 2.32 and 3.0), whose tags are named beside each number.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from platemark.imaging.tiff_tags import (
    EXIF_DIRECTORY,
    INTEROPERABILITY_DIRECTORY,
    Directory,
    read_tiff,
)

ExifColour = Literal["none", "srgb", "adobe-rgb", "uncalibrated"]

_MAKE, _MODEL, _ORIENTATION, _X_RESOLUTION, _Y_RESOLUTION = 271, 272, 274, 282, 283
_RESOLUTION_UNIT, _ARTIST, _COPYRIGHT, _COLOUR_SPACE = 296, 315, 33432, 40961


@dataclass(frozen=True, slots=True)
class ExifTags:
    """What Exif says of a picture; the defaults stand for a tag that is not there."""

    orientation: int = 1
    """1 to 8; anything else that was written counts as 1."""
    states_orientation: bool = False
    """The orientation was written, not taken for granted."""
    colour: ExifColour = "none"
    camera: bool = False
    """It names a camera's maker or model."""
    creator: str = ""
    rights: str = ""
    ppi: tuple[Fraction, Fraction] | None = None
    readable: bool = True


def read_exif(block: bytes) -> ExifTags:
    """Read an Exif block.

    Args:
        block: From its byte-order mark on, as in APP1 after `Exif` and in a PNG's eXIf chunk.

    Returns:
        What can be read of it. Damage loses no pixel, so it is told by `readable` only.
    """
    if not block:
        return ExifTags()
    tiff = read_tiff(io.BytesIO(block), len(block))
    if not tiff.pages:
        return ExifTags(readable=False)
    return exif_of(tiff.pages[0])


def exif_of(directory: Directory) -> ExifTags:
    """Read Exif from its first directory, which in a TIFF is that of the first page."""
    orientation = directory.integer(_ORIENTATION, 0)
    is_stated = 1 <= orientation <= 8
    return ExifTags(
        orientation=orientation if is_stated else 1,
        states_orientation=is_stated,
        colour=_colour(directory),
        camera=bool(directory.text(_MAKE) or directory.text(_MODEL)),
        creator=directory.text(_ARTIST),
        rights=directory.text(_COPYRIGHT),
        ppi=_ppi(directory),
    )


def _colour(directory: Directory) -> ExifColour:
    """Return the colour space that ColorSpace and InteroperabilityIndex state together.

    DCF 2.0 knows R98, which is sRGB, and R03, which is Adobe RGB with ColorSpace 0xFFFF. A
    ColorSpace of 2 is in no standard; cameras wrote it for Adobe RGB (common practice).
    """
    camera = directory.below(EXIF_DIRECTORY)
    if camera is None:
        return "none"
    space = camera.integer(_COLOUR_SPACE, 0)
    interoperability = camera.below(INTEROPERABILITY_DIRECTORY)
    index = interoperability.text(1) if interoperability else ""
    if space == 1:
        # Both at once is a contradiction, which must not pass as sRGB.
        return "uncalibrated" if index == "R03" else "srgb"
    if space == 2 or (space == 0xFFFF and index == "R03"):
        return "adobe-rgb"
    return "uncalibrated" if space == 0xFFFF else "none"


def _ppi(directory: Directory) -> tuple[Fraction, Fraction] | None:
    x, y = directory.fraction(_X_RESOLUTION), directory.fraction(_Y_RESOLUTION)
    unit = {2: Fraction(1), 3: Fraction(254, 100)}.get(directory.integer(_RESOLUTION_UNIT, 2))
    return (x * unit, y * unit) if x is not None and y is not None and unit else None
