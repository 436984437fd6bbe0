"""Open an original for its pixels: the right loader, its own profile, 16 bit, upright."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyvips

from platemark.imaging.icc import IccProfile, ProfileDamage, parse_profile
from platemark.imaging.steps import PictureFault
from platemark.model.terms import Box

_BANDS = {"RGB": 3, "GRAY": 1}
_TURNS = {
    1: "not turned",
    2: "mirrored left for right",
    3: "turned 180°",
    4: "mirrored top for bottom",
    5: "turned 90° clockwise and mirrored left for right",
    6: "turned 90° clockwise",
    7: "turned 90° clockwise and mirrored top for bottom",
    8: "turned 90° anticlockwise",
}


@dataclass(frozen=True, slots=True)
class Profile:
    """A colour profile that the plan names, read once, its hash proved."""

    data: bytes
    sha256: str
    parsed: IccProfile

    @property
    def bands(self) -> int:
        """Colour channels: 3, or 1 for a grey profile."""
        return _BANDS[self.parsed.header.colour_space]

    @property
    def name(self) -> str:
        """What the profile calls itself, or its hash."""
        return self.parsed.description or f"profile {self.sha256[:8]}"


def embedded_profile(image: pyvips.Image) -> bytes:
    """Return the profile that a picture carries, empty where it carries none."""
    if image.get_typeof("icc-profile-data") == 0:
        return b""
    return bytes(image.get("icc-profile-data"))


def find_profile(sha256: str, files: Mapping[str, str], embedded: bytes = b"") -> Profile:
    """Find a profile by its hash: the embedded one, or a file that the task names.

    Args:
        sha256: Which one.
        files: Paths by hash.
        embedded: What the original carries.

    Raises:
        PictureFault: there is none of that hash, or it cannot be read as RGB or grey.
    """
    data = embedded
    if hashlib.sha256(data).hexdigest() != sha256:
        data = Path(files[sha256]).read_bytes() if sha256 in files else b""
    if hashlib.sha256(data).hexdigest() != sha256:
        raise PictureFault(
            f"The colour profile {sha256[:8]} that was planned with is no longer there; plan the "
            "picture again."
        )
    try:
        parsed = parse_profile(data)
    except ProfileDamage as damage:
        raise PictureFault(str(damage)) from damage
    if parsed.header.colour_space not in _BANDS:
        raise PictureFault(
            f"The colour profile {parsed.description or sha256[:8]} is for "
            f"{parsed.header.colour_space}; only RGB and grey pictures are printed."
        )
    return Profile(data, sha256, parsed)


def colour_bands(image: pyvips.Image, profile: Profile) -> pyvips.Image:
    """Keep the colour channels alone, as many as the profile has.

    Raises:
        PictureFault: the picture and the profile do not belong together.
    """
    if image.interpretation == "cmyk":
        raise PictureFault("The picture is CMYK; save it as RGB.")
    if image.format not in ("uchar", "ushort"):
        raise PictureFault("The picture has neither 8-bit nor 16-bit samples; save it as 16 bit.")
    is_grey = image.bands < 3
    if is_grey and profile.bands == 3:
        grey = image[0]
        return grey.bandjoin([grey, grey])
    if not is_grey and profile.bands == 1:
        raise PictureFault("The picture is in colour, but its colour profile is for grey.")
    wanted = profile.bands
    return image.extract_band(0, n=wanted) if image.bands > wanted else image


def in_16_bit(image: pyvips.Image) -> pyvips.Image:
    """Take samples to 16 bit: 8-bit values times 257, so that white is 65535."""
    if image.format == "uchar":
        codes = (np.arange(256, dtype=np.uint16) * 257)[np.newaxis]
        image = image.maplut(pyvips.Image.new_from_array(codes))
    return named_16_bit(image)


def named_16_bit(image: pyvips.Image) -> pyvips.Image:
    """Say what 16-bit samples mean, for the operations that ask."""
    return image.copy(interpretation="rgb16" if image.bands == 3 else "grey16")


def stored_box(box: Box, orientation: int, width: int, height: int) -> Box:
    """Say where a part of the upright picture lies in the stored one.

    Args:
        box: Part of the upright picture.
        orientation: EXIF orientation of the stored pixels, 1 to 8.
        width: Width as stored, px.
        height: Height as stored, px.
    """
    x, y, w, h = box.left, box.top, box.width, box.height
    from_right, from_bottom = width - x - w, height - y - h
    return {
        1: Box(x, y, w, h),
        2: Box(from_right, y, w, h),
        3: Box(from_right, from_bottom, w, h),
        4: Box(x, from_bottom, w, h),
        5: Box(y, x, h, w),
        6: Box(y, height - x - w, h, w),
        7: Box(width - y - h, height - x - w, h, w),
        8: Box(width - y - h, x, h, w),
    }[orientation]


def upright(image: pyvips.Image, orientation: int) -> pyvips.Image:
    """Turn stored pixels as EXIF says (CIPA DC-008, tag Orientation); needs random access."""
    if orientation in (5, 6, 7):
        image = image.rot90()
    elif orientation == 8:
        image = image.rot270()
    elif orientation == 3:
        image = image.rot180()
    if orientation in (2, 5):
        image = image.fliphor()
    elif orientation in (4, 7):
        image = image.flipver()
    return image


def turn_in_words(orientation: int) -> str:
    """How a picture of that orientation is turned, for the change log."""
    return _TURNS[orientation]
