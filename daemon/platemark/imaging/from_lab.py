"""Bring a picture in CIE L*a*b* (D50) into our ROMM RGB, 16 bit, before anything else is done.

A TIFF holds Lab in one of two ways (TIFF 6.0, section 23, and its later supplements): CIELab has a
and b with a sign, ICCLab moves them by 128, and its 16-bit form is that of version 2 of the ICC
specification (ICC.1:2001-04, annex A), where an L* of 100 is 0xFF00.
"""

from __future__ import annotations

import pyvips

from platemark.imaging.convert import path_of
from platemark.imaging.source import Profile, named_16_bit
from platemark.imaging.steps import PictureFault

_ICC_L_CODES = {"uchar": 255 / 100, "ushort": 0xFF00 / 100}
_ICC_AB_CODES = {"uchar": 1, "ushort": 256}


def brought_from_lab(image: pyvips.Image, romm: Profile) -> pyvips.Image:
    """Take a Lab picture to 16-bit samples of a matrix profile; colours outside it are clipped.

    Args:
        image: As stored; more channels than three are left out.
        romm: The profile to bring it into.

    Raises:
        PictureFault: its samples are of no kind that is known for Lab.
    """
    exported = _lab(image).icc_export(
        output_profile=path_of(romm.data),
        intent="relative",
        black_point_compensation=False,
        depth=16,
    )
    return named_16_bit(exported)


def _lab(image: pyvips.Image) -> pyvips.Image:
    """Real L*, a* and b* as floats."""
    if image.interpretation == "labs":
        return image.extract_band(0, n=3).copy(interpretation="labs").colourspace("lab")
    if image.format not in _ICC_L_CODES or image.bands < 3:
        raise PictureFault("The picture is in a kind of Lab that is not read here; save it as RGB.")
    ab = _ICC_AB_CODES[image.format]
    codes = image.extract_band(0, n=3)
    real = codes.linear([1 / _ICC_L_CODES[image.format], 1 / ab, 1 / ab], [0, -128, -128])
    return real.cast("float").copy(interpretation="lab")
