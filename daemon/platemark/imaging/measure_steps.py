"""Measures of banding: levels that are missing, and plain runs with a step between them."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.overview import Overview, Pixels

_RUN_MM: Final = 2.0
_SEEN, _DRAWN = 1.0, 5.0
"""A step of less is not seen; one of more is an edge that somebody drew."""
_BETWEEN_PX: Final = 2
"""Pixels that the reduction may have mixed of both."""
_LEAST_RUN_PX: Final = 3
_MOST_STEPS: Final = 40_000
_PIXELS_A_LEVEL: Final = 20
"""Fewer, and a level may be missing by chance."""


def empty_levels(codes: Pixels) -> float:
    """Share of 8-bit levels without a pixel inside p1 … p99, in the channel with the most.

    Args:
        codes: 16-bit samples that were never averaged, shape (n, bands).
    """
    return max(_empty(codes[:, band]) for band in range(codes.shape[1]))


def _empty(codes: Pixels) -> float:
    counts = np.bincount((codes.astype(np.uint32) + 128) // 257, minlength=256)
    below = np.cumsum(counts)
    first, last = np.searchsorted(below, [0.01 * len(codes), 0.99 * len(codes)])
    inside = counts[first : last + 1]
    if len(codes) < _PIXELS_A_LEVEL * len(inside):
        return 0.0
    return float(np.mean(inside == 0))


def plateaus(overview: Overview) -> float:
    """Share of the picture in plain runs that a visible step parts; across or down."""
    lab = np.stack([overview.lightness, overview.a, overview.b])
    down, across = overview.mm
    return max(
        _in_steps(overview.codes, lab, across),
        _in_steps(overview.codes.swapaxes(1, 2), lab.swapaxes(1, 2), down),
    )


def _in_steps(codes: Pixels, lab: NDArray[np.float32], mm: float) -> float:
    _, high, wide = codes.shape
    begins = np.ones((high, wide), np.bool_)
    begins[:, 1:] = codes[0, :, 1:] != codes[0, :, :-1]
    for band in codes[1:]:
        begins[:, 1:] |= band[:, 1:] != band[:, :-1]
    starts = np.flatnonzero(begins)
    lengths = np.diff(starts, append=high * wide)
    is_long = lengths >= max(_LEAST_RUN_PX, int(_RUN_MM / mm) + 1)
    starts, lengths = starts[is_long], lengths[is_long]
    if len(starts) < 2:
        return 0.0
    gaps = starts[1:] - starts[:-1] - lengths[:-1]
    one = np.flatnonzero((gaps <= _BETWEEN_PX) & (starts[1:] // wide == starts[:-1] // wide))
    thin = max(1, len(one) // _MOST_STEPS)
    one = one[::thin]
    step = delta_e_2000(_at(lab, starts[one]), _at(lab, starts[one + 1]))
    seen = one[(step > _SEEN) & (step <= _DRAWN)]
    is_part = np.zeros(len(starts), np.bool_)
    is_part[seen] = is_part[seen + 1] = True
    # Of every so many pairs, each stands for as many.
    return min(1.0, float(thin * lengths[is_part].sum() / codes[0].size))


def _at(lab: NDArray[np.float32], places: NDArray[Any]) -> NDArray[np.float32]:
    rows, columns = np.divmod(places, lab.shape[2])
    return lab[:, rows, columns].T
