"""Between CIE L*a*b* (ISO/CIE 11664-4) and light, and black point compensation on that light.

Light is X, Y and Z, each as a part of white, so that a grey has the same value in each. What comes
in is not changed; single precision stays single.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.floating[Any]]

_KNEE: Final = 216 / 24389
_SLOPE: Final = 24389 / 27 / 116
_FLOOR: Final = 16 / 116


def light_of(lab: Plane) -> Plane:
    """Light of colours of shape (…, 3)."""
    curved = np.empty_like(lab)
    y = (lab[..., 0] + 16) / 116
    curved[..., 0] = y + lab[..., 1] / 500
    curved[..., 1] = y
    curved[..., 2] = y - lab[..., 2] / 200
    light: Plane = curved * curved * curved
    dark = curved <= 6 / 29
    light[dark] = (curved[dark] - _FLOOR) / _SLOPE
    return light


def lab_of(light: Plane) -> Plane:
    """Colours of light of shape (…, 3)."""
    curved = np.cbrt(light)
    dark = light <= _KNEE
    curved[dark] = light[dark] * _SLOPE + _FLOOR
    lab = np.empty_like(curved)
    lab[..., 0] = 116 * curved[..., 1] - 16
    lab[..., 1] = 500 * (curved[..., 0] - curved[..., 1])
    lab[..., 2] = 200 * (curved[..., 1] - curved[..., 2])
    return lab


def lightness_of(y: Plane) -> Plane:
    """L* of the Y alone."""
    return 116 * np.where(y > _KNEE, np.cbrt(y), y * _SLOPE + _FLOOR) - 16


def over_black(light: Plane, black: float) -> Plane:
    """Scale light so that none becomes `black` and white stays (ISO 18619, neutral form)."""
    return light * (1 - black) + black
