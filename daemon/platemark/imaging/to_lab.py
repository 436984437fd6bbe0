"""From the codes of a source to CIE L*a*b* (ISO/CIE 11664-4), relative to D50 and its own white.

A profile of curves and a matrix is worked out here, by tables, several times as fast as a colour
engine does it; any other goes through LittleCMS.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.convert import LAB_PROFILE, UNTABLED, transform
from platemark.imaging.resample import light_tables
from platemark.imaging.source import Profile

Pixels = NDArray[np.uint16]
Floats = NDArray[np.float32]

_TOP = 65535
_SLOPE = 24389 / 27 / 116
_FLAT = 1e-4
"""Colorants that span less volume do not make a space."""


@dataclass(frozen=True, slots=True)
class _Tables:
    light: tuple[Floats, ...]
    """Light of each code of each channel, 1 at most."""
    to_xyz: Floats
    """To X, Y and Z, each relative to white: a grey has the same value in each."""
    curved: Floats
    """The f of L*a*b* for each root of a value in 65,535 steps; L* is off by at most .0015."""

    def f(self, values: Floats) -> Floats:
        """Say it of values, which are overwritten."""
        # Red of a wide space has a little less than no Z (Display P3, adapted to D50).
        below = np.minimum(values, 0) * np.float32(_SLOPE) if self.to_xyz.min() < 0 else None
        np.clip(values, 0, 1, out=values)
        np.sqrt(values, out=values)
        values *= np.float32(_TOP)
        values += np.float32(0.5)
        curved = np.take(self.curved, values.astype(np.uint16))
        return curved if below is None else curved + below


class LabOf:
    """What the codes of one source mean."""

    def __init__(self, source: Profile) -> None:
        """Prepare the tables of a profile, RGB or grey."""
        self._source = source
        self._tables = _tables(source)

    def __call__(self, codes: Pixels) -> tuple[Floats, Floats, Floats]:
        """Say L*, a* and b* of codes of shape (…, bands), a plane each.

        Of a profile that works by tables of its own, colours outside its L*a*b* are clipped as
        LittleCMS does.
        """
        if self._tables is None:
            lab = transform(
                codes, self._source, LAB_PROFILE,
                to="lab", dtype="f4", intent="relative", flags=UNTABLED,
            )  # fmt: skip
            return lab[..., 0].copy(), lab[..., 1].copy(), lab[..., 2].copy()
        tables = self._tables
        light = [np.take(table, codes[..., at]) for at, table in enumerate(tables.light)]
        x, y, z = (tables.f(weighted(row, light)) for row in tables.to_xyz)
        return (
            y * np.float32(116) - np.float32(16),
            (x - y) * np.float32(500),
            (y - z) * np.float32(200),
        )


def weighted(weights: Floats, planes: list[Floats]) -> Floats:
    """A row of a matrix with planes, always summed in the same order."""
    total: Floats = planes[0] * weights[0]
    for weight, plane in zip(weights[1:], planes[1:], strict=True):
        total += plane * weight
    return total


def _tables(source: Profile) -> _Tables | None:
    tables = light_tables(source.parsed)
    if tables is None:
        return None
    to_xyz = np.ones((3, 1)) if source.bands == 1 else matrix_of(source)
    if to_xyz is None:
        return None
    tables = tables * 3 if source.bands == 3 and len(tables) == 1 else tables
    values = (np.arange(_TOP + 1) / _TOP) ** 2
    curved = np.where(values > 216 / 24389, np.cbrt(values), values * _SLOPE + 16 / 116)
    return _Tables(
        tuple((each.light / each.light[-1]).astype(np.float32) for each in tables),
        to_xyz.astype(np.float32),
        curved.astype(np.float32),
    )


def matrix_of(source: Profile) -> NDArray[np.float64] | None:
    """From linear red, green and blue to X, Y and Z, each relative to white; None for no space."""
    if source.parsed.colorants is None:
        return None
    matrix = np.array(source.parsed.colorants).T
    white = matrix.sum(axis=1)
    if np.any(white <= 0) or abs(np.linalg.det(matrix)) < _FLAT:
        return None
    to_xyz: NDArray[np.float64] = matrix / white[:, np.newaxis]
    return to_xyz
