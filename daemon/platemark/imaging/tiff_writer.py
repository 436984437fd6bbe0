"""Write a print file's TIFF: one page, RGB, in strips, with what a lab's software looks for.

TIFF 6.0 (Adobe, 1992), with the ICC tag of ICC.1 annex B and the XMP tag of ISO 16684-3; beyond
4 GB the 64-bit form. The bytes depend on nothing but what is given, and strips may be packed in
several threads while memory holds only those in work.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Final, Literal, Self

import imagecodecs
import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.uint16] | NDArray[np.uint8]
Packed = bytes | memoryview
Compression = Literal["none", "lzw", "deflate"]

STRIP_ROWS: Final = 16
"""Rows of each strip; the last may have fewer."""

_CODES: dict[str, int] = {"none": 1, "lzw": 5, "deflate": 8}
_DEFLATE_LEVEL = 6
_SHORT, _LONG, _RATIONAL, _UNDEFINED, _BYTE, _LONG8 = 3, 4, 5, 7, 1, 16
_LARGEST_CLASSIC = 4_000_000_000
_LARGEST_DENOMINATOR = 1_000_000
_Value = tuple[int, int, bytes]
"""A tag's type, its count, and its packed value."""


@dataclass(frozen=True, slots=True)
class TiffForm:
    """What a TIFF file is like, apart from its samples."""

    width: int
    height: int
    bits: Literal[8, 16]
    compression: Compression
    ppi: Fraction
    profile: bytes
    xmp: bytes

    @property
    def row_bytes(self) -> int:
        """Bytes of one row before compression."""
        return self.width * 3 * self.bits // 8


@dataclass(slots=True)
class TiffWriter:
    """Writes strips in order, then the directory; use it in a `with` statement."""

    form: TiffForm
    path: Path
    _stream: BinaryIO = field(init=False)
    _big: bool = field(init=False)
    _offsets: list[int] = field(init=False, default_factory=list)
    _lengths: list[int] = field(init=False, default_factory=list)

    def __post_init__(self) -> None:
        # Incompressible samples grow a little.
        self._big = self.form.row_bytes * self.form.height * 3 // 2 > _LARGEST_CLASSIC
        if self.form.compression == "none":
            self._big = self.form.row_bytes * self.form.height > _LARGEST_CLASSIC

    def __enter__(self) -> Self:
        self._stream = self.path.open("wb")
        self._stream.write(bytes(16 if self._big else 8))
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._stream:
            if kind is None:
                self._finish()

    def add(self, strips: Sequence[Packed]) -> None:
        """Append packed strips, in their order from the top."""
        for strip in strips:
            self._offsets.append(self._stream.tell())
            self._lengths.append(len(strip))
            self._stream.write(strip)

    def _finish(self) -> None:
        wanted = -(-self.form.height // STRIP_ROWS)
        if len(self._offsets) != wanted:
            raise ValueError(f"{len(self._offsets)} strips were written, not {wanted}")
        # A directory begins on a word's boundary, and in the 64-bit form on eight bytes'.
        self._stream.write(bytes(-self._stream.tell() % 8))
        start = self._stream.tell()
        self._stream.write(self._directory(start))
        self._stream.seek(0)
        if self._big:
            self._stream.write(struct.pack("<2sHHHQ", b"II", 43, 8, 0, start))
        else:
            self._stream.write(struct.pack("<2sHI", b"II", 42, start))

    def _directory(self, start: int) -> bytes:
        tags = self._tags()
        inline, entry, count = (8, "<HHQ", "<Q") if self._big else (4, "<HHI", "<H")
        rows = bytearray(struct.pack(count, len(tags)))
        entry_bytes = struct.calcsize(entry) + inline
        beyond = start + len(rows) + len(tags) * entry_bytes + inline
        beyond += -beyond % 8
        first_beyond, tail = beyond, bytearray()
        for number, (kind, length, value) in sorted(tags.items()):
            rows += struct.pack(entry, number, kind, length)
            if len(value) <= inline:
                rows += value.ljust(inline, b"\0")
                continue
            rows += struct.pack("<Q" if self._big else "<I", first_beyond + len(tail))
            tail += value + bytes(-len(value) % 8)
        rows += bytes(inline)  # no further directory
        return bytes(rows).ljust(first_beyond - start, b"\0") + bytes(tail)

    def _tags(self) -> dict[int, _Value]:
        form = self.form
        offsets = self._numbers(self._offsets)
        ratio = form.ppi.limit_denominator(_LARGEST_DENOMINATOR)
        resolution = (_RATIONAL, 1, struct.pack("<II", ratio.numerator, ratio.denominator))
        tags: dict[int, _Value] = {
            256: self._numbers([form.width]),  # ImageWidth
            257: self._numbers([form.height]),  # ImageLength
            258: _shorts(form.bits, form.bits, form.bits),  # BitsPerSample
            259: _shorts(_CODES[form.compression]),  # Compression
            262: _shorts(2),  # PhotometricInterpretation: RGB
            273: offsets,  # StripOffsets
            274: _shorts(1),  # Orientation: upright
            277: _shorts(3),  # SamplesPerPixel
            278: _longs(STRIP_ROWS),  # RowsPerStrip
            279: self._numbers(self._lengths),  # StripByteCounts
            282: resolution,  # XResolution
            283: resolution,  # YResolution
            284: _shorts(1),  # PlanarConfiguration: chunky
            296: _shorts(2),  # ResolutionUnit: inch
        }
        if form.profile:
            tags[34675] = (_UNDEFINED, len(form.profile), form.profile)
        if form.xmp:
            tags[700] = (_BYTE, len(form.xmp), form.xmp)
        return tags

    def _numbers(self, values: Sequence[int]) -> _Value:
        if not self._big:
            return _longs(*values)
        return _LONG8, len(values), struct.pack(f"<{len(values)}Q", *values)


def pack_strips(samples: Samples, compression: Compression) -> list[Packed]:
    """Cut samples into strips and compress them.

    Args:
        samples: Shape (rows, width, 3); all but the last call of a file has whole strips.
        compression: `none`, `lzw` or `deflate`.
    """
    little = samples.astype(samples.dtype.newbyteorder("<"), copy=False)
    cut = [little[top : top + STRIP_ROWS] for top in range(0, len(little), STRIP_ROWS)]
    if compression == "lzw":
        return [bytes(imagecodecs.lzw_encode(part.tobytes())) for part in cut]
    if compression == "deflate":
        return [
            bytes(imagecodecs.deflate_encode(part.tobytes(), level=_DEFLATE_LEVEL)) for part in cut
        ]
    return [np.ascontiguousarray(part).data.cast("B") for part in cut]


def _shorts(*values: int) -> _Value:
    return _SHORT, len(values), struct.pack(f"<{len(values)}H", *values)


def _longs(*values: int) -> _Value:
    return _LONG, len(values), struct.pack(f"<{len(values)}I", *values)
