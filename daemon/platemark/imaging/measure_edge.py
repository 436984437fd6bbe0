"""Measures of the picture's edge: is it busy, and do lines run over it."""

from __future__ import annotations

from math import ceil, cos, radians, sin
from typing import Final

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.overview import Floats, Overview

Mask = NDArray[np.bool_]

_BESIDE_MM: Final = 12.0
_CALM: Final = 1e-4
"""A mean energy of less is that of a picture without detail."""
_LINE_MM: Final = 50.0
_LARGEST_ANGLE, _ANGLE_STEP = 75, 3
_LINE_PX_MM: Final = 1.0
_STEEP: Final = 2.0
"""L* a pixel, by central differences on pixels of about a millimetre."""
_SQUARE: Final = 0.94
"""Cosine of the largest angle between a line's normal and the gradient along it: 20°."""
_COVERED: Final = 0.9
_BESIDE_PX: Final = 3
"""So far beside a ray the middle of its edge is looked for."""
_BOW_PX, _WAVER_PX = 1.2, 0.6
"""By how much a line may bow over its 50 mm, and waver, on pixels of about a millimetre: so much of
a bow has a radius of a quarter of a metre."""
_AT_ONCE: Final = 4096
"""Rays, so that memory does not grow with a picture's width."""
_APART_MM: Final = 4.0
"""Lines that reach an edge closer together count as one."""


def busy_edge(overview: Overview, around_mm: float) -> float:
    """Energy of the gradient in the outer band, as a multiple of its mean over the picture."""
    lightness = overview.lightness
    high, wide = lightness.shape
    energy = np.zeros((high, wide), np.float32)
    energy[:-1] += np.square(lightness[1:] - lightness[:-1])
    energy[:, :-1] += np.square(lightness[:, 1:] - lightness[:, :-1])
    down, across = (ceil((around_mm + _BESIDE_MM) / mm) for mm in overview.mm)
    total = float(energy.sum(dtype=np.float64))
    if total < _CALM * energy.size:
        return 0.0
    middle = energy[down : max(down, high - down), across : max(across, wide - across)]
    outer = (total - float(middle.sum(dtype=np.float64))) / (energy.size - middle.size)
    return outer / (total / energy.size)


def edge_lines(overview: Overview) -> int:
    """Count long straight lines that reach the edge of the face.

    From each point of an edge, rays go inward every three degrees. A ray is a line where nearly
    all of its first 50 mm lies on a steep gradient that stands square to the ray and rises to the
    same side of it: a search for straight lines (Hough 1962; Duda and Hart 1972) that begins at the
    edge. Texture fails by its gaps and its changing sides, soft changes by their slope, curves by
    their direction, and wide arcs by the parabola that fits the middle of their edge.
    """
    face, (down_mm, across_mm) = overview.face, overview.mm
    part = overview.lightness[face.top : face.top + face.height, face.left : face.left + face.width]
    steps = [max(1, round(_LINE_PX_MM / mm)) for mm in (down_mm, across_mm)]
    small = _means(part, *steps)
    mm = (down_mm * steps[0] + across_mm * steps[1]) / 2
    depth = ceil(_LINE_MM / mm) + 1
    views = (small, small[::-1], small.T, small.T[::-1])
    return sum(_lines_from_top(view[: depth + 1], mm) for view in views)


def _means(plane: Floats, down: int, across: int) -> Floats:
    high, wide = plane.shape[0] // down, plane.shape[1] // across
    whole = plane[: high * down, : wide * across].reshape(high, down, wide, across)
    result: Floats = whole.mean(axis=(1, 3))
    return result


