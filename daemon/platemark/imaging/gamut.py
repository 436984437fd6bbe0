"""The colours that a profile can reach, as a solid in CIELAB: its volume, its sections, its share.

The solid is bounded by what the six faces of the RGB cube become, as fine triangles. That is exact
for devices whose inner colours lie inside their outermost ones, which a printer's RGB driver and
every working space see to. Child processes only: numpy, imagecodecs and Pillow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageChops, ImageDraw

from platemark.imaging.admission import lab_of_device

Floats = NDArray[np.float64]

STEPS = 41
"""Points along an edge of the cube; twice as many move no volume by 0.3 %."""
REACH = 150
"""Largest a* and b*, either side of neutral, of any space that is compared here."""
_PER_UNIT = 2
_SLICE = 2
"""Thickness of a slice in L*, where shares are counted."""


@dataclass(frozen=True, slots=True)
class Solid:
    """A closed surface in CIELAB, relative to its own white."""

    points: Floats
    """Lab, shape (n, 3)."""
    triangles: NDArray[np.intp]
    """Rows of points, shape (m, 3), all turning the same way seen from outside."""


def solid_of(profile: bytes, steps: int = STEPS) -> Solid:
    """Take the surface of the RGB cube through a profile's way from the device, white at L* 100.

    Raises:
        RuntimeError: the engine refuses the profile (`imagecodecs.CmsError`).
    """
    quads = np.concatenate([_face(axis, end, steps) for axis in range(3) for end in (0, steps - 1)])
    triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    used, rows = np.unique(triangles, return_inverse=True)
    nodes = np.stack(np.unravel_index(used, (steps, steps, steps)), axis=-1)
    codes = np.floor(nodes * (65535 / (steps - 1)) + 0.5).astype(np.uint16)
    return Solid(lab_of_device(profile, codes), rows.reshape(-1, 3))


def _face(axis: int, end: int, steps: int) -> NDArray[np.intp]:
    """Cells of one face of the cube as four nodes each, turning outwards; shape (n, 4)."""
    first, second = (axis + 1) % 3, (axis + 2) % 3
    u, v = (each.ravel() for each in np.indices((steps - 1, steps - 1)))
    corners = []
    for du, dv in ((0, 0), (1, 0), (1, 1), (0, 1)):
        node = np.empty((len(u), 3), dtype=np.intp)
        node[:, axis], node[:, first], node[:, second] = end, u + du, v + dv
        corners.append(np.ravel_multi_index(tuple(node.T), (steps, steps, steps)))
    quads = np.stack(corners, axis=-1)
    return quads if end else quads[:, ::-1]


def volume_of(solid: Solid) -> float:
    """Volume in cubic Lab units: signed tetrahedra from one point to every triangle."""
    a, b, c = np.moveaxis(solid.points[solid.triangles] - (50.0, 0.0, 0.0), 1, 0)
    return float(abs(np.sum(a * np.cross(b, c)))) / 6


def section_of(solid: Solid, lightness: float) -> list[Floats]:
    """Cut a solid at one L*: closed outlines of a* and b*, each of shape (n, 2)."""
    above = solid.points[:, 0] > lightness
    corners_above = above[solid.triangles].sum(axis=1)
    crossed = solid.triangles[(corners_above > 0) & (corners_above < 3)]
    places: dict[tuple[int, int], tuple[float, float]] = {}
    beside: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for triangle in crossed.tolist():
        ends = []
        for one, other in ((0, 1), (1, 2), (2, 0)):
            low, high = sorted((triangle[one], triangle[other]))
            if above[low] != above[high]:
                ends.append((low, high))
                places[low, high] = _crossing(solid.points[low], solid.points[high], lightness)
        beside.setdefault(ends[0], []).append(ends[1])
        beside.setdefault(ends[1], []).append(ends[0])
    return [np.array([places[edge] for edge in loop]) for loop in _loops(beside)]


def _crossing(low: Floats, high: Floats, lightness: float) -> tuple[float, float]:
    part = (lightness - low[0]) / (high[0] - low[0])
    a, b = (low + (high - low) * part)[1:].tolist()
    return a, b


def _loops(
    beside: dict[tuple[int, int], list[tuple[int, int]]],
) -> list[list[tuple[int, int]]]:
    """Follow edges from triangle to triangle; every edge of a closed surface has two of them."""
    found, left = [], set(beside)
    while left:
        at = min(left)
        loop = []
        while True:
            loop.append(at)
            left.discard(at)
            after = next((edge for edge in beside[at] if edge in left), None)
            if after is None:
                break
            at = after
        found.append(loop)
    return found


def share_of(solid: Solid, others: tuple[Solid, ...]) -> tuple[float, ...]:
    """How much of each other solid lies inside this one, 0 … 1, counted in slices of L*."""
    shared, whole = np.zeros(len(others)), np.zeros(len(others))
    for lightness in range(_SLICE // 2, 100, _SLICE):
        ours = _mask(solid, lightness)
        for number, other in enumerate(others):
            theirs = _mask(other, lightness)
            whole[number] += _count(theirs)
            shared[number] += _count(ImageChops.logical_and(ours, theirs))
    return tuple((shared / whole).tolist())


def _mask(solid: Solid, lightness: float) -> Image.Image:
    side = 2 * REACH * _PER_UNIT
    whole = Image.new("1", (side, side))
    for outline in section_of(solid, lightness):
        if len(outline) > 2:
            part = Image.new("1", (side, side))
            corners = [tuple(corner) for corner in ((outline + REACH) * _PER_UNIT).tolist()]
            ImageDraw.Draw(part).polygon(corners, fill=1)
            whole = ImageChops.logical_xor(whole, part)
    return whole


def _count(mask: Image.Image) -> int:
    return int(np.count_nonzero(np.asarray(mask)))
