"""Read the tags of a TIFF file, classic or BigTIFF, without decoding a pixel.

The same form is used by an Exif block, which is a small TIFF of its own, and by the index of a
JPEG that holds several pictures. Sources: TIFF 6.0 (1992) and its technical notes 1 and 2, the
BigTIFF design (offsets of 64 bit, version 43).

Nothing that a file claims is trusted: every read is bounded and lies inside the file, counts are
compared with what there is room for, folders are walked from a list and never by recursion, and
a chain that turns back on itself ends.
"""

from __future__ import annotations

import array
import operator
import struct
import sys
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import BinaryIO, Final

_TYPE_BYTES: Final[Mapping[int, int]] = {
    kind: length
    for length, kinds in {1: (1, 2, 6, 7), 2: (3, 8), 4: (4, 9, 11, 13), 8: (5, 10, 12)}.items()
    for kind in kinds
} | {16: 8, 17: 8, 18: 8}
"""Bytes of one value of each type (TIFF 6.0 section 2; 13 technical note 1; 16 to 18 BigTIFF)."""

_INTEGER_CODES: Final[Mapping[int, str]] = {
    1: "B",
    3: "H",
    4: "I",
    6: "b",
    7: "B",
    8: "h",
    9: "i",
    13: "I",
    16: "Q",
    17: "q",
    18: "Q",
}

_MOST_ENTRIES = 4096
"""Entries of one directory; a real one has some dozens."""

_MOST_DIRECTORIES = 256
_MOST_SUB_DIRECTORIES = 64
_MOST_BLOCKS = 8_000_000
"""Strips or tiles of one page; 600 Mpx in the smallest tiles allowed are 2.4 million."""

_MOST_TEXT = 64 * 1024

EXIF_DIRECTORY = 34665
INTEROPERABILITY_DIRECTORY = 40965
_SUB_DIRECTORIES = 330
_POINTERS = (EXIF_DIRECTORY, INTEROPERABILITY_DIRECTORY, 34853)


class TagDamage(ValueError):
    """A file's own description of itself cannot be read; the text is a clause for a person."""

    def __init__(self, clause: str, *, cut_short: bool = False) -> None:
        super().__init__(clause)
        self.cut_short = cut_short
        """What is missing lies past the end: the file may still be growing."""


def read_at(stream: BinaryIO, size: int, offset: int, length: int, what: str) -> bytes:
    """Return exactly `length` bytes from `offset`.

    Args:
        stream: The open file.
        size: Its length in bytes.
        offset: First byte wanted.
        length: How many; the caller has bounded it.
        what: What lies there, for the message.

    Raises:
        TagDamage: They are not all there.
    """
    if offset < 0 or offset + length > size:
        raise TagDamage(
            f"the file ends at byte {size:,}, but its {what} would lie at byte {offset:,}",
            cut_short=True,
        )
    stream.seek(offset)
    data = stream.read(length)
    if len(data) < length:
        raise TagDamage(f"the file became shorter while its {what} was read", cut_short=True)
    return data


