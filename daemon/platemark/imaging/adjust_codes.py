"""Work a tonal adjustment on 16-bit codes, by way of CIE L*a*b* relative to D50 and own white.

Only the difference that the adjustment makes is added to what was there, so a colour that it does
not move keeps its codes. A colour that would leave the source's space keeps its lightness and is
brought towards grey until it is within. So white and black move only where the curve's ends do.

A profile of curves and a matrix is worked out here by tables, as `to_lab` does; any other goes
through LittleCMS and back.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Protocol

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from platemark.imaging.convert import LAB_PROFILE, UNTABLED, transform
from platemark.imaging.resample import LightTables, light_tables
from platemark.imaging.source import Profile
from platemark.imaging.steps import PictureFault
from platemark.imaging.to_lab import matrix_of, weighted
from platemark.model.adjusting import Adjustment, Curve, curve_of

Codes = NDArray[np.uint16]
Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]

_TOP: Final = 65535
_TILE_PX: Final = 1 << 14
"""Worked on at once: the planes of a tile stay in a processor's own memory."""
_FADE_L: Final = 15
"""L* over which a shift of a* and b* fades to nothing towards white and black."""

# CIE 1976 L*a*b* (ISO/CIE 11664-4): its f, less 16/116, so that black is 0 and exact in floats.
_SLOPE: Final = 24389 / 27 / 116
_OFFSET: Final = np.float32(16 / 116)
_LINEAR_BELOW: Final = np.float32(6 / 29 - 16 / 116)
_PER_SLOPE: Final = np.float32(1 / _SLOPE)


@dataclass(frozen=True, slots=True)
class Done:
    """What came of some pixels; L* are sums."""

    codes: Codes
    changed: int
    kept_within: int
    before: float
    after: float


class _Way(Protocol):
    """How the pixels of one kind of profile are adjusted."""

    def __call__(self, codes: Codes) -> Done:
        """Adjust pixels, shape (n, bands)."""


class Adjusting:
    """One adjustment for pictures of one source."""

    def __init__(self, source: Profile, adjustment: Adjustment) -> None:
        """Prepare the tables.

        Raises:
            PictureFault: the source is grey, and the adjustment asks for colour.
        """
        self._way = _way(source, adjustment)

    def __call__(self, codes: Codes) -> Codes:
        """Adjust codes, shape (…, bands)."""
        return self.pixels(codes.reshape(-1, codes.shape[-1])).codes.reshape(codes.shape)

    def pixels(self, codes: Codes) -> Done:
        """Adjust pixels, shape (n, bands), a tile at a time."""
        made = np.empty_like(codes)
        changed, within, before, after = 0, 0, 0.0, 0.0
        for first in range(0, len(codes), _TILE_PX):
            tile = codes[first : first + _TILE_PX]
            done = self._way(tile)
            made[first : first + len(tile)] = done.codes
            changed += done.changed
            within += done.kept_within
            before += done.before
            after += done.after
        return Done(made, changed, within, before, after)


def _way(source: Profile, adjustment: Adjustment) -> _Way:
    if source.bands == 1 and adjustment.needs_colour:
        raise PictureFault(
            "A grey picture of one channel has no colour to change; save it as RGB, or settle a "
            "lightness curve alone."
        )
    curve = curve_of(adjustment)
    tables = light_tables(source.parsed)
    if tables is None:
        return _ByEngine(source, adjustment, curve)
    if source.bands == 1:
        return _grey_by_table(tables[0], curve)
    matrix = matrix_of(source)
    if matrix is None:
        return _ByEngine(source, adjustment, curve)
    each = tables * 3 if len(tables) == 1 else tables
    return _ByTables.of(each, matrix, adjustment, curve)


@dataclass(frozen=True, slots=True)
class _GreyByTable:
    """A grey of curves: a code depends on nothing but itself."""

    to: Codes
    before: Floats
    """L* of each code."""
    after: Floats

    def __call__(self, codes: Codes) -> Done:
        made = np.take(self.to, codes)
        return Done(
            made,
            int(np.count_nonzero(made != codes)),
            0,
            float(np.take(self.before, codes).sum(dtype=np.float64)),
            float(np.take(self.after, codes).sum(dtype=np.float64)),
        )


def _grey_by_table(table: LightTables, curve: Curve) -> _GreyByTable:
    light = table.light / table.light[-1]
    before = _lightness(light)
    after = _curved(curve, before)
    made = _codes_of(_light(after) * table.light[-1], table)
    echo = _codes_of(table.light, table)
    # What the table gives back one beside is told apart from what was moved.
    to = np.clip(np.arange(_TOP + 1) + made - echo, 0, _TOP).astype(np.uint16)
    return _GreyByTable(to, before.astype(np.float32), after.astype(np.float32))


def _codes_of(light: Doubles, table: LightTables) -> NDArray[np.int64]:
    root = np.sqrt(np.clip(light, 0, None))
    code = np.minimum(root + table.beyond_root[np.minimum(root, _TOP).astype(np.int64)], _TOP)
    return code.astype(np.int64)