def _lines_from_top(band: Floats, mm: float) -> int:
    if min(band.shape) < 3:
        return 0
    soft = _softened(_softened(band).T).T
    down = np.gradient(soft, axis=0)
    across = np.gradient(soft, axis=1)
    length = np.sqrt(down * down + across * across)
    steep = length > _STEEP
    if not steep.any():
        return 0
    least = np.where(steep, _SQUARE * length, np.inf)
    points = ceil(_LINE_MM / mm)
    reached = np.zeros(band.shape[1], np.bool_)
    for angle in range(-_LARGEST_ANGLE, _LARGEST_ANGLE + 1, _ANGLE_STEP):
        inward, aside = cos(radians(angle)), sin(radians(angle))
        if points * inward > len(band):
            continue
        rise = across * inward - down * aside
        for along in (rise >= least, rise <= -least):
            if np.count_nonzero(along) >= _COVERED * points / 2:
                strength = np.where(along, np.abs(rise), 0).astype(np.float32)
                lying = np.flatnonzero(_rays(along, points, inward, aside))
                for at in range(0, len(lying), _AT_ONCE):
                    few = lying[at : at + _AT_ONCE]
                    reached[few[_are_straight(strength, few, points, inward, aside)]] = True
    return _runs(reached, ceil(_APART_MM / mm))


def _softened(plane: Floats) -> Floats:
    """Each row with half of its neighbours, so that a thin line's gradient has its direction."""
    wide = np.pad(plane, ((1, 1), (0, 0)), mode="edge")
    result: Floats = (wide[:-2] + 2 * wide[1:-1] + wide[2:]) * np.float32(0.25)
    return result


def _rays(along: Mask, points: int, inward: float, aside: float) -> Mask:
    """From which points of the first row a ray of that direction lies on the marks."""
    wide = along.shape[1]
    reach = ceil(abs(aside) * points) + 1
    marks = np.pad(along, ((1, 1), (reach, reach)))
    # A ray may be a pixel beside its line, for its angle is one of few.
    if inward > abs(aside):
        marks[:, 1:-1] |= marks[:, :-2] | marks[:, 2:]
    else:
        marks[1:-1] |= marks[:-2] | marks[2:]
    covered = np.zeros(wide, np.int32)
    for point in range(points):
        left = reach + round(point * aside)
        covered += marks[1 + int(point * inward), left : left + wide]
    lying: Mask = covered >= _COVERED * points
    return lying


def _are_straight(
    strength: Floats, starts: NDArray[np.intp], points: int, inward: float, aside: float
) -> Mask:
    """Which rays lie on an edge whose middle neither bows nor wavers."""
    along = np.arange(points)[:, np.newaxis]
    beside = np.arange(-_BESIDE_PX, _BESIDE_PX + 1)
    rows = np.rint(along * inward - beside * aside).astype(np.intp)
    across = np.rint(along * aside + beside * inward).astype(np.intp)
    # How far each of these pixels truly is from the ray.
    off = across * inward - rows * aside
    columns = starts[:, np.newaxis, np.newaxis] + across
    inside = (rows >= 0) & (rows < strength.shape[0])
    inside = inside & (columns >= 0) & (columns < strength.shape[1])
    found = np.where(inside, strength[np.where(inside, rows, 0), np.where(inside, columns, 0)], 0)
    weight = found.sum(axis=-1)
    middle = (found * off).sum(axis=-1) / np.maximum(weight, 1e-6)
    place = np.linspace(-1, 1, points)
    powers = np.stack([np.ones(points), place, place * place], axis=-1)
    seen = (weight > 0).astype(np.float64)
    sums = np.einsum("np,pi,pj->nij", seen, powers, powers) + 1e-9 * np.eye(3)
    fit = np.linalg.solve(sums, np.einsum("np,np,pi->ni", seen, middle, powers)[..., np.newaxis])
    left = seen * (middle - (powers @ fit)[..., 0])
    wavers = np.sqrt((left**2).sum(axis=1) / np.maximum(seen.sum(axis=1), 1))
    straight: Mask = (np.abs(fit[:, 2, 0]) <= _BOW_PX) & (wavers <= _WAVER_PX)
    return straight


def _runs(marks: Mask, apart: int) -> int:
    places = np.flatnonzero(marks)
    return int(len(places) > 0) + int(np.count_nonzero(np.diff(places) > apart))
