"""Sharpen the lightness of a face for the surface that it will be printed on.

Detail is a pixel's lightness less that of its surroundings, weighted by a Gaussian. Where it is
more than the threshold it is raised by `amount`, in full from twice the threshold on, and no pixel
is moved by more than the limit. A colour keeps its a* and b*; where one of them would leave the
space, it is moved only as far as the space goes. So white stays white, black stays black, and what
lies below the threshold is not touched at all.

The face is read in strips that know their neighbours' rows, and worked on in small tiles. Strips
do not depend on the number of threads, so neither does the result.
"""

from __future__ import annotations

import functools
import math
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.face_reader import FaceReader
from platemark.imaging.icc import IccProfile
from platemark.imaging.resample import LightTables, light_tables
from platemark.imaging.source import Profile
from platemark.model.plan import Sharpening

Codes = NDArray[np.uint16]
Floats = NDArray[np.float32]

_TOP = 65535
_STRIP_BYTES = 4 << 20
_TILE_ROWS = 64
_TILE_COLUMNS = 1024
_REACH = 3
"""The Gaussian is cut at so many of its standard deviations, where a thousandth is left."""

# CIE 1976 L* (CIE 15, ISO/CIE 11664-4), with its constants as exact rationals.
_LINEAR_BELOW = np.float32(216 / 24389)
_SLOPE = np.float32(24389 / 27 / 116)
_CURVED_BELOW = np.float32(6 / 29)
_THIRD = np.float32(1 / 3)


@dataclass(frozen=True, slots=True)
class Sharpened:
    """What came of it."""

    changed: float
    """Share of the pixels that were changed, 0 to 1."""
    on_lightness: bool
    """Else on the channels as encoded, because the profile does not say what lightness is."""


class _Tones(Protocol):
    """How a kind of pixels says how light it is, and is made lighter."""

    def lightness(self, codes: Codes) -> Floats:
        """Lightness of pixels, 0 to 100; shape (rows, columns, bands) gives (rows, columns)."""

    def moved(self, codes: Codes, change: Floats) -> Codes:
        """Pixels, shape (n, bands), made lighter by (n,)."""


def sharpen_face(
    plain: str, target: str, size: tuple[int, int], source: Profile, how: Sharpening, threads: int
) -> Sharpened:
    """Write a face anew, sharpened.

    Args:
        plain: The face as it is.
        target: The face to write.
        size: Width and height, px.
        source: What its samples mean.
        how: Radius, amount and limits.
        threads: Strips in work at the same time.
    """
    width, height = size
    tones = _tones_of(source.parsed)
    kernel = _gaussian(float(how.radius_px))
    changed = 0
    with FaceReader(plain, width, height, source.bands) as face, Path(target).open("wb") as out:

        def made(top: int, rows: int) -> tuple[Codes, int]:
            return _strip(face, top, rows, tones, kernel, how)

        for strip, count in _in_order(made, height, _strip_rows(width, source.bands), threads):
            out.write(strip.data)
            changed += count
    return Sharpened(changed / (width * height), isinstance(tones, _Lightness))


