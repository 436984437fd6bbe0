"""Whether a TIFF's description of its picture agrees with itself and with its data's length.

Decoders are patient: of a tag that they cannot read they take the default, of lengths that cannot
be right they make others, and what comes out is noise without an error. Each of these was found
with files that were spoilt on purpose, some read otherwise by one decoder than by another. Sources:
TIFF 6.0 (types of the tags: section 8; compression: sections 3, 13, 14), its technical note 2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import BinaryIO, Final

from platemark.imaging.tiff_page import Page
from platemark.imaging.tiff_tags import Directory, TagDamage, read_at, read_blocks

_WHOLE_NUMBERS: Final = frozenset({3, 4, 13, 16})
"""Types that the essential tags may have; none is of single bytes, and few readers take one so."""
_ESSENTIAL: Final = frozenset(
    {254, 256, 257, 258, 259, 262, 266, 273, 277, 278, 279, 284, 317, 322, 323, 324, 325, 338, 339}
)
"""Tags that no reader does without, all of them whole numbers without a sign (TIFF 6.0)."""

_PREDICTOR, _FILL_ORDER, _TILE_OFFSETS = 317, 266, 324
_PREDICTED: Final = frozenset({5, 8, 32946})
"""LZW and ZIP, the packings that a predictor goes with (TIFF 6.0, section 14)."""
_LZW, _NONE, _YCBCR = 5, 1, 6
_SUBSAMPLING: Final = 530
_COLOURS: Final = {0: 1, 1: 1, 2: 3, 3: 1, 5: 4, 6: 3, 8: 3, 9: 3}
"""Samples of a colour, by how the picture's samples are to be read (photometric)."""
_SLACK: Final = 4096
"""Bytes that a strip may have too many: some programs fill up."""


@dataclass(frozen=True, slots=True)
class BlockSizes:
    """Bytes that the strips or tiles of a page come to, unpacked."""

    full: int
    last: int
    """Of the last strip of a picture, or of each channel where they are apart; tiles are full."""
    in_plane: int
    """Strips or tiles of the picture, or of one channel where each is apart."""
    planes: int
    width: int
    """Pixels across a strip or tile."""
    rows: int
    """Rows of a full one."""
    last_rows: int

    def needed(self, index: int) -> int:
        """Bytes that the strip or tile of that index must have."""
        return self.last if index % self.in_plane == self.in_plane - 1 else self.full

    @property
    def most(self) -> int:
        """Bytes that none may have more of."""
        return self.full + max(_SLACK, self.full // 8)


def block_sizes(directory: Directory, page: Page) -> BlockSizes | None:
    """Return what the strips or tiles come to; None where samples do not lie side by side."""
    if len(set(page.bits)) > 1:
        return None
    tiled = _TILE_OFFSETS in directory.entries
    width = directory.integer(322, 0) if tiled else page.width
    rows = directory.integer(323, 0) if tiled else directory.integer(278, page.height)
    rows = rows if tiled else min(rows, page.height)
    if width < 1 or rows < 1:
        return None
    row_bytes = (width * page.bits[0] * (1 if page.planar else page.samples) + 7) // 8
    down = -(-page.height // rows)
    left = rows if tiled else page.height - (down - 1) * rows
    across = -(-page.width // width)
    planes = page.samples if page.planar else 1
    full, last = row_bytes * rows, row_bytes * left
    return BlockSizes(full, last, across * down, planes, width, rows, left)


def tag_fault(directory: Directory, page: Page) -> str:
    """Return what is wrong with a page's tags, as a clause; empty where nothing is."""
    for tag in sorted(_ESSENTIAL & (directory.doubtful | directory.entries.keys())):
        if tag in directory.doubtful:
            return f"the TIFF says tag {tag} twice or in no known form; it is damaged"
        if directory.entries[tag].kind not in _WHOLE_NUMBERS:
            return f"the TIFF's tag {tag} is no whole number; it is damaged"
    if len(page.bits) not in (1, page.samples) or len(page.sample_formats) > page.samples:
        return f"the TIFF says that it has {page.samples} channels, and describes {len(page.bits)}"
    colours = 1 if page.photometric is None else _COLOURS.get(page.photometric, 1)
    if colours + len(page.extra_samples) > page.samples:
        return (
            f"the TIFF says that {len(page.extra_samples)} of its {page.samples} channels stand "
            f"beside its colours, which need {colours}"
        )
    subsampling = directory.entries.get(_SUBSAMPLING)
    if subsampling is not None and (subsampling.kind, subsampling.count) != (3, 2):
        return "the TIFF says in no known form how its colours were thinned out; it is damaged"
    predictor = directory.integer(_PREDICTOR, 1)
    if predictor not in (1, 2, 3) or (predictor != 1 and page.compression not in _PREDICTED):
        return "the TIFF says that its samples are differences in a packing that has none"
    order = directory.integer(_FILL_ORDER, 1)
    if order not in (1, 2) or (order == 2 and max(page.bits) >= 8):
        return "the TIFF says that the bits of its samples stand in reverse, which nobody writes"
    return ""


def block_fault(stream: BinaryIO, size: int, directory: Directory, page: Page) -> str:
    """Return what is wrong with the lengths or beginnings of strips or tiles, as a clause.

    Args:
        stream: The open file.
        size: Its length in bytes.
        directory: The page's tags.
        page: What they say.
    """
    sizes = block_sizes(directory, page)
    try:
        offsets, counts = read_blocks(directory)
    except TagDamage as damage:
        return str(damage)
    if sizes is None:
        return ""
    wanted = sizes.in_plane * sizes.planes
    if len(offsets) != wanted or len(counts) not in (0, wanted):
        return f"the TIFF lists {len(offsets):,} pieces, and its picture has {wanted:,}"
    if not counts:
        return ""  # the oldest programs give none
    if page.compression == _NONE and page.photometric != _YCBCR:
        return _uncompressed_fault(sizes, counts)
    if page.compression == _LZW:
        return _lzw_fault(stream, size, offsets)
    return ""


def _uncompressed_fault(sizes: BlockSizes, counts: Sequence[int]) -> str:
    for plane in range(sizes.planes):
        part = counts[plane * sizes.in_plane : (plane + 1) * sizes.in_plane]
        if part[-1] < sizes.last or min(part) < min(sizes.full, part[-1]):
            return "its picture data are shorter than its rows need"
        if max(part) > sizes.most:
            return "its picture data are longer than its rows come to; they may be packed"
    return ""


def _lzw_fault(stream: BinaryIO, size: int, offsets: Sequence[int]) -> str:
    """Each piece begins with the code that clears the table, 256 in nine bits (section 13).

    The old form, its bits from the other end, begins with a zero and an odd byte.
    """
    for offset in offsets:
        first, second = read_at(stream, size, offset, min(2, size - offset), "data").ljust(2, b"\0")
        is_new, is_old = first == 0x80 and second < 0x80, first == 0 and second & 1
        if not is_new and not is_old:
            return f"its picture data at byte {offset:,} are not packed as it says (LZW)"
    return ""
