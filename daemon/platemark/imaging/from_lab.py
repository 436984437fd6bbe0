"""Bring a picture in CIE L*a*b* (D50) into our ROMM RGB, 16 bit, before anything else is done.

A TIFF holds Lab in one of two ways (TIFF 6.0, section 23, and its later supplements): CIELab has a
and b with a sign, ICCLab moves them by 128, and its 16-bit form is that of version 2 of the ICC
specification (ICC.1:2001-04, annex A), where an L* of 100 is 0xFF00.

The arithmetic is done here, in floats: the colour engine goes through 16 bits on the way, which
is up to 7 codes off in dark blues.
"""

from __future__ import annotations

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.imaging.resample import LightTables, from_light, light_tables
from platemark.imaging.source import Profile
from platemark.imaging.steps import PictureFault

_ICC_L_CODES = {"uchar": 255 / 100, "ushort": 0xFF00 / 100}
_ICC_AB_CODES = {"uchar": 1, "ushort": 256}
_ALL_LIGHT = 65535.0**2
"""In the units of `LightTables`."""


def brought_from_lab(image: pyvips.Image, romm: Profile) -> pyvips.Image:
    """Take a Lab picture to 16-bit samples of a matrix profile; colours outside it are clipped.

    Args:
        image: As stored; more channels than three are left out.
        romm: The profile to bring it into.

    Raises:
        PictureFault: its samples are of no kind that is known for Lab, or the profile is not one
            of a matrix and curves.
    """
    tables, from_xyz = _space(romm)
    # CIE 15 (ISO/CIE 11664-4): f of X, Y and Z, each relative to white, from L*, a* and b*.
    to_curved = [[1 / 116, 1 / 500, 0], [1 / 116, 0, 0], [1 / 116, 0, -1 / 200]]
    curved = real_lab(image).recomb(to_curved)
    curved = curved + 16 / 116
    relative = (curved > 6 / 29).ifthenelse(
        curved * curved * curved, (curved - 16 / 116) * (108 / 841)
    )
    return from_light(relative.recomb((from_xyz * _ALL_LIGHT).tolist()), tables)


def _space(profile: Profile) -> tuple[list[LightTables], NDArray[np.float64]]:
    """A profile's curves, and its matrix from tristimulus values relative to its white."""
    tables, colorants = light_tables(profile.parsed), profile.parsed.colorants
    if tables is None or colorants is None:
        raise PictureFault(f"A Lab picture cannot be brought into {profile.name}.")
    matrix = np.array(colorants).T
    return tables, np.linalg.inv(matrix / matrix.sum(axis=1)[:, np.newaxis])


def real_lab(image: pyvips.Image) -> pyvips.Image:
    """Real L*, a* and b* as floats.

    Raises:
        PictureFault: the samples are of no kind that is known for Lab.
    """
    if image.interpretation == "labs":
        return image.extract_band(0, n=3).copy(interpretation="labs").colourspace("lab")
    if image.format not in _ICC_L_CODES or image.bands < 3:
        raise PictureFault("The picture is in a kind of Lab that is not read here; save it as RGB.")
    ab = _ICC_AB_CODES[image.format]
    codes = image.extract_band(0, n=3)
    real = codes.linear([1 / _ICC_L_CODES[image.format], 1 / ab, 1 / ab], [0, -128, -128])
    return real.cast("float").copy(interpretation="lab")