def _in_order(
    made: Callable[[int, int], tuple[Codes, int]], height: int, rows: int, threads: int
) -> Iterator[tuple[Codes, int]]:
    waiting: deque[Future[tuple[Codes, int]]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        for top in range(0, height, rows):
            waiting.append(pool.submit(made, top, min(rows, height - top)))
            # One is written while the others are worked on.
            if len(waiting) > threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _strip_rows(width: int, bands: int) -> int:
    """Rows of a strip, whole tiles where memory allows."""
    rows = max(1, _STRIP_BYTES // (width * bands * 2))
    return rows if rows < _TILE_ROWS else rows // _TILE_ROWS * _TILE_ROWS


def _strip(
    face: FaceReader, top: int, rows: int, tones: _Tones, kernel: Floats, how: Sharpening
) -> tuple[Codes, int]:
    """Sharpen whole rows; gives them and how many of their pixels changed."""
    reach = len(kernel) - 1
    first, last = max(0, top - reach), min(face.height, top + rows + reach)
    around = face.rows(first, last - first)
    # Beyond the picture lies its outermost pixel again.
    above, below = first - (top - reach), top + rows + reach - last
    around = np.pad(around, ((above, below), (reach, reach), (0, 0)), mode="edge")
    result = around[reach : reach + rows, reach : reach + face.width].copy()
    changed = 0
    for y in range(0, rows, _TILE_ROWS):
        for x in range(0, face.width, _TILE_COLUMNS):
            tile = result[y : y + _TILE_ROWS, x : x + _TILE_COLUMNS]
            down, across = tile.shape[:2]
            changed += _sharpen_tile(
                tile,
                around[y : y + down + 2 * reach, x : x + across + 2 * reach],
                tones,
                kernel,
                how,
            )
    return result, changed


def _sharpen_tile(
    tile: Codes, around: Codes, tones: _Tones, kernel: Floats, how: Sharpening
) -> int:
    """Sharpen a tile in its place; gives how many of its pixels changed."""
    threshold, limit = np.float32(how.threshold_l), np.float32(how.overshoot_l)
    detail = _detail(tones.lightness(around), kernel).ravel()
    places = np.flatnonzero(np.abs(detail) > threshold)
    if not len(places):
        return 0
    found = np.take(detail, places)
    strength = np.minimum((np.abs(found) - threshold) / threshold, 1)
    change = np.clip(np.float32(how.amount) * strength * found, -limit, limit)
    pixels = tile.reshape(-1, tile.shape[-1])
    before = np.take(pixels, places, axis=0)
    after = tones.moved(before, change)
    pixels[places] = after
    tile[:] = pixels.reshape(tile.shape)
    # The library takes far longer to reduce over so short an axis.
    differs = before != after
    return int(np.count_nonzero(functools.reduce(np.bitwise_or, differs.T)))


def _gaussian(deviation: float) -> Floats:
    """The middle weight of a Gaussian and those to one side of it; all of them sum to 1."""
    reach = math.ceil(_REACH * deviation)
    weights = np.array([math.exp(-0.5 * (at / deviation) ** 2) for at in range(reach + 1)])
    made: Floats = (weights / (2 * weights.sum() - weights[0])).astype(np.float32)
    return made


def _detail(plane: Floats, kernel: Floats) -> Floats:
    """What differs from the surroundings; the result lacks the kernel's reach on every side."""
    reach = len(kernel) - 1
    inside = slice(reach, -reach)
    made: Floats = plane[inside, inside] - _blurred(_blurred(plane, kernel).T, kernel).T
    return made


def _blurred(plane: Floats, kernel: Floats) -> Floats:
    """Blur along the first axis, with equal weights on both sides."""
    reach = len(kernel) - 1
    count = len(plane) - 2 * reach
    total: Floats = plane[reach : reach + count] * kernel[0]
    for at in range(1, reach + 1):
        pair = plane[reach - at : reach - at + count] + plane[reach + at : reach + at + count]
        pair *= kernel[at]
        total += pair
    return total


def _tones_of(profile: IccProfile) -> _Tones:
    tables = light_tables(profile)
    if tables is None:
        return _Encoded()
    if len(profile.curves) == 1:
        return _Lightness.of(tables, np.ones((1, 1)))
    if profile.colorants is None:
        return _Encoded()
    matrix = np.array(profile.colorants).T
    white = matrix.sum(axis=1)
    # L* is that of the luminance, so it must rise with each channel.
    if np.any(white <= 0) or np.any(matrix[1] < 0) or abs(np.linalg.det(matrix)) < _FLAT:
        return _Encoded()
    return _Lightness.of(tables, matrix / white[:, np.newaxis])


_FLAT = 1e-4
"""Colorants that span less volume do not make a space; ROMM RGB's span .29, sRGB's .2."""


@dataclass(frozen=True, slots=True)
class _Encoded:
    """Pixels of a profile that works by tables: the mean of their channels stands for lightness."""

    def lightness(self, codes: Codes) -> Floats:
        total = codes[..., 0].astype(np.float32)
        for band in range(1, codes.shape[-1]):
            total += codes[..., band]
        return total * np.float32(100 / _TOP / codes.shape[-1])

    def moved(self, codes: Codes, change: Floats) -> Codes:
        steps = np.rint(change * np.float32(_TOP / 100)).astype(np.int32)
        steps = np.minimum(steps, _TOP - codes.max(axis=-1).astype(np.int32))
        steps = np.maximum(steps, -codes.min(axis=-1).astype(np.int32))
        made: Codes = (codes + steps[:, np.newaxis]).astype(np.uint16)
        return made


@dataclass(frozen=True, slots=True)
class _Lightness:
    """Pixels of a matrix or grey profile with known curves, by way of CIE L*a*b*.

    Tristimulus values are relative to the space's white, so a grey has the same value in each.
    """

    light: tuple[Floats, ...]
    """Light of each code for each channel, 1 at most."""
    beyond_root: tuple[Floats, ...]
    """See `LightTables`; for roots in codes."""
    to_xyz: Floats
    from_xyz: Floats
    lightness_of_root: Floats
    """L* for each root of luminance in 65,535 steps; they are at most .003 apart."""
    cube_root_of_root: Floats
    """The cube root of what the root is of, in the same steps."""

    @classmethod
    def of(cls, tables: list[LightTables], to_xyz: NDArray[np.float64]) -> _Lightness:
        each = tables * len(to_xyz) if len(tables) == 1 else tables
        luminance = (np.arange(_TOP + 1, dtype=np.float64) / _TOP) ** 2
        linear = luminance * 24389 / 27 / 116 + 16 / 116
        curved = np.where(luminance > 216 / 24389, np.cbrt(luminance), linear)
        return cls(
            tuple((table.light / _TOP**2).astype(np.float32) for table in each),
            tuple(table.beyond_root.astype(np.float32) for table in each),
            to_xyz.astype(np.float32),
            np.linalg.inv(to_xyz).astype(np.float32),
            (116 * curved - 16).astype(np.float32),
            np.cbrt(luminance).astype(np.float32),
        )

    def lightness(self, codes: Codes) -> Floats:
        weights = self.to_xyz[min(1, len(self.to_xyz) - 1)]
        luminance = np.take(self.light[0], codes[..., 0]) * weights[0]
        for band in range(1, codes.shape[-1]):
            luminance += np.take(self.light[band], codes[..., band]) * weights[band]
        return np.take(self.lightness_of_root, _steps_of(luminance))

    def moved(self, codes: Codes, change: Floats) -> Codes:
        light = np.stack([np.take(table, codes[:, at]) for at, table in enumerate(self.light)])
        tops = np.array([table[-1] for table in self.light], np.float32)[:, np.newaxis]
        step = change / np.float32(116)
        aim = self._stepped(light, step)
        outside = np.flatnonzero(functools.reduce(np.bitwise_or, (aim < 0) | (aim > tops)))
        # The way to the rim of the space is nearly straight: twice is enough.
        for _ in range(2):
            if len(outside):
                step[outside] *= _room(light[:, outside], aim[:, outside], tops)
                aim[:, outside] = self._stepped(light[:, outside], step[outside])
        made = self._coded(np.clip(aim, 0, tops))
        if codes.shape[-1] > 1:
            is_neutral = (codes[:, 0] == codes[:, 1]) & (codes[:, 1] == codes[:, 2])
            made[is_neutral] = made[is_neutral, 1:2]
        stuck = outside[step[outside] == 0]
        made[stuck] = codes[stuck]
        return made

    def _stepped(self, light: Floats, step: Floats) -> Floats:
        """Light, shape (bands, n), of the same a* and b* with L* more by 116 steps."""
        seen = _times(self.to_xyz, light)
        return light + _times(self.from_xyz, _uncurved(self._curved(seen) + step) - seen)

    def _curved(self, values: Floats) -> Floats:
        """The f of CIE L*a*b*: a cube root, and below a point the line that touches it there.

        The root is one step of Newton's from a table, so that every processor has the same one.
        """
        upper = np.maximum(values, _LINEAR_BELOW)
        near = np.take(self.cube_root_of_root, _steps_of(upper))
        root = near - (near - upper / (near * near)) * _THIRD
        made: Floats = root + np.minimum(values - _LINEAR_BELOW, 0) * _SLOPE
        return made

    def _coded(self, light: Floats) -> Codes:
        root = np.sqrt(light) * np.float32(_TOP)
        whole = root.astype(np.uint16)
        made = np.empty(light.shape[::-1], np.uint16)
        for at, beyond in enumerate(self.beyond_root):
            # The cast cuts; a half more is in the table.
            made[:, at] = np.minimum(root[at] + np.take(beyond, whole[at]), _TOP)
        return made


def _room(light: Floats, aim: Floats, tops: Floats) -> Floats:
    """What share of the way all channels can go, shape (n,)."""
    way = aim - light
    rim = np.where(way > 0, tops - light, -light)
    share = np.divide(rim, way, out=np.ones_like(way), where=way != 0)
    result: Floats = np.clip(share.min(axis=0), 0, 1)
    return result


def _times(matrix: Floats, planes: Floats) -> Floats:
    """A matrix by columns, always summed in the same order."""
    made = np.empty_like(planes)
    for at, row in enumerate(matrix):
        total = planes[0] * row[0]
        for weight, plane in zip(row[1:], planes[1:], strict=True):
            total += plane * weight
        made[at] = total
    return made


def _uncurved(values: Floats) -> Floats:
    upper = np.maximum(values, _CURVED_BELOW)
    made: Floats = upper * upper * upper + np.minimum(values - _CURVED_BELOW, 0) / _SLOPE
    return made


def _steps_of(values: Floats) -> Codes:
    """Roots of values from 0 to 1 in 65,535 steps, rounded; what is beyond 1 is taken as 1."""
    steps = np.sqrt(np.minimum(values, 1))
    steps *= np.float32(_TOP)
    steps += np.float32(0.5)
    return steps.astype(np.uint16)