@dataclass(frozen=True, slots=True)
class _Block:
    """A file or an Exif block with its byte order."""

    stream: BinaryIO
    size: int
    order: str
    """`<` or `>`, as struct writes it."""
    big: bool

    def read(self, offset: int, length: int, what: str) -> bytes:
        return read_at(self.stream, self.size, offset, length, what)

    def unpack(self, form: str, data: bytes) -> tuple[int, ...]:
        return struct.unpack(self.order + form, data)


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of a directory."""

    kind: int
    """Type number, 1 to 18."""
    count: int
    offset: int
    """Where its values begin, from the start of the file or block."""

    @property
    def length(self) -> int:
        """Bytes of all values."""
        return _TYPE_BYTES[self.kind] * self.count


@dataclass(frozen=True, slots=True)
class Directory:
    """One directory of tags: of a page, of a reduced copy, of the camera's data."""

    offset: int
    entries: Mapping[int, Entry]
    following: int
    """Where the next directory lies; 0 for none."""
    block: _Block
    doubtful: frozenset[int] = frozenset()
    """Tags that are there twice, or of a type that nobody knows: readers differ over them."""

    def integers(self, tag: int, most: int = 4096) -> Sequence[int]:
        """Return the whole numbers of `tag`, none where it is missing or cannot be read.

        Args:
            tag: Its number.
            most: The largest count that is read at all.
        """
        entry = self.entries.get(tag)
        code = _INTEGER_CODES.get(entry.kind) if entry else None
        if entry is None or code is None or entry.count > most:
            return ()
        values = array.array(code)
        values.frombytes(self._bytes(entry))
        if (self.block.order == "<") != (sys.byteorder == "little"):
            values.byteswap()
        return values

    def integer(self, tag: int, otherwise: int) -> int:
        """Return the first whole number of `tag`, or `otherwise`."""
        entry = self.entries.get(tag)
        code = _INTEGER_CODES.get(entry.kind) if entry else None
        if entry is None or code is None or entry.count < 1:
            return otherwise
        raw = self._bytes(Entry(entry.kind, 1, entry.offset))
        return self.block.unpack(code, raw)[0] if raw else otherwise

    def fraction(self, tag: int) -> Fraction | None:
        """Return the first RATIONAL of `tag`; None where it is missing or divides by zero."""
        entry = self.entries.get(tag)
        if entry is None or entry.kind not in {5, 10} or entry.count < 1:
            return None
        raw = self._bytes(Entry(entry.kind, 1, entry.offset))
        above, below = self.block.unpack("II" if entry.kind == 5 else "ii", raw) if raw else (0, 0)
        return Fraction(above, below) if below else None

    def data(self, tag: int, most: int) -> bytes:
        """Return the bytes of `tag`, at most `most` of them; empty where it is missing."""
        entry = self.entries.get(tag)
        if entry is None:
            return b""
        return self._bytes(entry, most)

    def text(self, tag: int) -> str:
        """Return an ASCII tag, read as UTF-8 where it is that and else as Latin-1."""
        entry = self.entries.get(tag)
        if entry is None or entry.kind not in {1, 2, 7}:
            return ""
        return plain_text(self._bytes(entry, _MOST_TEXT))

    def beyond(self) -> int | None:
        """Return a tag whose values do not all lie inside the file, or None."""
        size = self.block.size
        return next(
            (tag for tag, row in self.entries.items() if row.offset + row.length > size), None
        )

    def below(self, tag: int) -> Directory | None:
        """Return the directory that `tag` points to; None where there is none to be read."""
        offset = self.integer(tag, 0)
        if not offset:
            return None
        try:
            return _read_directory(self.block, offset)
        except TagDamage:
            return None

    def _bytes(self, entry: Entry, most: int = sys.maxsize) -> bytes:
        try:
            return self.block.read(entry.offset, min(entry.length, most), "description")
        except TagDamage:
            return b""


def plain_text(raw: bytes) -> str:
    """Return text up to its first zero byte, without control characters and outer spaces."""
    head = raw.split(b"\0", 1)[0]
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError:
        text = head.decode("latin-1")
    return "".join(c if c.isprintable() else " " for c in text).strip()


@dataclass(frozen=True, slots=True)
class TiffTags:
    """All directories of a TIFF, or why they cannot be read."""

    big: bool
    """BigTIFF."""
    byte_order: str
    """`<` little-endian, `>` big-endian."""
    pages: tuple[Directory, ...]
    """Those of the main chain, reduced copies included, in file order."""
    damage: str
    """Why not all of it is there; empty where it is."""
    cut_short: bool
    """The damage is an early end."""


def read_tiff(stream: BinaryIO, size: int) -> TiffTags:
    """Read every directory of a TIFF and see that all that they point to lies inside the file.

    Args:
        stream: The open file or an Exif block.
        size: Its length in bytes.

    Returns:
        What there is; damage is told in the value and never raised.
    """
    pages: list[Directory] = []
    block = _Block(stream, size, "<", big=False)
    try:
        block, offset = _read_header(stream, size)
        _walk_chain(block, offset, pages)
        _check_extents(pages)
    except TagDamage as damage:
        return TiffTags(block.big, block.order, tuple(pages), str(damage), damage.cut_short)
    return TiffTags(block.big, block.order, tuple(pages), "", cut_short=False)


def _read_header(stream: BinaryIO, size: int) -> tuple[_Block, int]:
    head = read_at(stream, size, 0, 8, "header")
    order = {b"II": "<", b"MM": ">"}.get(head[:2])
    if order is None:
        raise TagDamage("the file does not begin as a TIFF does")
    version, offset = struct.unpack(order + "HI", head[2:])
    if version == 42:
        return _Block(stream, size, order, big=False), offset
    offset_bytes, zero = struct.unpack(order + "HH", head[4:])
    if version != 43 or offset_bytes != 8 or zero:
        raise TagDamage("the file does not begin as a TIFF does")
    raw = read_at(stream, size, 8, 8, "header")
    return _Block(stream, size, order, big=True), struct.unpack(order + "Q", raw)[0]


