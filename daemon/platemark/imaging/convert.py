"""From the picture's colours to the output profile's, quickly, and exactly where that must be.

The fast path is libvips with LittleCMS, which replaces the two profiles by a table of its own
making. The exact path is LittleCMS without that table. A sample of the picture itself decides:
the fast path is taken where it is within the limits below of the exact one.
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
import pyvips
from numpy.typing import NDArray

from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.source import Profile, named_16_bit
from platemark.model.plan import Plan
from platemark.model.surface import Intent

Pixels = NDArray[np.uint16]

P99_LIMIT = 0.5
LARGEST_LIMIT = 2.0
"""Limits on the fast path, CIEDE2000 against the exact one (house rule)."""

SAMPLE_PIXELS = 100_000
_BLOCK_PX = 20
_STRIP_ROWS = 128

_INTENTS: dict[Intent, int] = {"perceptual": 0, "relative": 1, "saturation": 2, "absolute": 3}
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

    def fast(self, image: pyvips.Image) -> pyvips.Image:
        """Convert a 16-bit picture as it streams by."""
        if self.is_nothing:
            return image
        converted = image.icc_transform(
            self._output_path,
            input_profile=self._source_path,
            embedded=False,
            intent=self.intent,
            black_point_compensation=self.black_point_compensation,
            depth=16,
        )
        return named_16_bit(converted)

    def fast_pixels(self, pixels: Pixels) -> Pixels:
        """Convert loose pixels, shape (n, bands), by the fast path."""
        if self.is_nothing:
            return pixels
        image = named_16_bit(pyvips.Image.new_from_array(pixels[np.newaxis]))
        result: Pixels = self.fast(image).numpy().reshape(len(pixels), self.output.bands)
        return result

    def exact(self, pixels: Pixels) -> Pixels:
        """Convert pixels, shape (…, bands), without any table in between."""
        if self.is_nothing:
            return pixels
        flags = imagecodecs.CMS.FLAGS.NOOPTIMIZE | imagecodecs.CMS.FLAGS.NOCACHE
        if self.black_point_compensation:
            flags |= imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION
        return transform(
            pixels,
            self.source,
            self.output.data,
            to=_COLOUR_SPACES[self.output.bands],
            dtype="u2",
            intent=self.intent,
            flags=int(flags),
        )

    def exact_in_strips(self, image: pyvips.Image, scratch: Path) -> pyvips.Image:
        """Convert a whole picture exactly, a strip at a time, by way of a scratch file.

        Args:
            image: 16-bit samples; read once, from top to bottom.
            scratch: File to write the converted samples to; remove it when the print is made.

        Returns:
            The converted picture, read from that file.
        """
        region = pyvips.Region.new(image)
        bands = self.output.bands
        with scratch.open("wb") as stream:
            for top in range(0, image.height, _STRIP_ROWS):
                rows = min(_STRIP_ROWS, image.height - top)
                raw = region.fetch(0, top, image.width, rows)
                strip = np.frombuffer(raw, np.uint16).reshape(rows, image.width, image.bands)
                self.exact(strip).tofile(stream)
        whole = pyvips.Image.rawload(
            str(scratch), image.width, image.height, bands, format="ushort"
        )
        return named_16_bit(whole)

    def lab(self, pixels: Pixels) -> NDArray[np.float32]:
        """Say what colours the output profile means, L*a*b*, shape (n, 3)."""
        return transform(
            pixels,
            self.output,
            self._lab_profile,
            to="lab",
            dtype="f4",
            intent="relative",
            flags=int(imagecodecs.CMS.FLAGS.NOOPTIMIZE),
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

    @cached_property
    def _source_path(self) -> str:
        return path_of(self.source.data)

    @cached_property
    def _output_path(self) -> str:
        return path_of(self.output.data)

    @cached_property
    def _lab_profile(self) -> bytes:
        from PIL import ImageCms

        return bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes())


def transform(
    pixels: Pixels,
    source: Profile,
    output: bytes,
    *,
    to: str,
    dtype: str,
    intent: Intent,
    flags: int,
) -> NDArray[Any]:
    """Convert pixels with LittleCMS by way of imagecodecs.

    Args:
        pixels: 16-bit values, shape (…, bands).
        source: What they mean.
        output: Profile to convert to.
        to: Its colour space, as the library names it.
        dtype: NumPy type of the result.
        intent: Rendering intent.
        flags: LittleCMS flags.

    Returns:
        Shape (…, channels of `to`).
    """
    # The library wants rows and columns, and no axis for the one channel of a grey.
    flat = np.ascontiguousarray(pixels).reshape(-1, 1, source.bands)
    converted: NDArray[Any] = imagecodecs.cms_transform(
        flat[..., 0] if source.bands == 1 else flat,
        source.data,
        output,
        colorspace=_COLOUR_SPACES[source.bands],
        outcolorspace=to,
        outdtype=dtype,
        intent=_INTENTS[intent],
        flags=flags,
    )
    return converted.reshape(*pixels.shape[:-1], -1)


def conversion_of(plan: Plan, source: Profile, output: Profile) -> Conversion:
    """The conversion that a plan asks for."""
    return Conversion(source, output, plan.intent, plan.black_point_compensation)


def path_of(data: bytes) -> str:
    """Give a profile a path, for a library that takes nothing else.

    The path leads to memory where the system can do that, so what was hashed is what is used, and
    nothing is left behind.
    """
    if hasattr(os, "memfd_create"):
        handle = os.memfd_create("profile", 0)
        with os.fdopen(os.dup(handle), "wb") as stream:
            stream.write(data)
        return f"/proc/self/fd/{handle}"
    handle, path = tempfile.mkstemp(suffix=".icc")
    with os.fdopen(handle, "wb") as stream:
        stream.write(data)
    return path


@dataclass(frozen=True, slots=True)
class Sample:
    """Pixels of a face and where they were taken."""

    pixels: Pixels
    """Shape (n, bands)."""
    rows: NDArray[np.intp]
    columns: NDArray[np.intp]


def sample_face(face: pyvips.Image, seed: int) -> Sample:
    """Take at least 100,000 pixels of a face, or all of a smaller one.

    Args:
        face: A picture with random access.
        seed: The same seed takes the same pixels.
    """
    w, h = min(_BLOCK_PX, face.width), min(_BLOCK_PX, face.height)
    across, down = face.width // w, face.height // h
    wanted = -(-SAMPLE_PIXELS // (w * h))
    if face.width * face.height <= 2 * SAMPLE_PIXELS or wanted >= across * down:
        w, h, chosen = face.width, face.height, np.zeros(1, np.int64)
        across = 1
    else:
        raw = np.random.PCG64(seed).random_raw(across * down)
        # In file order, so that a tile is read once.
        chosen = np.sort(np.argsort(raw, kind="stable")[:wanted])
    pixels, rows, columns = [], [], []
    y, x = np.mgrid[0:h, 0:w].astype(np.intp)
    region = pyvips.Region.new(face)
    for cell in chosen:
        top, left = int(cell) // across * h, int(cell) % across * w
        raw_block = region.fetch(left, top, w, h)
        pixels.append(np.frombuffer(raw_block, np.uint16).reshape(-1, face.bands))
        rows.append((y + top).ravel())
        columns.append((x + left).ravel())
    return Sample(np.concatenate(pixels), np.concatenate(rows), np.concatenate(columns))