@dataclass(frozen=True, slots=True)
class _ByTables:
    """A profile of three curves and a matrix; tristimulus values are relative to its white."""

    light: tuple[Floats, ...]
    """Light of each code of each channel, 1 at most."""
    beyond_root: tuple[Floats, ...]
    """See `LightTables`, for roots in codes."""
    echo: tuple[NDArray[np.int8] | None, ...]
    """What a code that is not moved comes back beside itself; None where nothing does."""
    to_xyz: Floats
    from_xyz: Floats
    curved: Floats
    """The f of L*a*b*, less 16/116, for each root of a value in 65,535 steps."""
    value: Floats
    """The value that has that f."""
    step: Floats
    """What the curve adds to it, by the root of Y."""
    shift_x: Floats | None
    """What the shift adds to the f of X beyond that of Y, by the root of Y; None for nothing."""
    shift_z: Floats | None
    more_chroma: np.float32
    """What is added of a* and b*, as a share of them."""

    @classmethod
    def of(
        cls, tables: list[LightTables], to_xyz: Doubles, adjustment: Adjustment, curve: Curve
    ) -> _ByTables:
        values = (np.arange(_TOP + 1) / _TOP) ** 2
        before = _lightness(values)
        after = _curved(curve, before)
        weight = fade(after)
        curved = (before / 116).astype(np.float32)
        shift_a, shift_b = float(adjustment.shift_a), float(adjustment.shift_b)
        return cls(
            tuple((table.light / table.light[-1]).astype(np.float32) for table in tables),
            tuple(table.beyond_root.astype(np.float32) for table in tables),
            tuple(_echo(table) for table in tables),
            to_xyz.astype(np.float32),
            np.linalg.inv(to_xyz).astype(np.float32),
            curved,
            _uncurved(curved),
            ((after - before) / 116).astype(np.float32),
            (weight * shift_a / 500).astype(np.float32) if shift_a else None,
            (weight * shift_b / -200).astype(np.float32) if shift_b else None,
            np.float32(float(adjustment.chroma - 1)),
        )

    def __call__(self, codes: Codes) -> Done:
        light = [np.take(table, codes[:, at]) for at, table in enumerate(self.light)]
        roots = [_roots(weighted(row, light)) for row in self.to_xyz]
        x, y, z = (np.take(self.curved, root) for root in roots)
        step = np.take(self.step, roots[1])
        aims = (
            self._moved(x, y, step, roots[1], self.shift_x),
            y + step,
            self._moved(z, y, step, roots[1], self.shift_z),
        )
        aim_y = aims[1]
        change = []
        for aim, root in zip(aims, roots, strict=True):
            change.append(_uncurved(aim) - np.take(self.value, root))
        for at, row in enumerate(self.from_xyz):
            light[at] += weighted(row, change)
        within = _keep_within(light, aim_y)
        made = self._coded(light, codes)
        if self.shift_x is None and self.shift_z is None:
            # Rounding makes no grey coloured.
            grey = (codes[:, 0] == codes[:, 1]) & (codes[:, 1] == codes[:, 2])
            made[grey] = made[grey, 1:2]
        differs = made != codes
        return Done(
            made,
            int(np.count_nonzero(differs[:, 0] | differs[:, 1] | differs[:, 2])),
            within,
            float(y.sum(dtype=np.float64)) * 116,
            float(aim_y.sum(dtype=np.float64)) * 116,
        )

    def _moved(
        self, value: Floats, y: Floats, step: Floats, root: Codes, shift: Floats | None
    ) -> Floats:
        """The f of X or Z that has the wanted a* or b* beside that of Y.

        What is not moved comes out equal to the last bit.
        """
        moved = value + step
        if self.more_chroma:
            away = value - y
            away *= self.more_chroma
            moved += away
        if shift is not None:
            moved += np.take(shift, root)
        return moved

    def _coded(self, light: list[Floats], codes: Codes) -> Codes:
        made = np.empty(codes.shape, np.uint16)
        for at, beyond in enumerate(self.beyond_root):
            root = np.sqrt(light[at])
            root *= np.float32(_TOP)
            # The cast cuts; a half more is in the table.
            root += np.take(beyond, root.astype(np.uint16))
            np.minimum(root, _TOP, out=root)
            echo = self.echo[at]
            if echo is not None:
                root -= np.take(echo, codes[:, at])
                np.clip(root, 0, _TOP, out=root)
            made[:, at] = root
        return made


def _echo(table: LightTables) -> NDArray[np.int8] | None:
    beside = _codes_of(table.light, table) - np.arange(_TOP + 1)
    if not beside.any() or np.abs(beside).max() > 100:
        return None
    return beside.astype(np.int8)


