"""One streamed pass over an original: the picture small, and tiles of it as they will be printed.

A strip is decoded while the one before it is reduced, so that two processors have work and memory
holds a few strips, however high the picture. Everything lies as the file has it, not turned: what
is asked of a picture is the same whichever side is up.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from fractions import Fraction
from math import ceil, sqrt
from typing import Any, Final

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.imaging.adjust_codes import Adjusting
from platemark.imaging.from_lab import brought_from_lab
from platemark.imaging.resample import enlarge_picture, reduce_picture
from platemark.imaging.source import Profile, colour_bands, in_16_bit, named_16_bit, stored_box
from platemark.imaging.steps import PictureFault
from platemark.imaging.to_lab import LabOf
from platemark.model.terms import Box
from platemark.model.units import MM_PER
from platemark.model.work import Measuring

Pixels = NDArray[np.uint16]
Floats = NDArray[np.float32]

MOST_PIXELS: Final = 2_000_000
"""Of the small picture."""
TILE_PX: Final = 128
"""Side of a tile at the print's pixels: 11 mm at 300 ppi."""
_TILES_A_SIDE: Final = 8
_RIM_PX: Final = 4
"""What a resampled tile loses on each side: there it knew nothing of its neighbours."""
_IN_HAND: Final = 2
"""Strips that wait to be reduced."""


@dataclass(frozen=True, slots=True)
class Overview:
    """The cropped picture, small."""

    codes: Pixels
    """As encoded, shape (bands, height, width)."""
    lightness: Floats
    """L*, shape (height, width)."""
    a: Floats
    b: Floats
    mm: tuple[float, float]
    """Of a pixel on the print, down and across."""
    face: Box
    """The front face; the rest is folded over or cut off."""
    as_came: Pixels | None = None
    """The codes before a tonal adjustment; None where there is none."""

    @property
    def pixels(self) -> int:
        """How many there are."""
        return int(self.lightness.size)


@dataclass(frozen=True, slots=True)
class Seen:
    """What one pass brought."""

    overview: Overview
    levels: Pixels
    """Codes of the tiles before any resampling, shape (n, bands)."""
    tiles: Floats
    """L* of tiles at the pixels of the print, shape (tiles, height, width)."""
    pixels_a_mm: float
    """Of the tiles."""


