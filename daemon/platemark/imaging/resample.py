"""Make a picture larger or smaller, in float, so that white stays white.

On integers the library's own resize moves plain areas by up to 96 codes. A reduction averages
light, so it is done in linear light where the profile says what that is: each code goes through a
table of 65,536 floats, and back through an inverse that gives each code again. (Of a pure power of
2.2, whose slope at black has no end, a few of the 16 darkest codes come back one beside.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.imaging.icc import IccProfile, ToneCurve
from platemark.imaging.source import named_16_bit

Floats = NDArray[np.float64]

_TOP = 65535
_CODES = np.arange(_TOP + 1, dtype=np.float64)
_ROUNDING = 0.01
"""More than single floats move a root of light on the way."""


@dataclass(frozen=True, slots=True)
class LightTables:
    """One curve's tables, 65,536 entries each."""

    light: Floats
    """Light of each code, in units of which `_TOP` squared is all of it: its root is almost a
    code itself, and as finely stepped near black."""
    beyond_root: Floats
    """What must be added to a root of light, by its whole part, to make it a code; a half more,
    so that the sum rounds by being cut."""


def reduce_picture(
    image: pyvips.Image, width: int, height: int, profile: IccProfile
) -> tuple[pyvips.Image, bool]:
    """Make a 16-bit picture smaller with Lanczos-3.

    Args:
        image: 16-bit samples; sequential access is enough.
        width: Wanted, px.
        height: Wanted, px.
        profile: What the samples mean.

    Returns:
        The picture, and whether it was done in linear light (else as encoded, where the profile
        has no curves that can be turned round).
    """
    tables = light_tables(profile)
    if tables is None:
        return _encoded(_reduced(image.cast("float"), width, height)), False
    light = image.maplut(_lut([each.light for each in tables]))
    return from_light(_reduced(light, width, height), tables), True


def enlarge_picture(image: pyvips.Image, width: int, height: int) -> pyvips.Image:
    """Make a 16-bit picture larger with the library's bicubic, as encoded.

    Args:
        image: 16-bit samples; sequential access is enough.
        width: Wanted, px.
        height: Wanted, px.
    """
    # The library's resize enlarges by half a pixel off the centre, so the transform is given.
    across, down = width / image.width, height / image.height
    larger = image.cast("float").affine(
        [across, 0, 0, down],
        interpolate=pyvips.Interpolate.new("bicubic"),
        odx=(across - 1) / 2,
        ody=(down - 1) / 2,
        oarea=[0, 0, width, height],
        extend="copy",
    )
    return _encoded(larger)


def from_light(light: pyvips.Image, tables: list[LightTables]) -> pyvips.Image:
    """Take light, in the units of `LightTables`, back to 16-bit codes, clipped."""
    brightest = max(float(each.light[-1]) for each in tables)
    root = light.clamp(min=0, max=brightest) ** 0.5
    code = root + root.cast("ushort").maplut(_lut([each.beyond_root for each in tables]))
    # The cast cuts, and clips.
    return named_16_bit(code.cast("ushort"))


def _reduced(image: pyvips.Image, width: int, height: int) -> pyvips.Image:
    result: pyvips.Image = image.resize(
        width / image.width, vscale=height / image.height, kernel="lanczos3", gap=0
    )
    if (result.width, result.height) != (width, height):
        raise ValueError(
            f"the resize gave {result.width} × {result.height}, not {width} × {height}"
        )
    return result


def _encoded(image: pyvips.Image) -> pyvips.Image:
    """Back to 16 bit: rounded, and clipped where the kernel overshoots."""
    return named_16_bit((image.clamp(min=0, max=_TOP) + 0.5).cast("ushort"))


def light_tables(profile: IccProfile) -> list[LightTables] | None:
    """Tables of each channel, or None where linear light is not known.

    A profile with tables of its own converts by them, not by its curves; one whose connection
    space is Lab has curves to lightness.
    """
    if profile.tables or not profile.curves or profile.header.pcs != "XYZ":
        return None
    made: dict[ToneCurve, LightTables | None] = {}
    for curve in profile.curves:
        if curve not in made:
            made[curve] = _tables(curve)
    found = [made[curve] for curve in profile.curves]
    if len(made) == 1:
        found = found[:1]
    usable = [each for each in found if each is not None]
    return usable if len(usable) == len(found) else None


def _tables(curve: ToneCurve) -> LightTables | None:
    if curve.table:
        entries = np.linspace(0, _TOP, len(curve.table))
        linear = np.interp(_CODES, entries, np.asarray(curve.table))
    else:
        linear = np.array([curve.value(code / _TOP) for code in range(_TOP + 1)])
    if np.any(np.diff(linear) < 0) or linear[-1] <= linear[0]:
        return None
    # The curve is taken in the middle of each step, where the sum is off by at most half of what
    # the curve's slope differs from 1.
    last = np.sqrt(linear[-1]) * _TOP
    root = np.minimum(_CODES + 0.5, last)
    code = np.interp((root / _TOP) ** 2, linear, _CODES)
    # Black stays black. Where a curve is flat at an end, light does not say which code was meant.
    code[0] = min(code[0], root[0])
    if linear[-2] == linear[-1]:
        code[int(last - _ROUNDING) :] = _TOP
    return LightTables(linear * _TOP**2, code - root + 0.5)


def _lut(columns: list[Floats]) -> pyvips.Image:
    array = np.stack(columns, axis=-1).astype(np.float32)[np.newaxis]
    return pyvips.Image.new_from_array(array)