def _walk_chain(block: _Block, offset: int, pages: list[Directory]) -> None:
    """Append the directories of the main chain to `pages`."""
    seen: set[int] = set()
    if not offset:
        raise TagDamage("the TIFF has no list of contents", cut_short=True)
    while offset:
        if offset in seen:
            raise TagDamage("the TIFF's pages go round in a circle; it is damaged")
        if len(seen) == _MOST_DIRECTORIES:
            raise TagDamage(f"the TIFF has more than {_MOST_DIRECTORIES} pages")
        seen.add(offset)
        page = _read_directory(block, offset)
        if not page.entries:
            raise TagDamage("the TIFF's list of contents is empty", cut_short=True)
        pages.append(page)
        offset = page.following


def _read_directory(block: _Block, offset: int) -> Directory:
    what = "list of contents"
    count_form, row_form, row_bytes = ("Q", "HHQQ", 20) if block.big else ("H", "HHII", 12)
    count_bytes = struct.calcsize(count_form)
    (count,) = block.unpack(count_form, block.read(offset, count_bytes, what))
    if count > _MOST_ENTRIES:
        raise TagDamage(f"the TIFF's list of contents is damaged: it claims {count:,} entries")
    pointer_bytes = 8 if block.big else 4
    start = offset + count_bytes
    table = block.read(start, count * row_bytes + pointer_bytes, what)
    entries: dict[int, Entry] = {}
    doubtful: set[int] = set()
    for row in range(count):
        tag, kind, values, pointer = block.unpack(
            row_form, table[row * row_bytes : (row + 1) * row_bytes]
        )
        if tag in entries:
            doubtful.add(tag)
        if kind not in _TYPE_BYTES:
            doubtful.add(tag)
            continue
        # Values that fit into the pointer's own place stand there.
        inline = _TYPE_BYTES[kind] * values <= pointer_bytes
        place = start + (row + 1) * row_bytes - pointer_bytes if inline else pointer
        entries.setdefault(tag, Entry(kind, values, place))
    (following,) = block.unpack("Q" if block.big else "I", table[-pointer_bytes:])
    return Directory(offset, entries, following, block, frozenset(doubtful))


def _check_extents(pages: Iterable[Directory]) -> None:
    """Raise TagDamage where a page or what hangs on it reaches past the end of the file."""
    waiting = list(pages)
    seen = {page.offset for page in waiting}
    while waiting:
        directory = waiting.pop()
        tag = directory.beyond()
        if tag is not None:
            raise TagDamage(
                f"the file ends at byte {directory.block.size:,}, before all that its list of "
                f"contents names (tag {tag})",
                cut_short=True,
            )
        _check_blocks(directory)
        targets = [directory.integer(tag, 0) for tag in _POINTERS]
        targets += directory.integers(_SUB_DIRECTORIES, _MOST_SUB_DIRECTORIES)
        for offset in targets:
            if offset and offset not in seen and len(seen) < _MOST_DIRECTORIES:
                seen.add(offset)
                waiting += _hanging(directory.block, offset)


def _hanging(block: _Block, offset: int) -> list[Directory]:
    """Return what hangs on a page; nonsense there loses no pixel, an early end is an early end."""
    try:
        return [_read_directory(block, offset)]
    except TagDamage as damage:
        if damage.cut_short:
            raise
        return []


def _check_blocks(directory: Directory) -> None:
    """Raise TagDamage where the directory's strips or tiles are not all in the file."""
    offsets, counts = read_blocks(directory)
    size = directory.block.size
    if not offsets:
        return
    if 0 in offsets:
        raise TagDamage("some rows of the picture were never written", cut_short=True)
    end = max(map(operator.add, offsets, counts)) if counts else max(offsets)
    if end > size or max(offsets) >= size:
        raise TagDamage(
            f"the file ends at byte {size:,}, but its picture data would reach to byte {end:,}",
            cut_short=True,
        )


def read_blocks(directory: Directory) -> tuple[Sequence[int], Sequence[int]]:
    """Return the offsets and the byte counts of a page's strips or tiles.

    Raises:
        TagDamage: There are more than any picture has.
    """
    names = (324, 325) if 324 in directory.entries else (273, 279)
    for tag in names:
        entry = directory.entries.get(tag)
        if entry is not None and entry.count > _MOST_BLOCKS:
            raise TagDamage(f"the TIFF claims to be in {entry.count:,} pieces; it is damaged")
    offsets, counts = (directory.integers(tag, _MOST_BLOCKS) for tag in names)
    return offsets, counts
