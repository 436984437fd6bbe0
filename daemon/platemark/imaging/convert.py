"""From the picture's colours to the output profile's, quickly, and exactly where that must be.

Both ways are LittleCMS. The exact way goes through both profiles for every pixel. The quick way
lets the engine put a single table of colours in their place, with far more nodes than it takes by
itself: with its usual 33 a side, one pixel in a hundred of a photograph is off by .65 to .85
CIEDE2000 in a printer profile; with 81 by .2 to .35, at the same speed. A sample of the picture
itself decides: the quick way is taken where it is within the limits below of the exact one.

The pixel library has a conversion of its own, but it takes no number of nodes, and its silent
fall-back for a profile that it cannot use is sRGB.
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.prepared import Prepared, prepare
from platemark.imaging.source import Profile
from platemark.model.plan import Plan
from platemark.model.terms import Intent

Pixels = NDArray[np.uint16]

P99_LIMIT = 0.5
LARGEST_LIMIT = 2.0
"""Limits on the quick way, CIEDE2000 against the exact one (house rule)."""

SAMPLE_PIXELS = 100_000
_BLOCK_PX = 20
_NODES_A_SIDE = 81

_INTENTS: dict[Intent, int] = {"perceptual": 0, "relative": 1, "saturation": 2, "absolute": 3}
LAB_PROFILE: bytes = imagecodecs.cms_profile("lab4")
UNTABLED = int(imagecodecs.CMS.FLAGS.NOOPTIMIZE)
"""The flag by which every colour goes through both profiles, without a table in between."""
_COLOUR_SPACES = {1: "gray", 3: "rgb"}


@dataclass(frozen=True, slots=True)
class Agreement:
    """How two conversions of the same pixels agree, CIEDE2000."""

    sampled: int
    mean: float
    p99: float
    largest: float

    @property
    def is_within_limits(self) -> bool:
        """Whether the difference is too small to matter."""
        return self.p99 <= P99_LIMIT and self.largest <= LARGEST_LIMIT


@dataclass(frozen=True)
class Conversion:
    """One conversion, from profile to profile, by either path."""

    source: Profile
    output: Profile
    intent: Intent
    black_point_compensation: bool

    @property
    def is_nothing(self) -> bool:
        """Whether the pixels keep their values because both profiles are the same."""
        return self.source.sha256 == self.output.sha256

    def quick(self, pixels: Pixels, *, in_place: bool = False) -> Pixels:
        """Convert pixels, shape (…, bands), through one fine table of colours.

        Args:
            pixels: 16-bit values.
            in_place: Write the result over them, where both sides have as many channels.
        """
        if self.is_nothing:
            return pixels
        fine = self._fine
        if fine is None:
            return self._convert(pixels, _NODES_A_SIDE << 16, in_place=in_place)
        return self._evened(fine(pixels, in_place=in_place))

    def make_ready(self) -> None:
        """Make the fine table now, so that threads find it there."""
        if not self.is_nothing:
            _ = self._fine

    def exact(self, pixels: Pixels, *, in_place: bool = False) -> Pixels:
        """Convert pixels, shape (…, bands), without any table in between."""
        return self._convert(pixels, UNTABLED, in_place=in_place)

    def lab(self, pixels: Pixels) -> NDArray[np.float32]:
        """Say what colours the output profile means, L*a*b*, shape (n, 3)."""
        return transform(
            pixels,
            self.output,
            LAB_PROFILE,
            to="lab",
            dtype="f4",
            intent="relative",
            flags=UNTABLED,
        )

    def agreement(self, one: Pixels, other: Pixels) -> Agreement:
        """Compare two sets of converted pixels, shape (n, bands)."""
        if np.array_equal(one, other):
            return Agreement(len(one), 0.0, 0.0, 0.0)
        difference = delta_e_2000(self.lab(one), self.lab(other))
        return Agreement(
            len(one),
            float(difference.mean()),
            float(np.percentile(difference, 99)),
            float(difference.max()),
        )

    def _convert(self, pixels: Pixels, flags: int, *, in_place: bool) -> Pixels:
        if self.is_nothing:
            return pixels
        converted = transform(
            pixels,
            self.source,
            self.output.data,
            to=_COLOUR_SPACES[self.output.bands],
            dtype="u2",
            intent=self.intent,
            flags=flags | self._compensation,
            out=pixels if in_place and self.source.bands == self.output.bands else None,
        )
        return self._evened(converted)

    def _evened(self, converted: Pixels) -> Pixels:
        if self._keeps_grey:
            converted[..., 0] = converted[..., 2] = converted[..., 1]
        return converted

    @property
    def _compensation(self) -> int:
        flag = int(imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION)
        return flag if self.black_point_compensation else 0

    @cached_property
    def _fine(self) -> Prepared | None:
        flags = _NODES_A_SIDE << 16 | self._compensation | int(imagecodecs.CMS.FLAGS.NOCACHE)
        return prepare(self.source, self.output, _INTENTS[self.intent], flags)

    @cached_property
    def _keeps_grey(self) -> bool:
        """Whether a grey is equal red, green and blue on the other side.

        So it is in each space of a matrix and one curve; the engine's rounding is off by a few
        codes in the dark.
        """
        output = self.output.parsed
        is_even = not output.tables and len(output.curves) == 3 and len(set(output.curves)) == 1
        return self.source.bands == 1 and is_even


def transform(
    pixels: Pixels,
    source: Profile,
    output: bytes,
    *,
    to: str,
    dtype: str,
    intent: Intent,
    flags: int,
    out: Pixels | None = None,
) -> NDArray[Any]:
    """Convert pixels with LittleCMS by way of imagecodecs.

    Args:
        pixels: 16-bit values, shape (…, bands).
        source: What they mean.
        output: Profile to convert to.
        to: Its colour space, as the library names it.
        dtype: NumPy type of the result.
        intent: Rendering intent.
        flags: LittleCMS flags; the third byte is the number of nodes a side of its table.
        out: Array of the result's shape and type to write it to.

    Returns:
        Shape (…, channels of `to`).
    """
    # The library wants rows and columns, and no axis for the one channel of a grey. Its types
    # leave out arrays for `out`.
    flat = np.ascontiguousarray(pixels).reshape(1, -1, source.bands)
    into: Any = None if out is None else out.reshape(flat.shape)
    converted: NDArray[Any] = imagecodecs.cms_transform(
        flat[..., 0] if source.bands == 1 else flat,
        source.data,
        output,
        colorspace=_COLOUR_SPACES[source.bands],
        outcolorspace=to,
        outdtype=dtype,
        intent=_INTENTS[intent],
        flags=flags | int(imagecodecs.CMS.FLAGS.NOCACHE),
        out=into,
    )
    return converted.reshape(*pixels.shape[:-1], -1)


def conversion_of(plan: Plan, source: Profile, output: Profile) -> Conversion:
    """The conversion that a plan asks for."""
    return Conversion(source, output, plan.intent, plan.black_point_compensation)


def path_of(data: bytes) -> str:
    """Give a profile a path, for a library that takes nothing else.

    The file has no name any more where the system can reach it without, so what was hashed is what
    is used, and nothing is left behind.
    """
    handle, path = tempfile.mkstemp(suffix=".icc")
    with os.fdopen(os.dup(handle), "wb") as stream:
        stream.write(data)
    nameless = f"/proc/self/fd/{handle}"
    if not Path(nameless).exists():
        os.close(handle)
        return path
    Path(path).unlink()
    return nameless


@dataclass(frozen=True, slots=True)
class Places:
    """Where pixels lie in a face."""

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]


def sample_places(width: int, height: int, seed: int) -> Places:
    """Choose at least 100,000 pixels of a face, or all of a smaller one, in small blocks.

    Args:
        width: Of the face, px.
        height: Of the face, px.
        seed: The same seed takes the same pixels.
    """
    w, h = min(_BLOCK_PX, width), min(_BLOCK_PX, height)
    across, down = width // w, height // h
    wanted = -(-SAMPLE_PIXELS // (w * h))
    if width * height <= 2 * SAMPLE_PIXELS or wanted >= across * down:
        rows, columns = np.mgrid[0:height, 0:width].astype(np.intp)
        return Places(rows.ravel(), columns.ravel())
    raw = np.random.PCG64(seed).random_raw(across * down)
    # In file order, so that a tile is read once.
    chosen = np.sort(np.argsort(raw, kind="stable")[:wanted])
    y, x = np.mgrid[0:h, 0:w].astype(np.intp)
    tops, lefts = chosen // across * h, chosen % across * w
    return Places(
        (tops[:, np.newaxis] + y.ravel()).ravel(), (lefts[:, np.newaxis] + x.ravel()).ravel()
    )
