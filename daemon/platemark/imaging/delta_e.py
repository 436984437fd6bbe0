"""Colour differences by CIEDE2000 (ISO/CIE 11664-6; Sharma, Wu and Dalal 2005), on whole arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

_CHROMA_25_7 = 25.0**7


def delta_e_2000(one: ArrayLike, other: ArrayLike) -> Floats:
    """Return the CIEDE2000 differences of colours, with all three parametric factors at 1.

    Args:
        one: L*a*b* colours, shape (..., 3).
        other: as many; the formula is symmetric.

    Returns:
        Differences, shape (...).
    """
    l1, a1, b1 = _split(one)
    l2, a2, b2 = _split(other)
    mean_chroma_7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(mean_chroma_7 / (mean_chroma_7 + _CHROMA_25_7))
    c1, h1 = _polar(a1 * stretch, b1)
    c2, h2 = _polar(a2 * stretch, b2)
    grey = c1 * c2 == 0
    hue_step = _hue_step(h1, h2, grey)
    hue_difference = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(hue_step) / 2)
    hue, chroma, lightness = _mean_hue(h1, h2, grey), (c1 + c2) / 2, (l1 + l2) / 2

    weight_l = 1 + 0.015 * (lightness - 50) ** 2 / np.sqrt(20 + (lightness - 50) ** 2)
    weight_c = 1 + 0.045 * chroma
    weight_h = 1 + 0.015 * chroma * _hue_weight(hue)
    term_l = (l2 - l1) / weight_l
    term_c = (c2 - c1) / weight_c
    term_h = hue_difference / weight_h
    squared = term_l**2 + term_c**2 + term_h**2 + _rotation(hue, chroma) * term_c * term_h
    # Rounding can leave a difference of nothing a hair below zero.
    result: Floats = np.sqrt(np.maximum(squared, 0))
    return result


def _split(colours: ArrayLike) -> tuple[Floats, Floats, Floats]:
    array = np.asarray(colours, dtype=np.float64)
    return array[..., 0], array[..., 1], array[..., 2]


def _polar(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Chroma and hue; hue in degrees from 0 up to 360, and 0 for a grey."""
    return np.hypot(a, b), np.degrees(np.arctan2(b, a)) % 360


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
    """T of equation 15."""
    result: Floats = (
        1
        - 0.17 * np.cos(np.radians(hue - 30))
        + 0.24 * np.cos(np.radians(2 * hue))
        + 0.32 * np.cos(np.radians(3 * hue + 6))
        - 0.20 * np.cos(np.radians(4 * hue - 63))
    )
    return result


def _rotation(hue: Floats, chroma: Floats) -> Floats:
    """R_T of equations 16, 17 and 21: blue is turned."""
    angle = 30 * np.exp(-(((hue - 275) / 25) ** 2))
    chroma_7 = chroma**7
    strength = 2 * np.sqrt(chroma_7 / (chroma_7 + _CHROMA_25_7))
    result: Floats = -np.sin(np.radians(2 * angle)) * strength
    return result
