"""Drawn lines and outlines."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.made.canvas import Plane


def curve_through(points: Sequence[Sequence[float]], count: int) -> NDArray[np.float64]:
    """Return `count` places on a smooth line through points of any number of components."""
    known = np.array([points[0], *points, points[-1]], dtype=np.float64)
    place = np.linspace(0, len(points) - 1 - 1e-9, count)
    whole = place.astype(int)
    t = (place - whole)[:, None]
    a, b, c, d = (known[whole + i] for i in range(4))
    # Catmull–Rom
    return np.asarray(
        b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))
    )


def draw_stroke(mask: Plane, line: NDArray[np.float64], strength: float = 1.0) -> None:
    """Draw a tapering line into a mask 0 … 1, in place, with soft pixel edges.

    Args:
        mask: Coverage so far; the larger coverage wins.
        line: `(x, y, radius)` in px along the line, shape (n, 3).
        strength: Coverage inside the line.
    """
    height, width = mask.shape
    for (x0, y0, r0), (x1, y1, r1) in zip(line[:-1].tolist(), line[1:].tolist(), strict=True):
        reach = max(r0, r1) + 1.5
        left, right = max(0, int(min(x0, x1) - reach)), min(width, int(max(x0, x1) + reach) + 1)
        top, bottom = max(0, int(min(y0, y1) - reach)), min(height, int(max(y0, y1) + reach) + 1)
        if left >= right or top >= bottom:
            continue
        x = np.arange(left, right, dtype=np.float32)[None, :] + np.float32(0.5 - x0)
        y = np.arange(top, bottom, dtype=np.float32)[:, None] + np.float32(0.5 - y0)
        dx, dy = x1 - x0, y1 - y0
        square = 1 / max(dx * dx + dy * dy, 1e-6)
        # This runs some ten thousand times a picture, and np.clip is slow to get going.
        along = np.minimum(np.maximum(x * (dx * square) + y * (dy * square), 0), 1)
        x = x - dx * along
        y = y - dy * along
        radius = r0 + (r1 - r0) * along
        cover = np.minimum(np.maximum(radius + 0.5 - np.sqrt(x * x + y * y), 0), 1)
        # A line thinner than a pixel is drawn as a fainter pixel.
        cover *= np.minimum(0.35 + 1.3 * radius, 1) * strength
        patch = mask[top:bottom, left:right]
        np.maximum(patch, cover, out=patch)