@dataclass(slots=True)
class _Pass:
    """How a picture is cut up."""

    picture: pyvips.Image
    before: int
    """By how much the picture is reduced before all else, because the print has fewer pixels."""
    step: int
    """By how much more the small picture is reduced."""
    tile: tuple[int, int]
    """Height and width of a tile before it is resampled, px."""
    rows: int
    """Of a strip."""
    taken: list[Pixels] = field(default_factory=list)

    @property
    def strips(self) -> int:
        return -(-int(self.picture.height) // self.rows)

    def tapped(self) -> dict[int, int]:
        """Strips that tiles are taken from, each with its turn."""
        whole = max(1, int(self.picture.height) // self.rows)
        count = min(_TILES_A_SIDE, whole)
        return {(2 * turn + 1) * whole // (2 * count): turn for turn in range(count)}

    def tap(self, strip: NDArray[Any], turn: int) -> None:
        """Keep tiles of a strip; from turn to turn they stand between the last ones."""
        high, wide = self.tile
        room = strip.shape[1] - wide
        count = max(1, min(_TILES_A_SIDE, strip.shape[1] // wide))
        for at in range(count):
            left = round(room * (at + 0.25 + 0.5 * (turn % 2)) / count)
            self.taken.append(_deep(strip[:high, left : left + wide].copy()))


def look_over(original: pyvips.Image, measuring: Measuring, source: Profile) -> Seen:
    """Decode a picture once.

    Args:
        original: As stored, sequential.
        measuring: Says orientation, crop, and how large the print is.
        source: The picture's profile.

    Raises:
        PictureFault: The picture is not the one that was laid out.
        pyvips.Error: A row cannot be decoded.
    """
    box = stored_box(measuring.crop, measuring.orientation, original.width, original.height)
    if min(box.left, box.top) < 0 or (
        box.left + box.width > original.width or box.top + box.height > original.height
    ):
        raise PictureFault("The layout takes more than the picture has; plan the picture again.")
    picture = original.crop(box.left, box.top, box.width, box.height)
    if measuring.source_profile_from == "lab":
        picture = brought_from_lab(picture, source)
    picture = colour_bands(picture, source)
    # Across and down differ by the rounding of one pixel alone.
    factor = Fraction(measuring.placed.width, measuring.crop.width)
    before = min(max(1, int(1 / factor)), box.width, box.height)
    if before > 1:
        picture = in_16_bit(picture).shrink(before, before, ceil=True)
    rest = factor * before
    plan = _cut_up(picture, before, rest)
    lab_of = LabOf(source)
    adjust = Adjusting(source, measuring.adjust) if measuring.adjust is not None else None
    overview = _overview(plan, _small(plan, lab_of, adjust), measuring)
    taken = np.stack(plan.taken)
    tiles = _printed(taken, rest, source)
    if adjust is not None:
        tiles = adjust(tiles)
    return Seen(
        overview,
        taken.reshape(-1, source.bands),
        lab_of(tiles)[0],
        float(measuring.ppi / MM_PER["in"]),
    )


def _cut_up(picture: pyvips.Image, before: int, rest: Fraction) -> _Pass:
    side = max(1, round(TILE_PX / rest))
    tile = min(side, picture.height), min(side, picture.width)
    step = max(1, ceil(sqrt(picture.width * picture.height / MOST_PIXELS)))
    rows = -(-max(tile[0], TILE_PX) // step) * step
    return _Pass(picture, before, step, tile, rows)


@dataclass(frozen=True, slots=True)
class _Strip:
    """A strip, small."""

    codes: Pixels
    as_came: Pixels | None
    planes: tuple[Floats, ...]


def _small(plan: _Pass, lab_of: LabOf, adjust: Adjusting | None) -> list[_Strip]:
    """Reduce strip after strip in another thread than decodes them."""
    done: list[_Strip] = []
    tapped = plan.tapped()
    with ThreadPoolExecutor(1) as pool:
        under_way: list[Future[Any]] = []
        for number, strip in enumerate(_strips(plan)):
            under_way.append(pool.submit(_reduced, strip, plan.step, lab_of, adjust))
            if number in tapped:
                plan.tap(strip, tapped[number])
            if len(under_way) > _IN_HAND:
                done.append(under_way.pop(0).result())
        done.extend(each.result() for each in under_way)
    return done


def _strips(plan: _Pass) -> Iterator[NDArray[Any]]:
    """Decode strips from the top, shape (rows, width, bands): only so can one stream by hand."""
    picture = plan.picture
    reader = pyvips.Region.new(picture)
    for top in range(0, picture.height, plan.rows):
        high = min(plan.rows, picture.height - top)
        data = reader.fetch(0, top, picture.width, high)
        kind = np.uint8 if picture.format == "uchar" else np.uint16
        yield np.frombuffer(data, kind).reshape(high, picture.width, picture.bands)


def _samples(strip: pyvips.Image) -> NDArray[Any]:
    """What a strip holds, shape (rows, width, bands)."""
    array: NDArray[Any] = strip.numpy()
    return array.reshape(strip.height, strip.width, strip.bands)


def _deep(samples: NDArray[Any]) -> Pixels:
    """Samples as 16 bit: 8-bit values times 257."""
    return samples.astype(np.uint16) * np.uint16(257) if samples.dtype == np.uint8 else samples


def _reduced(strip: NDArray[Any], step: int, lab_of: LabOf, adjust: Adjusting | None) -> _Strip:
    """Means of squares of pixels, smaller ones at the end, as codes of shape (bands, …) and Lab.

    Whole rows are added up, which is twice as fast as the pixel library's own way (measured).
    """
    means = _deep(strip)
    if step > 1:
        sums, high = _sums(strip.reshape(len(strip), -1), step)
        sums, wide = _sums(sums.reshape(len(sums), *strip.shape[1:]).swapaxes(0, 1), step)
        counts = np.outer(high, wide).astype(np.uint32)[..., np.newaxis]
        scale = np.uint32(257 if strip.dtype == np.uint8 else 1)
        means = ((sums.swapaxes(0, 1) * scale + counts // 2) // counts).astype(np.uint16)
    as_came = None
    if adjust is not None:
        as_came, means = _by_bands(means), adjust(np.ascontiguousarray(means))
    codes = _by_bands(means)
    return _Strip(codes, as_came, lab_of(np.moveaxis(codes, 0, -1)))


def _by_bands(samples: Pixels) -> Pixels:
    return np.ascontiguousarray(np.moveaxis(samples, -1, 0))


def _sums(rows: NDArray[Any], step: int) -> tuple[NDArray[np.uint32], NDArray[np.int64]]:
    """Sum so many rows at a time, and say of how many each sum is."""
    whole = len(rows) // step * step
    total = np.zeros((whole // step, *rows.shape[1:]), np.uint32)
    for at in range(step):
        total += rows[at:whole:step]
    counts = np.full(len(total), step)
    if whole < len(rows):
        last = rows[whole:].sum(axis=0, dtype=np.uint32)[np.newaxis]
        total, counts = np.concatenate([total, last]), np.append(counts, len(rows) - whole)
    return total, counts


def _overview(plan: _Pass, strips: list[_Strip], measuring: Measuring) -> Overview:
    lightness, a, b = (np.concatenate([each.planes[at] for each in strips]) for at in range(3))
    came = [each.as_came for each in strips if each.as_came is not None]
    crop, placed = measuring.crop, measuring.placed
    step = plan.before * plan.step
    mm = [
        float(Fraction(step * there, here) * MM_PER["in"] / measuring.ppi)
        for here, there in ((crop.height, placed.height), (crop.width, placed.width))
    ]
    if measuring.orientation >= 5:
        mm.reverse()
    high, wide = lightness.shape
    return Overview(
        np.concatenate([each.codes for each in strips], axis=1), lightness, a, b, (mm[0], mm[1]),
        _small_box(_stored_face(measuring), wide, high),
        np.concatenate(came, axis=1) if came else None,
    )  # fmt: skip


def _stored_face(measuring: Measuring) -> tuple[Fraction, Fraction, Fraction, Fraction]:
    """The face as parts of the cropped picture as stored: left, top, right, bottom."""
    placed, face = measuring.placed, measuring.face_box
    is_turned = measuring.orientation >= 5
    within = Box(face.left - placed.left, face.top - placed.top, face.width, face.height)
    wide, high = (placed.height, placed.width) if is_turned else (placed.width, placed.height)
    box = stored_box(within, measuring.orientation, wide, high)
    return (
        Fraction(box.left, wide), Fraction(box.top, high),
        Fraction(box.left + box.width, wide), Fraction(box.top + box.height, high),
    )  # fmt: skip


def _small_box(parts: tuple[Fraction, ...], wide: int, high: int) -> Box:
    left, right = (min(max(round(parts[at] * wide), 0), wide) for at in (0, 2))
    top, bottom = (min(max(round(parts[at] * high), 0), high) for at in (1, 3))
    left, top = min(left, wide - 1), min(top, high - 1)
    return Box(left, top, max(right - left, 1), max(bottom - top, 1))


def _printed(tiles: Pixels, factor: Fraction, source: Profile) -> Pixels:
    """Resample tiles as the face will be, shape (tiles, height, width, bands)."""
    if factor == 1:
        return tiles
    count, high, wide, bands = tiles.shape
    new_high, new_wide = max(1, round(high * factor)), max(1, round(wide * factor))
    stack = named_16_bit(pyvips.Image.new_from_array(tiles.reshape(count * high, wide, bands)))
    if factor > 1:
        made = enlarge_picture(stack, new_wide, count * new_high)
    else:
        made, _ = reduce_picture(stack, new_wide, count * new_high, source.parsed)
    printed = _samples(made).reshape(count, new_high, new_wide, bands)
    rim = _RIM_PX if min(new_high, new_wide) > 4 * _RIM_PX else 0
    return printed[:, rim : new_high - rim, rim : new_wide - rim]
