"""What the tags of one TIFF page say of its picture, and where its rows lie (TIFF 6.0)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from platemark.imaging.tiff_tags import Directory, TagDamage, read_blocks

COMPRESSIONS: Final[Mapping[int, str]] = {
    1: "none",
    2: "ccitt",
    3: "ccitt",
    4: "ccitt",
    5: "lzw",
    6: "old-jpeg",
    7: "jpeg",
    8: "deflate",
    32771: "ccitt",
    32773: "packbits",
    32946: "deflate",
    33003: "jpeg-2000",
    33005: "jpeg-2000",
    34712: "jpeg-2000",
    34887: "lerc",
    34925: "lzma",
    50000: "zstd",
    50001: "webp",
    50002: "jpeg-xl",
}
"""Plain names of the values of tag 259."""


@dataclass(frozen=True, slots=True)
class Page:
    """What the tags of one page say of its picture; TIFF's own defaults are filled in."""

    width: int
    height: int
    bits: tuple[int, ...]
    """Bits of each sample, for all samples or once for all of them."""
    sample_formats: tuple[int, ...]
    """1 unsigned, 2 signed, 3 float, 4 unknown, 5 and 6 complex."""
    samples: int
    """Samples of a pixel, extra ones included."""
    extra_samples: tuple[int, ...]
    """0 unspecified (a saved selection), 1 premultiplied alpha, 2 alpha."""
    photometric: int | None
    planar: bool
    """Each channel is stored apart."""
    compression: int
    subfile: int
    """Bits of NewSubfileType: 1 reduced copy, 2 page of several, 4 mask."""
    inks: int
    """InkSet, 1 for CMYK."""


def read_page(directory: Directory) -> Page:
    """Return what a page's tags say.

    Raises:
        TagDamage: It gives no width or height.
    """
    width, height = directory.integer(256, 0), directory.integer(257, 0)
    if width < 1 or height < 1:
        raise TagDamage("the TIFF does not say how wide and high its picture is")
    photometric = directory.integer(262, -1)
    return Page(
        width=width,
        height=height,
        bits=tuple(directory.integers(258, 64)) or (1,),
        sample_formats=tuple(directory.integers(339, 64)) or (1,),
        samples=directory.integer(277, 1),
        extra_samples=tuple(directory.integers(338, 64)),
        photometric=None if photometric < 0 else photometric,
        planar=directory.integer(284, 1) == 2,
        compression=directory.integer(259, 1),
        subfile=_subfile(directory),
        inks=directory.integer(332, 1),
    )


def _subfile(directory: Directory) -> int:
    """Return NewSubfileType, or the old SubfileType (255) in its terms."""
    if 254 in directory.entries:
        return directory.integer(254, 0)
    return 1 if directory.integer(255, 1) == 2 else 0


@dataclass(frozen=True, slots=True)
class PixelRows:
    """Where the rows of an uncompressed page lie in the file."""

    offsets: Sequence[int]
    """Of each strip or tile, in the page's order."""
    counts: Sequence[int]
    block_rows: int
    """Rows of one strip or tile."""
    row_bytes: int
    """Bytes of one row of a strip or tile."""
    across: int
    """Strips or tiles side by side: 1 for strips."""
    plane_blocks: int
    """Strips or tiles of the picture, or of one channel where each is stored apart."""
    pixel_bytes: int
    sample_bytes: int
    high_byte: int
    """Which byte of a sample counts most: 0 for big-endian."""


def read_rows(directory: Directory, page: Page, byte_order: str) -> PixelRows | None:
    """Return where the rows of an uncompressed page lie; None where they cannot be told apart."""
    offsets, counts = read_blocks(directory)
    tiled = 324 in directory.entries
    block_width = directory.integer(322, 0) if tiled else page.width
    block_rows = directory.integer(323, 0) if tiled else directory.integer(278, page.height)
    if page.compression != 1 or block_width < 1 or block_rows < 1:
        return None
    if not offsets or len(offsets) != len(counts):
        return None
    stored = 1 if page.planar else page.samples
    sample_bytes = max(page.bits[0] // 8, 1)
    block_rows = block_rows if tiled else min(block_rows, page.height)
    across = -(-page.width // block_width)
    return PixelRows(
        offsets=offsets,
        counts=counts,
        block_rows=block_rows,
        row_bytes=(block_width * page.bits[0] * stored + 7) // 8,
        across=across,
        plane_blocks=across * -(-page.height // block_rows),
        pixel_bytes=sample_bytes * stored,
        sample_bytes=sample_bytes,
        high_byte=sample_bytes - 1 if byte_order == "<" else 0,
    )
