"""Measures of lightness: key, shadows that close up, whites, and where they lie."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, sqrt
from typing import Any, Final

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.imaging.overview import Floats, Overview

Mask = NDArray[np.bool_]

_STEP, _MOST = 0.01, 600
"""Of the tables that percentiles are read from."""
_SEEN_SD: Final = 0.5
"""What is flatter, L*, holds no detail that could close up."""
_BLOWN_L: Final = 99.5
_EDGE_L, _EDGE_C = 97, 10
_RING: Final = 0.03
_PATCH_PIXELS: Final = 350_000
"""Patches are told on so many pixels; the smallest that matters has thousands."""


@dataclass(frozen=True, slots=True)
class ToneFigures:
    """L* and shares from 0 to 1; see `model.measures.Measures`."""

    p5: float
    median: float
    p95: float
    shadow: float
    blown_patch: float
    white_edge: float


def tone_of(overview: Overview, black_l: float) -> ToneFigures:
    """Measure lightness against a surface whose deepest black has that L*."""
    p5, median, p95 = percentiles(overview.lightness, 5, 50, 95)
    return ToneFigures(
        p5,
        median,
        p95,
        _shadow(overview.lightness, black_l + 2),
        _largest_patch(overview.lightness > _BLOWN_L),
        _white_edge(overview),
    )


def percentiles(values: Floats, *wanted: float) -> tuple[float, ...]:
    """Values that so many per cent are not above, to .01; all are taken to be within 0 … 600."""
    steps = np.clip(values.ravel(), 0, _MOST) * np.float32(1 / _STEP) + np.float32(0.5)
    below = np.cumsum(np.bincount(steps.astype(np.uint16)))
    places = np.searchsorted(below, [each / 100 * values.size for each in wanted])
    return tuple(float(place) * _STEP for place in places)


def _shadow(lightness: Floats, below: float) -> float:
    dark = lightness < below
    if not dark.any():
        return 0.0
    # Nothing but the dark and its neighbours is looked at; so small numbers also stay exact.
    near = np.minimum(lightness, np.float32(below + 10)) - np.float32(below)
    mean = _mean_of_nine(near)
    variance = _mean_of_nine(near * near) - mean * mean
    return float(np.mean(dark & (variance > _SEEN_SD**2)))


def _mean_of_nine(plane: Floats) -> Floats:
    """The mean of each pixel and its neighbours; beyond the rim the rim goes on."""
    wide = np.pad(plane, 1, mode="edge")
    down = wide[:-2] + wide[1:-1] + wide[2:]
    result: Floats = (down[:, :-2] + down[:, 1:-1] + down[:, 2:]) * np.float32(1 / 9)
    return result


def _largest_patch(mask: Mask) -> float:
    """Share of the largest patch whose pixels touch side by side."""
    step = min(ceil(sqrt(mask.size / _PATCH_PIXELS)), *mask.shape)
    if step > 1:
        # White through and through: of lines a pixel wide, every second pixel tells nothing.
        high, wide = mask.shape[0] // step, mask.shape[1] // step
        whole = mask[: high * step, : wide * step].reshape(high, step, wide, step)
        mask = np.ascontiguousarray(whole.all(axis=(1, 3)))
    if not mask.any():
        return 0.0
    labels: NDArray[Any] = pyvips.Image.new_from_array(mask.astype(np.uint8)).labelregions().numpy()
    return float(np.bincount(labels.reshape(mask.shape)[mask]).max() / mask.size)


def _white_edge(overview: Overview) -> float:
    face = overview.face
    inside = np.s_[face.top : face.top + face.height, face.left : face.left + face.width]
    width = max(1, round(_RING * min(face.width, face.height)))
    white = overview.lightness[inside] > _EDGE_L
    if not white.any():
        return 0.0
    # Yellow can be as light, and is seen against any paper.
    white &= np.hypot(overview.a[inside], overview.b[inside]) < _EDGE_C
    middle = white[width:-width, width:-width]
    return float((white.sum() - middle.sum()) / (white.size - middle.size))
