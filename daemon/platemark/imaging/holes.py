"""Find holes in picture data: whole blocks of a file that were never written.

A copy that reserves its room first, or a disk that lost a block, leaves zeros where the picture
should be. In uncompressed data every decoder takes them for black and says nothing; in a JPEG
they come out as a grey or smeared band, often without an error.

A picture may be truly black, so zeros alone prove nothing. A run counts as a hole when

1. it covers at least one whole 4 KiB block of the file, the unit in which disks and file systems
   lose or reserve room; the file's last block counts with 512 bytes or more;
2. it begins at a block's first byte and ends at a block's last byte, give or take a pixel, or
   goes on to the end of the picture data. A black shape begins at the byte where its pixel
   happens to lie: both ends of one meet borders about once in 250,000 times, the one end of a
   black band along the bottom about once in 500;
3. in uncompressed data, what lies right above its beginning, as far as the run is long and at
   most one row, is not near black: a quarter of its samples or more exceed 1/128 of full scale.
   So the black around a figure, below which it goes on being black, is never a hole. In the
   first row, the pixels to its left are looked at instead.

What this gives up: a hole whose neighbours in the file happen to be black (among them the zeros
that fill up a tile at the picture's edge), and one smaller than 8 KiB that lies on no border.
What it may stop wrongly: a black band right across a picture whose rows coincide with 4 KiB
blocks of the file, which a person can then accept.
"""

from __future__ import annotations

import bisect
import itertools
import operator
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO, Final

from platemark.imaging.tiff_page import PixelRows

BLOCK_BYTES: Final = 4096

_ZEROS: Final = bytes(BLOCK_BYTES)
_LEAST_LAST_BLOCK = 512
"""Bytes of a last block that is looked at; fewer may be zero for many reasons."""

_PIECE_BLOCKS = 16
"""Read at a time: 64 KiB stay in the processor's cache, and larger pieces took four times
as long."""

_MOST_COMPARED = 64 * 1024
_FARTHEST = 1 << 62
_LEAST_SLACK = 8
"""Bytes that may be zero by chance next to a hole, where a pixel is smaller."""


@dataclass(frozen=True, slots=True)
class Hole:
    """A run of zeros that is no part of the picture."""

    offset: int
    """Where it begins in the file."""
    row: int | None
    """Row of the picture, counted from 1; None where compression hides it."""


@dataclass(frozen=True, slots=True)
class PictureData:
    """Where the picture data lie in a file."""

    offsets: Sequence[int]
    """Of each piece, strips and tiles in the page's order."""
    counts: Sequence[int]
    rows: PixelRows | None
    """How uncompressed rows lie in these pieces; None for compressed data."""


@dataclass(frozen=True, slots=True)
class _Run:
    """Aligned blocks of zeros, from `start` to before `end`."""

    start: int
    end: int


def find_hole(stream: BinaryIO, size: int, data: PictureData) -> Hole | None:
    """Return the first hole in the picture data of a file, None where there is none.

    Args:
        stream: The open file, unbuffered or buffered.
        size: Its length in bytes.
        data: Where its picture data lie; pieces outside the file are allowed.
    """
    pieces = _Pieces(data)
    if not pieces.starts:
        return None
    end = min(max(map(operator.add, data.offsets, data.counts)), size)
    slack = max(_LEAST_SLACK, data.rows.pixel_bytes if data.rows else 0)
    for run in _zero_runs(stream, max(pieces.starts[0], 0), end):
        index = pieces.containing(run.start)
        if index is None or not _lies_on_borders(stream, run, end, slack):
            continue
        if data.rows is None:
            return Hole(run.start, None)
        if _follows_content(stream, data.rows, index, run):
            return Hole(run.start, _row_number(data.rows, index, run.start))
    return None


