"""Colour differences by CIEDE2000 (ISO/CIE 11664-6; Sharma, Wu and Dalal 2005), on whole arrays."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_RADIAN = math.pi / 180
_COS_6, _COS_30, _COS_63 = (math.cos(math.radians(angle)) for angle in (6, 30, 63))
_SIN_6, _SIN_30, _SIN_63 = (math.sin(math.radians(angle)) for angle in (6, 30, 63))
_CHROMA_25_7 = 25.0**7
_BLOCK = 8192
"""Colours worked on at a time, so that what is between stays in a processor's cache: half the time
of whole pictures at once (measured)."""


def delta_e_2000(one: ArrayLike, other: ArrayLike) -> Floats:
    """Return the CIEDE2000 differences of colours, with all three parametric factors at 1.

    Args:
        one: L*a*b* colours, shape (..., 3).
        other: as many; the formula is symmetric.

    Returns:
        Differences, shape (...).
    """
    ones, others = np.broadcast_arrays(
        np.asarray(one, dtype=np.float64), np.asarray(other, dtype=np.float64)
    )
    made = np.empty(ones.shape[:-1])
    flat, rows = made.reshape(-1), ones.reshape(-1, 3)
    other_rows = others.reshape(-1, 3)
    for start in range(0, len(rows), _BLOCK):
        part = slice(start, start + _BLOCK)
        flat[part] = _differences(rows[part].T.copy(), other_rows[part].T.copy())
    return made


def _differences(one: Floats, other: Floats) -> Floats:
    """Differences of colours of shape (3, n)."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    mean_chroma_7 = _seventh((_length(a1, b1) + _length(a2, b2)) / 2)
    stretch = 1.5 - 0.5 * np.sqrt(mean_chroma_7 / (mean_chroma_7 + _CHROMA_25_7))
    c1, h1 = _polar(a1 * stretch, b1)
    c2, h2 = _polar(a2 * stretch, b2)
    product = c1 * c2
    grey = product == 0
    hue_step = _hue_step(h1, h2, grey)
    hue_difference = 2 * np.sqrt(product) * np.sin(hue_step * (_RADIAN / 2))
    hue, chroma, lightness = _mean_hue(h1, h2, grey), (c1 + c2) / 2, (l1 + l2) / 2

    off_middle = (lightness - 50) ** 2
    term_l = (l2 - l1) / (1 + 0.015 * off_middle / np.sqrt(20 + off_middle))
    term_c = (c2 - c1) / (1 + 0.045 * chroma)
    term_h = hue_difference / (1 + 0.015 * chroma * _hue_weight(hue))
    squared = term_l**2 + term_c**2 + term_h**2 + _rotation(hue, chroma) * term_c * term_h
    # Rounding can leave a difference of nothing a hair below zero.
    result: Floats = np.sqrt(np.maximum(squared, 0))
    return result


def _length(a: Floats, b: Floats) -> Floats:
    return np.sqrt(a * a + b * b)


def _seventh(values: Floats) -> Floats:
    """The seventh power, several times as fast as the general one."""
    cubed = values * values * values
    return cubed * cubed * values


def _polar(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Chroma and hue; hue in degrees from 0 up to 360, and 0 for a grey."""
    hue = np.arctan2(b, a) * (1 / _RADIAN)
    return _length(a, b), np.where(hue < 0, hue + 360, hue)


def _hue_step(h1: Floats, h2: Floats, grey: NDArray[np.bool_]) -> Floats:
    """Hue difference the short way round, degrees (equation 10 of the paper)."""
    step = h2 - h1
    step = np.where(step > 180, step - 360, step)
    step = np.where(step < -180, step + 360, step)
    return np.where(grey, 0.0, step)


def _mean_hue(h1: Floats, h2: Floats, grey: NDArray[np.bool_]) -> Floats:
    """Hue half-way the short way round, degrees (equation 14)."""
    total = h1 + h2
    wrapped = np.where(total < 360, total + 360, total - 360)
    mean = np.where(np.abs(h1 - h2) <= 180, total, wrapped) / 2
    return np.where(grey, total, mean)


def _hue_weight(hue: Floats) -> Floats:
    """T of equation 15; the multiples of the hue are made from its own sine and cosine."""
    radians = hue * _RADIAN
    c, s = np.cos(radians), np.sin(radians)
    c2, s2 = 2 * c * c - 1, 2 * s * c
    c3, s3 = c2 * c - s2 * s, s2 * c + c2 * s
    c4, s4 = 2 * c2 * c2 - 1, 2 * s2 * c2
    result: Floats = (
        1
        - 0.17 * (_COS_30 * c + _SIN_30 * s)
        + 0.24 * c2
        + 0.32 * (_COS_6 * c3 - _SIN_6 * s3)
        - 0.20 * (_COS_63 * c4 + _SIN_63 * s4)
    )
    return result


def _rotation(hue: Floats, chroma: Floats) -> Floats:
    """R_T of equations 16, 17 and 21: blue is turned."""
    angle = 60 * _RADIAN * np.exp(-(((hue - 275) / 25) ** 2))
    chroma_7 = _seventh(chroma)
    result: Floats = -2 * np.sin(angle) * np.sqrt(chroma_7 / (chroma_7 + _CHROMA_25_7))
    return result
