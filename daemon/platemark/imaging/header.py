"""What reading a file's tags comes to, and the parts of it that all formats share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from typing import Final

from platemark.imaging.exif import ExifTags
from platemark.imaging.holes import PictureData
from platemark.imaging.tiff_sound import BlockSizes
from platemark.imaging.xmp import XmpTags
from platemark.model.picture import Facts

LARGE_METADATA_BYTES = 1_000_000
"""Descriptions beyond this are told, for they are no ordinary captions (common practice)."""

_NOT_A_RESOLUTION: Final = (Fraction(0), Fraction(1), Fraction(72))
"""What programs write that know of no resolution; none of them is meant (common practice)."""

_SAME_RESOLUTION = Fraction(1, 1000)
"""Programs round each of the two by itself, a JPEG in whole numbers of its unit."""


@dataclass(frozen=True, slots=True)
class Header:
    """Facts from the tags, and what the decoder and the search for holes need of them."""

    facts: Facts
    """`alpha` is `transparent` where only the pixels can tell; the decode settles it."""
    data: PictureData | None
    """Where the picture data lie; None where that cannot be told."""
    alpha_band: int | None
    """Band that says how opaque a pixel is, -1 for the last; None where there is none."""
    decoded_bytes: int
    """Of the whole picture as a decoder gives it."""
    blocks: BlockSizes | None = None
    """What the strips or tiles of a TIFF come to; None where that cannot be told."""
    jpeg_tables: bytes = b""
    """What the JPEG pieces of a TIFF have in common (technical note 2)."""


def with_texts(
    facts: Facts,
    exif: ExifTags,
    xmp: XmpTags,
    resolutions: Sequence[tuple[Fraction, Fraction] | None],
    metadata_bytes: int,
) -> Facts:
    """Return the facts with what Exif, XMP and the resolution tags add to them.

    Args:
        facts: What the format's own tags say.
        exif: What a camera or an editor wrote.
        xmp: What an XMP packet says.
        resolutions: ppi across and down from each place that has them, the most trusted first.
        metadata_bytes: Of all descriptions in the file.
    """
    ppi, differing = _ppi(resolutions)
    disputed = _orientation_disputed(exif, xmp)
    notes: tuple[str, ...] = ()
    if differing:
        notes += (f"The resolution tags differ, {differing}; they are ignored.",)
    if not exif.readable:
        notes += ("The camera's data (Exif) cannot be read and are ignored.",)
    if not xmp.readable:
        notes += ("The description of the picture (XMP) cannot be read and is ignored.",)
    if disputed:
        notes += (f"Two orientations are given, {disputed}; the one in XMP is ignored.",)
    if metadata_bytes > LARGE_METADATA_BYTES:
        notes += (f"{metadata_bytes / 1e6:,.1f} MB of descriptions in the file are dropped.",)
    return replace(
        facts,
        orientation=exif.orientation,
        orientation_disputed=disputed,
        ppi=ppi,
        ppi_differs=differing,
        exif_colour=exif.colour,
        camera=exif.camera,
        creator=xmp.creator or exif.creator,
        rights=xmp.rights or exif.rights,
        notes=facts.notes + notes,
    )


def _orientation_disputed(exif: ExifTags, xmp: XmpTags) -> str:
    """Return both orientations where they differ; a file without the Exif tag counts as upright."""
    if xmp.orientation is None or xmp.orientation == exif.orientation:
        return ""
    stated = str(exif.orientation) if exif.states_orientation else "none"
    return f"{stated} in Exif and {xmp.orientation} in XMP"


def _ppi(resolutions: Sequence[tuple[Fraction, Fraction] | None]) -> tuple[str | None, str]:
    """Return the first resolution that is meant, as a decimal, or in words how its two differ."""
    for resolution in resolutions:
        if resolution is None or all(value in _NOT_A_RESOLUTION for value in resolution):
            continue
        across, down = resolution
        if abs(across - down) > _SAME_RESOLUTION * max(across, down):
            return None, f"{_decimal(across)} across and {_decimal(down)} down"
        if 0 < across <= 1_000_000:
            return _decimal(across), ""
    return None, ""


def _decimal(value: Fraction) -> str:
    """Return a number rounded to four places, without zeros at its end."""
    rounded = round(value, 4)
    text = f"{Decimal(rounded.numerator) / Decimal(rounded.denominator):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
