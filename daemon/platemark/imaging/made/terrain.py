"""Terrain seen in perspective."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.made.canvas import Canvas, Plane
from platemark.imaging.made.noise import sample_map
from platemark.imaging.made.paint import ease


@dataclass(frozen=True, slots=True)
class View:
    """A level camera over a height map whose columns run east and whose rows run away.

    Attributes:
        eye_m: Height of the eye.
        horizon: Place of the horizon as a share of the picture's height, from the top.
        focal: Focal length as a share of the picture's width.
        near_m: Nearest distance.
        far_m: Farthest distance.
    """

    eye_m: float
    horizon: float
    focal: float
    near_m: float
    far_m: float


@dataclass(frozen=True, slots=True)
class _Ground:
    """What the camera sees in each pixel: the ground's place, or sky.

    Attributes:
        away_m: Distance, infinite for sky, shape (height, width).
        ridge: Offset in px of the edge of nearer ground from the pixel's lower border,
            -0.5 … 0.5, or NaN where the pixel below shows the same ground.
    """

    away_m: Plane
    ridge: Plane


def see(view: View, heights: Plane, cell_m: float, width: int, height: int) -> _Ground:
    """Return what each pixel shows of a height map (row 0 at distance 0, middle column ahead).

    Each column of pixels is cut out of the ground as a profile of 1,200 distances; the running
    minimum of their screen rows is the outline that hides what lies behind it.
    """
    slices = 1200
    distance = np.geomspace(view.near_m, view.far_m, slices).astype(np.float32)[:, None]
    focal_px = view.focal * width
    level = view.horizon * height
    away = np.empty((height, width), dtype=np.float32)
    ridge = np.full((height, width), np.nan, dtype=np.float32)
    rows = np.arange(height, dtype=np.float32)[:, None]
    for left in range(0, width, 128):
        across = np.arange(left, min(left + 128, width), dtype=np.float32) + 0.5 - width / 2
        east = across[None, :] * (distance / focal_px)
        (ground,) = sample_map(
            [heights],
            np.broadcast_to(distance / cell_m, east.shape),
            east / cell_m + heights.shape[1] / 2,
        )
        screen = level + focal_px * (view.eye_m - ground) / distance
        outline = np.minimum.accumulate(screen, axis=0)
        columns = np.arange(outline.shape[1])[None, :]
        first = np.clip(np.ceil(outline - 0.5), 0, height).astype(np.int32)
        counts = np.bincount(
            (first * outline.shape[1] + columns).ravel(), minlength=(height + 1) * outline.shape[1]
        ).reshape(height + 1, -1)
        # A slice lies below a pixel when its first row is larger than the pixel's.
        hit = slices - np.cumsum(counts, axis=0)[:height]
        after = np.minimum(hit, slices - 1)
        before = np.maximum(after - 1, 0)
        y_before = outline[before, columns]
        y_after = outline[after, columns]
        share = np.clip((y_before - rows - 0.5) / np.maximum(y_before - y_after, 1e-6), 0, 1)
        found = distance[:, 0][before]
        found += (distance[:, 0][after] - found) * share
        found[hit >= slices] = np.inf
        block = slice(left, left + outline.shape[1])
        away[:, block] = found
        jump = (hit[:-1] - hit[1:] > 6) | ((hit[:-1] >= slices) & (hit[1:] < slices))
        offset = y_before[:-1] - (rows[:-1] + 1)
        ridge[:-1, block] = np.where(jump, np.clip(offset, -0.5, 0.5), np.nan)
    return _Ground(away, ridge)


def project(
    view: View, places: NDArray[np.float64], width: int, height: int
) -> NDArray[np.float64]:
    """Return `(x, y, px per metre)`, shape (n, 3), for `(east, up, away)` in metres."""
    scale = view.focal * width / places[:, 2]
    x = width / 2 + places[:, 0] * scale
    y = view.horizon * height + (view.eye_m - places[:, 1]) * scale
    return np.stack([x, y, scale], axis=-1)


def soften_ridges(canvas: Canvas, ground: _Ground) -> None:
    """Blend, in place, the two pixels that a ridge cuts through, by the share that each shows."""
    row, column = np.nonzero(~np.isnan(ground.ridge))
    offset = ground.ridge[row, column][:, None]
    above = canvas[row, column]
    below = canvas[row + 1, column]
    canvas[row, column] = above + (below - above) * np.maximum(-offset, 0)
    canvas[row + 1, column] = below + (above - below) * np.maximum(offset, 0)


def cast_shadows(heights: Plane, cell_m: float, slope: float, soft_m: float) -> Plane:
    """Return the share of sun, 0 … 1, under a sun in the east (high columns).

    Args:
        heights: Height map in metres.
        cell_m: Distance between its samples.
        slope: Tangent of the sun's height.
        soft_m: Height over which a shadow's edge fades.
    """
    # Seen along the light, a point is in shadow when anything sunward stands higher.
    level = heights - np.arange(heights.shape[1], dtype=np.float32) * (slope * cell_m)
    blocked = np.maximum.accumulate(level[:, ::-1], axis=1)[:, ::-1]
    return 1 - ease(0.0, soft_m, blocked - level)
