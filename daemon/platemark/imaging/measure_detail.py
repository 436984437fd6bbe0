"""Measures of detail, on tiles at the pixels of the print: bite, fineness, grain, halos."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil
from typing import Final

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.measure_tone import percentiles
from platemark.imaging.overview import Floats

_FINE_CYCLES: Final = 2.0
"""A millimetre."""
_GRAIN_MM: Final = 0.15
_LEAST_VARIANCE: Final = 1e-3
"""Of L*; less than the tables' own steps make."""
_BLOCK_PX, _PART_PX = 16, 4
_SMOOTH_L: Final = 0.6
_SMOOTH_SHARE: Final = 0.5
"""Where the means of a block's parts differ by less than `_SMOOTH_L`, or by less than this share of
the grain itself, as grain alone makes them, nothing but grain is seen."""
_UNCLIPPED: Final = (5, 97)
"""L*; darker and lighter than this, grain is cut off."""
_LEAST_BLOCKS: Final = 8
_HARD_L: Final = 20
_PLAIN_L: Final = 2
_ROOM_L: Final = (8, 92)
"""L*; beside what is darker or lighter, sharpening has no room for a rim."""
_LEAST_EDGES, _MOST_EDGES = 50, 20_000


@dataclass(frozen=True, slots=True)
class DetailFigures:
    """L*, L* a pixel and a share from 0 to 1; see `model.measures.Measures`."""

    gradient_p99: float
    fine: float
    grain: float | None
    halo: float | None


def detail_of(tiles: Floats, pixels_a_mm: float) -> DetailFigures:
    """Measure detail.

    Args:
        tiles: L* at the pixels of the print, shape (tiles, height, width).
        pixels_a_mm: Of the print.
    """
    return DetailFigures(
        percentiles(_steepness(tiles), 99)[0],
        _fine(tiles, pixels_a_mm),
        _grain(tiles, pixels_a_mm),
        _halo(tiles),
    )


def _steepness(tiles: Floats) -> Floats:
    """Length of the gradient by central differences; nothing where there are no neighbours."""
    if min(tiles.shape[1:]) < 3:
        return np.zeros(1, np.float32)
    down = tiles[:, 2:, 1:-1] - tiles[:, :-2, 1:-1]
    across = tiles[:, 1:-1, 2:] - tiles[:, 1:-1, :-2]
    length: Floats = np.sqrt(down * down + across * across) * np.float32(0.5)
    return length


def _fine(tiles: Floats, pixels_a_mm: float) -> float:
    """Share of the variance that is finer than the limit, by windowed Fourier transforms."""
    _, high, wide = tiles.shape
    total = float(np.var(tiles, dtype=np.float64))
    if min(high, wide) < _BLOCK_PX or total < _LEAST_VARIANCE:
        return 0.0
    window = np.outer(_hann(high), _hann(wide)).astype(np.float32)
    plain = tiles - tiles.mean(axis=(1, 2), keepdims=True)
    spectrum = np.fft.rfft2(plain * window)
    power = spectrum.real**2 + spectrum.imag**2
    # Each column but the outer ones stands for itself and its mirror image.
    twice = np.full(power.shape[-1], 2.0)
    twice[0] = 1
    if wide % 2 == 0:
        twice[-1] = 1
    is_fine = _cycles(high, wide, pixels_a_mm) > _FINE_CYCLES
    energy = float((power.mean(axis=0) * twice)[is_fine].sum())
    return min(1.0, float(energy / ((window**2).sum() * tiles[0].size * total)))


def _hann(length: int) -> NDArray[np.float64]:
    return 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(length) + 0.5) / length)


def _cycles(high: int, wide: int, pixels_a_mm: float) -> NDArray[np.float64]:
    """Frequency of each place of a spectrum, cycles a millimetre."""
    down, across = np.fft.fftfreq(high)[:, np.newaxis], np.fft.rfftfreq(wide)
    cycles: NDArray[np.float64] = np.hypot(down, across) * pixels_a_mm
    return cycles


