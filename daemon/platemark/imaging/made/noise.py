"""Noise in octaves, tiles of it, and how it is looked up."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.made.canvas import Plane


def _lattice(rows: int, columns: int, seed: int) -> Plane:
    """Return random values -1 … 1; a node keeps its value however large the lattice is."""
    row = np.arange(rows, dtype=np.uint32)[:, None] * np.uint32(0x9E3779B1)
    column = np.arange(columns, dtype=np.uint32)[None, :] * np.uint32(0x85EBCA77)
    mixed = (row ^ column) + np.uint32((seed * 0xC2B2AE3D) & 0xFFFFFFFF)
    for shift, factor in ((15, 0x2C1B3C6D), (12, 0x297A2D39), (15, 0x165667B1)):
        mixed ^= mixed >> np.uint32(shift)
        mixed *= np.uint32(factor)
    mixed ^= mixed >> np.uint32(16)
    return mixed.astype(np.float32) * np.float32(2 / 2**32) - np.float32(1)


def _spline(nodes: Plane, places: NDArray[np.floating[Any]]) -> Plane:
    """Return values between the rows of `nodes` by a cubic B-spline; place 0 is the second row.

    Sums of four rows rather than a matrix product, whose last bit depends on the number of
    threads.
    """
    whole = np.floor(places).astype(np.int64)
    t = (places - whole).astype(np.float32)[:, None]
    values = nodes.take(whole, axis=0) * ((1 - t) ** 3 / 6)
    values += nodes.take(whole + 1, axis=0) * ((3 * t**3 - 6 * t**2 + 4) / 6)
    values += nodes.take(whole + 2, axis=0) * ((-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6)
    values += nodes.take(whole + 3, axis=0) * (t**3 / 6)
    return np.asarray(values)


def _octave(
    shape: tuple[int, int],
    count: tuple[int, ...],
    margin: int,
    steps: Sequence[int],
    cells: Sequence[float],
    seed: int,
) -> Plane:
    """Return one scale of smooth noise on a grid of `count` nodes, `steps` px apart."""
    if max(shape[0] / cells[0], shape[1] / cells[1]) < 160:
        # Wide cells keep their true size, so that a scene looks alike at every resolution.
        down, across = (
            (np.arange(n) - margin) * (step / cell) + 8.0
            for n, step, cell in zip(count, steps, cells, strict=True)
        )
        nodes = _lattice(int(down[-1]) + 4, int(across[-1]) + 4, seed)
        return np.ascontiguousarray(_spline(_spline(nodes, down).T, across).T)
    # Narrow ones lie on the grid itself, which is far quicker.
    halvings = [
        min(2, int(np.log2(c / s))) if c > s else 0 for c, s in zip(cells, steps, strict=True)
    ]
    rows, columns = (-(-n // 2**k) + 4 for n, k in zip(count, halvings, strict=True))
    grid = _lattice(rows, columns, seed)
    for axis in (0, 1):
        for _ in range(halvings[axis]):
            grid = refine(grid, axis)
    return grid[: count[0], : count[1]]


def refine(grid: Plane, axis: int) -> Plane:
    """Return the grid at half the spacing, by cubic B-spline subdivision; 2 (n - 2) nodes."""
    g = np.moveaxis(grid, axis, 0)
    shape = (2 * (len(g) - 2), g.shape[1])
    fine = np.empty(shape if axis == 0 else shape[::-1], dtype=np.float32)
    out = np.moveaxis(fine, axis, 0)
    np.add(g[:-2], g[2:], out=out[0::2])
    out[0::2] *= 0.125
    out[0::2] += 0.75 * g[1:-1]
    np.add(g[1:-1], g[2:], out=out[1::2])
    out[1::2] *= 0.5
    return fine


def fractal(
    shape: tuple[int, int],
    cell: float,
    seed: int,
    *,
    gain: float = 0.5,
    stretch: float = 1.0,
    finest: float = 1.0,
) -> Plane:
    """Return noise with detail at every scale, about -1 … 1.

    Args:
        shape: (height, width) in px.
        cell: Height of the coarsest feature in px.
        seed: Seed of the first octave; each octave adds one.
        gain: Amplitude of each octave relative to the one before, which is twice as coarse.
        stretch: Width of a feature relative to its height (wood, cloud, brush: far from 1).
        finest: Detail smaller than this many px is left out.
    """
    margin = 3
    cells = [cell, cell * stretch]
    steps = [2 ** max(0, int(np.floor(np.log2(max(c, 1.0) / 3)))) for c in cells]
    grid = np.zeros(
        [-(-n // s) + 2 * margin for n, s in zip(shape, steps, strict=True)], np.float32
    )
    amplitude = 1.6
    while True:
        if cells[0] >= finest:
            grid += np.float32(amplitude) * _octave(shape, grid.shape, margin, steps, cells, seed)
        if steps == [1, 1] and (max(cells) < 3 or cells[0] / 2 < finest):
            break
        for axis in (0, 1):
            cells[axis] = max(cells[axis] / 2, 1.0)
            if steps[axis] > 1:
                steps[axis] //= 2
                keep = slice(margin - 2, margin - 2 - (-shape[axis] // steps[axis]) + 2 * margin)
                grid = refine(grid, axis)[(keep,) if axis == 0 else (slice(None), keep)]
        seed += 1
        amplitude *= gain
    return np.ascontiguousarray(grid[margin : margin + shape[0], margin : margin + shape[1]])


def noise_tile(size: int, seed: int, *, slope: float = 1.6, coarsest: float = 8.0) -> Plane:
    """Return noise that repeats without a seam, shape (size, size), standard deviation 1.

    Args:
        size: Side in samples, a power of two.
        seed: Seed of the noise.
        slope: Fall of amplitude with frequency; larger is smoother.
        coarsest: Frequency in waves per side below which amplitude no longer grows.
    """
    white = np.random.default_rng(seed).standard_normal((size, size), dtype=np.float32)
    down = np.fft.fftfreq(size, 1 / size)[:, None]
    across = np.fft.rfftfreq(size, 1 / size)[None, :]
    spectrum = np.fft.rfft2(white) * (coarsest**2 + down**2 + across**2) ** (-slope / 2)
    spectrum[0, 0] = 0
    tile = np.fft.irfft2(spectrum, s=(size, size))
    return np.asarray(tile / tile.std(), dtype=np.float32)


def sample(tile: Plane, row: Plane, column: Plane) -> Plane:
    """Return a repeating tile's values between samples (bilinear), at any coordinates."""
    size = tile.shape[0]
    whole_row = np.floor(row)
    whole_column = np.floor(column)
    down = row - whole_row
    across = column - whole_column
    top = (whole_row.astype(np.int32) & (size - 1)) * size
    left = whole_column.astype(np.int32) & (size - 1)
    bottom = top + size
    bottom[bottom == size * size] = 0
    right = (left + 1) & (size - 1)
    above = tile.take(top + left)
    above += (tile.take(top + right) - above) * across
    below = tile.take(bottom + left)
    below += (tile.take(bottom + right) - below) * across
    below -= above
    below *= down
    below += above
    return np.asarray(below)


def sample_map(planes: Sequence[Plane], row: Plane, column: Plane) -> list[Plane]:
    """Return each map's values between samples (bilinear); beyond the edge, the edge's."""
    rows, columns = planes[0].shape
    row = np.clip(row, 0, rows - 1.001)
    column = np.clip(column, 0, columns - 1.001)
    whole_row = row.astype(np.int32)
    whole_column = column.astype(np.int32)
    # An int32 taken from a float32 would make everything after it twice as wide.
    down = row - whole_row.astype(np.float32)
    across = column - whole_column.astype(np.float32)
    corner = whole_row * columns + whole_column
    values = []
    for plane in planes:
        above = plane.take(corner)
        above += (plane.take(corner + 1) - above) * across
        below = plane.take(corner + columns)
        below += (plane.take(corner + columns + 1) - below) * across
        values.append(np.asarray(above + (below - above) * down))
    return values