class _Pieces:
    """Finds the strip or tile that a byte belongs to."""

    def __init__(self, data: PictureData) -> None:
        self._data = data
        offsets = data.offsets if data.counts else ()
        ascending = all(itertools.starmap(operator.le, itertools.pairwise(offsets)))
        self._order: Sequence[int] = (
            range(len(offsets))
            if ascending
            else sorted(range(len(offsets)), key=offsets.__getitem__)
        )
        self.starts = offsets if ascending else [offsets[index] for index in self._order]

    def containing(self, offset: int) -> int | None:
        """Return the index of the piece that holds byte `offset`, in the page's order."""
        place = bisect.bisect_right(self.starts, offset) - 1
        if place < 0:
            return None
        index = self._order[place]
        if index >= len(self._data.counts):
            return None
        inside = offset - self._data.offsets[index] < self._data.counts[index]
        return index if inside else None


def _zero_runs(stream: BinaryIO, begin: int, end: int) -> Iterator[_Run]:
    """Yield the runs of whole zero blocks between two bytes of the file."""
    start: int | None = None
    expected = 0
    for place, length in _zero_blocks(stream, begin, end):
        if start is not None and place != expected:
            yield _Run(start, expected)
            start = None
        start = place if start is None else start
        expected = place + length
    if start is not None:
        yield _Run(start, expected)


def _zero_blocks(stream: BinaryIO, begin: int, end: int) -> Iterator[tuple[int, int]]:
    """Yield where each zero block begins, and its length: less than a block at the end only."""
    buffer = bytearray(_PIECE_BLOCKS * BLOCK_BYTES)
    offset = begin // BLOCK_BYTES * BLOCK_BYTES
    while offset < end:
        stream.seek(offset)
        got = stream.readinto(buffer)  # type: ignore[attr-defined]  # BinaryIO leaves it out
        # The first byte of every block, picked out at once, rules out almost all of them.
        firsts = bytes(buffer[:got:BLOCK_BYTES])
        index = firsts.find(0)
        while index >= 0:
            place = index * BLOCK_BYTES
            length = min(BLOCK_BYTES, got - place)
            if length >= _LEAST_LAST_BLOCK and buffer.startswith(_ZEROS[:length], place):
                yield offset + place, length
            index = firsts.find(0, index + 1)
        if got < len(buffer):
            break
        offset += got


def _lies_on_borders(stream: BinaryIO, run: _Run, data_end: int, slack: int) -> bool:
    """Tell whether a run begins and ends on block borders, or goes on to the data's end."""
    if not any(_read(stream, max(run.start - slack, 0), min(slack, run.start))):
        return False
    if run.end + slack >= data_end or any(_read(stream, run.end, slack)):
        return True
    rest = data_end - run.end
    return rest < BLOCK_BYTES and not any(_read(stream, run.end, rest))


def _follows_content(stream: BinaryIO, rows: PixelRows, index: int, run: _Run) -> bool:
    """Tell whether the picture is not near black right above where a run begins."""
    place = _place_above(rows, index, run.start)
    if place is None:
        return False
    start, length = place
    wanted = min(length, run.end - run.start, _MOST_COMPARED)
    seen = _read(stream, start, wanted)[rows.high_byte :: rows.sample_bytes]
    dark = seen.count(0) + seen.count(1)
    return len(seen) > 0 and (len(seen) - dark) * 4 >= len(seen)


def _place_above(rows: PixelRows, index: int, offset: int) -> tuple[int, int] | None:
    """Return where what lies above a sample begins, and for how many bytes that holds."""
    start = rows.offsets[index]
    inside = (offset - start) // rows.sample_bytes * rows.sample_bytes
    if inside >= rows.row_bytes:
        return start + inside - rows.row_bytes, rows.row_bytes
    if index % rows.plane_blocks < rows.across:
        return (start, inside) if inside else None
    above = index - rows.across
    if rows.across == 1 and rows.offsets[above] + rows.counts[above] == start:
        return start + inside - rows.row_bytes, rows.row_bytes
    last_row = rows.offsets[above] + (rows.block_rows - 1) * rows.row_bytes
    return last_row + inside, rows.row_bytes - inside


def _row_number(rows: PixelRows, index: int, offset: int) -> int:
    inside = (offset - rows.offsets[index]) // rows.row_bytes
    return index % rows.plane_blocks // rows.across * rows.block_rows + inside + 1


def _read(stream: BinaryIO, offset: int, length: int) -> bytes:
    if not 0 <= offset < _FARTHEST:
        return b""
    stream.seek(offset)
    return stream.read(max(length, 0))