def _grain(tiles: Floats, pixels_a_mm: float) -> float | None:
    _, high, wide = tiles.shape
    margin = ceil(4 * _GRAIN_MM * pixels_a_mm)
    if min(high, wide) < 2 * margin + _BLOCK_PX:
        return None
    cycles = _cycles(high, wide, pixels_a_mm)
    kept = 1 - np.exp(-2 * (np.pi * _GRAIN_MM * cycles) ** 2)
    spectrum = np.fft.rfft2(tiles) * kept.astype(np.float32)
    detail = np.fft.irfft2(spectrum, s=(high, wide)).astype(np.float32, copy=False)
    # What the transform took from the opposite side is cut off.
    inside = np.s_[:, margin : high - margin, margin : wide - margin]
    blocks, fine = _blocks(tiles[inside]), _blocks(detail[inside])
    parts = blocks.reshape(*blocks.shape[:2], -1, _PART_PX, blocks.shape[-1] // _PART_PX, _PART_PX)
    uneven = parts.mean(axis=(3, 5)).std(axis=(2, 3))
    mean = blocks.mean(axis=(2, 3))
    smooth = uneven < np.maximum(_SMOOTH_L, _SMOOTH_SHARE * fine.std(axis=(2, 3)))
    smooth &= (mean > _UNCLIPPED[0]) & (mean < _UNCLIPPED[1])
    if np.count_nonzero(smooth) < _LEAST_BLOCKS:
        return None
    chosen = fine[smooth]
    return 1.4826 * float(np.median(np.abs(chosen - np.median(chosen))))


def _blocks(tiles: Floats) -> Floats:
    """Cut tiles into blocks, shape (tiles, blocks, side, side)."""
    count, down, across = len(tiles), tiles.shape[1] // _BLOCK_PX, tiles.shape[2] // _BLOCK_PX
    whole = tiles[:, : down * _BLOCK_PX, : across * _BLOCK_PX]
    apart = whole.reshape(count, down, _BLOCK_PX, across, _BLOCK_PX).swapaxes(2, 3)
    return np.ascontiguousarray(apart).reshape(count, -1, _BLOCK_PX, _BLOCK_PX)


_BESIDE, _NEAR = 9, 5
"""How far a hard edge is looked at to both sides, px; beyond `_NEAR` it must be plain."""


def _halo(tiles: Floats) -> float | None:
    """Overshoot that one in ten hard edges exceeds; all ways, as rising edges.

    Sharpening leaves a rim on both sides of an edge; a line, a grain of gravel or a letter beside
    it only on one. So the lesser of the two counts, where both had room. Photographs of the
    scikit-image wheel have less than 7 as they are, and 10 to 15 after an unsharp mask of radius 2
    and 150 % (tried).
    """
    turned = tiles.swapaxes(1, 2)
    ways = (tiles, tiles[..., ::-1], turned, turned[..., ::-1])
    found = np.concatenate([_overshoots(np.ascontiguousarray(way)) for way in ways])
    return float(np.percentile(found, 90)) if len(found) >= _LEAST_EDGES else None


def _overshoots(tiles: Floats) -> Floats:
    """Overshoot at each edge that rises along the last axis from one plain area to another."""
    if tiles.shape[-1] < 2 * _BESIDE + 1:
        return np.empty(0, np.float32)
    rise = tiles[..., 2:] - tiles[..., :-2]
    steep = rise[..., _BESIDE - 1 : -(_BESIDE - 1) or None]
    before = rise[..., _BESIDE - 2 : -_BESIDE]
    after = rise[..., _BESIDE : -(_BESIDE - 2) or None]
    row, at = np.divmod(
        np.flatnonzero((steep > _HARD_L) & (steep >= before) & (steep > after)), steep.shape[-1]
    )
    thin = slice(None, None, max(1, len(row) // _MOST_EDGES))
    places = (row * tiles.shape[-1] + at)[thin, np.newaxis] + np.arange(2 * _BESIDE + 1)
    beside = tiles.ravel()[places]
    dark, light = beside[:, : _BESIDE - _NEAR], beside[:, _BESIDE + _NEAR + 1 :]
    is_plain = (np.ptp(dark, axis=1) < _PLAIN_L) & (np.ptp(light, axis=1) < _PLAIN_L)
    dark_l, light_l = dark.mean(axis=1), light.mean(axis=1)
    is_plain &= light_l - dark_l > _HARD_L
    is_plain &= (dark_l > _ROOM_L[0]) & (light_l < _ROOM_L[1])
    above = beside.max(axis=1) - light_l
    below = dark_l - beside.min(axis=1)
    found: Floats = np.minimum(above, below)[is_plain]
    return found
