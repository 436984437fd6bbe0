"""Folds of a canyon."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.made.canvas import STRIP_ROWS, Canvas, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish, look_up
from platemark.imaging.made.noise import fractal, noise_tile, sample
from platemark.imaging.made.paint import dim

_FOLDS = (
    # Each fold of rock, far to near: side it stands on, distance from the slot's middle,
    # how far it wanders (both as shares of the width), light that reaches it, seed.
    (1, 0.10, 0.10, 0.92, 601),
    (-1, 0.075, 0.09, 0.80, 602),
    (1, 0.17, 0.12, 0.56, 603),
    (-1, 0.19, 0.12, 0.46, 604),
    (1, 0.29, 0.14, 0.34, 605),
    (-1, 0.33, 0.12, 0.26, 606),
    (1, 0.40, 0.12, 0.22, 608),
)


def paint_canyon(width: int, height: int, space: str = "romm") -> Pixels:
    """A slot canyon: folds of banded sandstone, lit from the sky far above."""
    paint = Palette(space)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    middle = 0.53 + 0.13 * fractal((1, height), height * 0.55, 611, gain=0.35, finest=height * 0.1)
    edges = []
    for hand, off, wander, _, seed in _FOLDS:
        path = fractal((1, height), height * 0.36, seed, gain=0.42, finest=height * 0.03)
        edges.append((middle + hand * off + wander * path)[0])
    rock = noise_tile(512, 612, slope=1.9, coarsest=3)
    grit = noise_tile(1024, 613, slope=1.2, coarsest=12)
    bands = fractal((1, 4096), 240, 614, gain=0.72)[0]
    ramp = paint.ramp(
        (0, "#0d0714"),
        (0.16, "#2c1430"),
        (0.34, "#6b2433"),
        (0.52, "#b5472b"),
        (0.70, "#e2802f"),
        (0.86, "#f9bb62"),
        (1, "#ffe9b8"),
    )
    x = ((np.arange(width, dtype=np.float32) + 0.5) / width)[None, :]
    for top in range(0, height, STRIP_ROWS):
        rows = slice(top, min(top + STRIP_ROWS, height))
        y = ((np.arange(rows.start, rows.stop, dtype=np.float32) + 0.5) / height)[:, None]
        fold, inside, shade = _fold_at(x, [edge[rows] for edge in edges])
        light = np.array([1.15] + [f[3] for f in _FOLDS], dtype=np.float32).take(fold)
        side = np.array([0.0] + [f[0] for f in _FOLDS], dtype=np.float32).take(fold)
        number = fold.astype(np.float32)
        swell = sample(rock, y * 46 + number * 57, x * 26 + number * 91 + y * 14 * side)
        curl = np.sqrt(inside + 0.004)
        strata = (
            y * (height / width) + side * 0.10 * x - 0.62 * curl + 0.045 * swell + number * 0.37
        )
        line = bands.take((strata * 560).astype(np.int32) & 4095)
        fine = sample(grit, strata * 1500, curl * 90 + x * 40 + number * 33)
        rim = np.exp(-inside / 0.035)
        # Light pours down: high and deep in the slot it is strong, at one's feet nearly gone.
        pour = 0.40 + 0.62 * np.exp(-y / 0.42) + 0.22 * np.exp(-(((y - 0.93) / 0.09) ** 2))
        lit = light * pour * np.maximum(0.40 + 0.60 * rim + 0.26 * swell, 0.22)
        lit = np.maximum(lit * (1 - 0.72 * shade), 0.008)
        tone = np.sqrt(lit) * (0.98 + 0.085 * line + 0.035 * fine)
        canvas[rows] = look_up(ramp, tone)
        dim(canvas[rows], 0.55 + 0.62 * np.minimum(tone, 1.15))
    for edge in edges:
        _soften_edge(canvas, edge * width)
    return finish(canvas, space, 615, vignette=0.3, contrast=0.25, exposure=1.35, grain=0.006)


def _fold_at(x: Plane, edges: Sequence[Plane]) -> tuple[NDArray[np.int32], Plane, Plane]:
    """Return which fold each pixel shows, how far inside its edge, and how shaded it is there.

    Fold 0 is the back wall; the shade is that of the nearer folds, 0 … 1.

    Args:
        x: Places across as shares of the width, shape (1, width).
        edges: Edge of each fold in each row, far to near.
    """
    shape = (len(edges[0]), x.shape[1])
    fold = np.zeros(shape, dtype=np.int32)
    inside = np.full(shape, 0.12, dtype=np.float32)
    shade = np.zeros(shape, dtype=np.float32)
    for number, ((side, *_), edge) in enumerate(zip(_FOLDS, edges, strict=True), start=1):
        beyond = side * (x - edge[:, None])
        covered = beyond > 0
        # Just outside the edge of a fold, what lies behind it is in its shade.
        near = 1 / (1 + np.square(np.minimum(beyond, 0) / 0.045))
        np.maximum(shade, near, out=shade)
        shade[covered] = 0
        fold[covered] = number
        np.copyto(inside, beyond, where=covered)
    return fold, inside, shade


def _soften_edge(canvas: Canvas, edge: Plane) -> None:
    """Blend, in place, the pixel of each row that an edge at column `edge` (px) cuts through."""
    column = np.floor(edge).astype(np.int32)
    row = np.nonzero((column >= 1) & (column < canvas.shape[1] - 1))[0]
    column = column[row]
    share = (edge[row] - column)[:, None]
    canvas[row, column] = canvas[row, column - 1] * share + canvas[row, column + 1] * (1 - share)