def _keep_within(light: list[Floats], aim_y: Floats) -> int:
    """Bring light of three channels between 0 and 1, in place; gives of how many pixels.

    Towards the grey of the same luminance, which is in every space.
    """
    lowest = np.minimum(np.minimum(light[0], light[1]), light[2])
    highest = np.maximum(np.maximum(light[0], light[1]), light[2])
    rim = np.float32(1e-6)
    places = np.flatnonzero((lowest < -rim) | (highest > 1 + rim))
    if len(places):
        grey = np.clip(_uncurved(np.take(aim_y, places)), 0, 1)
        low, high = np.take(lowest, places), np.take(highest, places)
        share = np.ones_like(grey)
        np.divide(grey, grey - low, out=share, where=low < 0)
        top = np.divide(1 - grey, high - grey, out=np.ones_like(grey), where=high > 1)
        np.minimum(share, top, out=share)
        for plane in light:
            plane[places] = grey + (np.take(plane, places) - grey) * share
    for plane in light:
        np.clip(plane, 0, 1, out=plane)
    return len(places)


def _roots(values: Floats) -> Codes:
    """Roots of values from 0 to 1 in 65,535 steps, rounded; the values are overwritten."""
    np.clip(values, 0, 1, out=values)
    np.sqrt(values, out=values)
    values *= np.float32(_TOP)
    values += np.float32(0.5)
    return values.astype(np.uint16)


def _uncurved(values: Floats) -> Floats:
    """What has an f of `values` + 16/116."""
    upper = np.maximum(values, _LINEAR_BELOW)
    lower = values - upper
    lower *= _PER_SLOPE
    upper += _OFFSET
    cube = upper * upper
    cube *= upper
    cube += lower
    return cube


def _lightness(relative: Doubles) -> Doubles:
    """L* of luminance relative to white, 0 to 1."""
    made: Doubles = np.where(
        relative > 216 / 24389, 116 * np.cbrt(relative) - 16, relative * 24389 / 27
    )
    return made


def _light(lightness: Doubles) -> Doubles:
    """Luminance relative to white of L*, as a share of 1."""
    made: Doubles = np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness * 27 / 24389)
    return made


def _curved(curve: Curve, lightness: Doubles) -> Doubles:
    """What becomes of L* by a curve; see `Curve.at`."""
    x, y, slopes = (np.array(each) for each in (curve.before, curve.after, curve.slopes))
    value = np.clip(lightness, x[0], x[-1])
    left = np.clip(np.searchsorted(x, value, side="right") - 1, 0, len(x) - 2)
    width = x[left + 1] - x[left]
    t = (value - x[left]) / width
    made: Doubles = (
        (1 + 2 * t) * (1 - t) ** 2 * y[left]
        + t * (1 - t) ** 2 * width * slopes[left]
        + t * t * (3 - 2 * t) * y[left + 1]
        + t * t * (t - 1) * width * slopes[left + 1]
    )
    made = np.clip(made, y[left], y[left + 1])
    # A piece that is straight stays so to the last bit.
    straight = np.all(x == y) and np.all(slopes == 1)
    return lightness.copy() if straight else made


def fade(lightness: Doubles) -> Doubles:
    """By how much a shift of a* and b* counts at an L*: not at all at 0 and 100, smoothly."""
    away = np.clip(np.minimum(lightness, 100 - lightness) / _FADE_L, 0, 1)
    made: Doubles = away * away * (3 - 2 * away)
    return made


@dataclass(frozen=True, slots=True)
class _ByEngine:
    """A profile that works by tables of its own: there and back through LittleCMS."""

    source: Profile
    adjustment: Adjustment
    curve: Curve

    def __call__(self, codes: Codes) -> Done:
        before = transform(
            codes, self.source, LAB_PROFILE,
            to="lab", dtype="f4", intent="relative", flags=UNTABLED,
        )  # fmt: skip
        lightness = before[..., 0].astype(np.float64)
        after = _curved(self.curve, lightness)
        weight = fade(after)
        chroma = float(self.adjustment.chroma)
        aim = np.empty_like(before)
        aim[..., 0] = after
        aim[..., 1] = before[..., 1] * chroma + weight * float(self.adjustment.shift_a)
        aim[..., 2] = before[..., 2] * chroma + weight * float(self.adjustment.shift_b)
        moved = codes + (self._coded(aim) - self._coded(before))
        made = np.clip(np.rint(moved), 0, _TOP).astype(np.uint16)
        return Done(
            made,
            int(np.count_nonzero(np.any(made != codes, axis=-1))),
            0,
            float(lightness.sum()),
            float(after.sum()),
        )

    def _coded(self, lab: NDArray[Any]) -> Doubles:
        """Codes of L*a*b* by the profile's own way back."""
        try:
            made: NDArray[Any] = imagecodecs.cms_transform(
                np.ascontiguousarray(lab, np.float32).reshape(1, -1, 3),
                LAB_PROFILE,
                self.source.data,
                colorspace="lab",
                outcolorspace="rgb" if self.source.bands == 3 else "gray",
                outdtype="f4",
                intent=1,
                flags=UNTABLED | int(imagecodecs.CMS.FLAGS.NOCACHE),
            )
        except imagecodecs.CmsError as error:
            raise PictureFault(
                f"The picture's profile {self.source.name} says what its numbers mean, but not "
                "which numbers a colour has, so nothing can be adjusted in it; convert the picture "
                "to Adobe RGB or ROMM RGB and drop it again."
            ) from error
        return made.reshape(-1, self.source.bands).astype(np.float64) * _TOP
