"""Light and dark on a canvas: mixing, lighting, blurring."""

from __future__ import annotations

import numpy as np

from platemark.imaging.made.canvas import Canvas, Plane
from platemark.imaging.made.noise import refine


def ease(edge_low: float, edge_high: float, value: Plane) -> Plane:
    """Return 0 below `edge_low`, 1 above `edge_high`, and a smooth step between."""
    t = np.clip((value - edge_low) / (edge_high - edge_low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), dtype=np.float32)


def mix_in(canvas: Canvas, colour: Canvas, share: Plane) -> None:
    """Lay a colour over a canvas in place, by a share 0 … 1 for each pixel."""
    for channel in range(3):
        layer = canvas[..., channel]
        layer += (colour[..., channel] - layer) * share


_GREY: Canvas = np.ones(3, dtype=np.float32)
"""The colour that changes nothing."""


def lit_by(*lights: tuple[Plane, Canvas]) -> Canvas:
    """Return the sum of lights, each a strength for each pixel and one colour.

    Channel by channel: numpy is several times slower where the innermost axis has length 3.
    """
    shape = np.broadcast_shapes(*(strength.shape for strength, _ in lights))
    canvas = np.empty((*shape, 3), dtype=np.float32)
    for channel in range(3):
        total = lights[0][0] * lights[0][1][channel]
        for strength, colour in lights[1:]:
            total = total + strength * colour[channel]
        canvas[..., channel] = total
    return canvas


def dim(canvas: Canvas, share: Plane, colour: Canvas = _GREY) -> None:
    """Multiply a canvas, in place, by a share for each pixel and a colour."""
    for channel in range(3):
        canvas[..., channel] *= share * colour[channel]


def brighten(canvas: Canvas, strength: Plane, colour: Canvas = _GREY) -> None:
    """Add light of one colour to a canvas, in place."""
    for channel in range(3):
        canvas[..., channel] += strength * colour[channel]


def blurred(plane: Plane, radius: float) -> Plane:
    """Return the plane, blurred to about `radius` px, by way of a smaller copy.

    A mean over blocks followed by B-spline subdivision is close to a Gaussian and costs little
    more than one pass over the plane whatever the radius is.
    """
    halvings = max(0, round(np.log2(max(radius, 1.0))))
    block = 2**halvings
    rows, columns = (-(-n // block) for n in plane.shape)
    padding = [(0, block * n - m) for n, m in zip((rows, columns), plane.shape, strict=True)]
    padded = np.pad(plane, padding, mode="edge")
    small = padded.reshape(rows, block, columns, block).mean(axis=(1, 3), dtype=np.float32)
    small = np.pad(small, 3, mode="edge")
    lead = 3.0
    for _ in range(halvings):
        small = refine(refine(small, 0), 1)
        lead = (lead - 1) * 2
    # Block means belong to block centres, half a block on from their first pixel.
    at = int(lead - (block - 1) / 2)
    same_size: Plane = small[at : at + plane.shape[0], at : at + plane.shape[1]]
    return same_size


def enlarge(plane: Plane, shape: tuple[int, int]) -> Plane:
    """Return a plane at four times its size, smoothly, cut or continued to `shape`."""
    for _ in range(2):
        plane = refine(refine(np.pad(plane, 2, mode="edge"), 0), 1)[1:-1, 1:-1]
    rows, columns = (max(0, n - m) for n, m in zip(shape, plane.shape, strict=True))
    return np.pad(plane, ((0, rows), (0, columns)), mode="edge")[: shape[0], : shape[1]]


def draw_lamp(canvas: Canvas, place: tuple[float, float], radius: float, light: Canvas) -> None:
    """Add a small disc of light, in place; radius in px, which may be less than one."""
    x, y = place
    reach = int(radius * 2 + 2)
    top, left = max(0, int(y) - reach), max(0, int(x) - reach)
    patch = canvas[top : int(y) + reach + 1, left : int(x) + reach + 1]
    rows = np.arange(top, top + patch.shape[0], dtype=np.float32)[:, None] + 0.5 - y
    columns = np.arange(left, left + patch.shape[1], dtype=np.float32)[None, :] + 0.5 - x
    patch += np.exp(-(rows**2 + columns**2) / max(radius, 0.6) ** 2)[..., None].astype(
        np.float32
    ) * (light * np.float32(min(1.0, (radius / 0.6) ** 2)))
