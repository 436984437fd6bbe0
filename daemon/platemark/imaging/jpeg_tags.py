"""Read the segments of a JPEG, without decoding a pixel, up to its end-of-image marker.

Sources: ITU-T T.81 (markers, annex B), JFIF 1.02, the chunking of ICC profiles in APP2 (ICC.1,
annex B.4), CIPA DC-007 (several pictures in one file). Reads are bounded; the coded data are
searched for their end in pieces of a fixed size.
"""

from __future__ import annotations

import io
import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import BinaryIO, Final, Literal

from platemark.imaging.tiff_tags import TagDamage, read_at, read_tiff

_EXIF = b"Exif\0\0"
_ICC = b"ICC_PROFILE\0"
_XMP = b"http://ns.adobe.com/xap/1.0/\0"
_SEVERAL = b"MPF\0"
_GAIN_MAP_SIGNS: Final = (b"hdr-gain-map", b"iso:ts:21496")

_FRAMES: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_PROGRESSIVE: Final = frozenset({0xC2, 0xC6, 0xCA, 0xCE})
_LOSSLESS: Final = frozenset({0xC3, 0xC7, 0xCB, 0xCF})
_STANDALONE: Final = frozenset({0x01, *range(0xD0, 0xD9)})
_TABLES = 0xDB
_MOST_SEGMENTS = 100_000
_MOST_FILL = 1 << 16
_FIRST_PIECE, _LARGEST_PIECE = 1 << 12, 1 << 20
"""Bytes of coded data read at a time; small at first, as a scan may be short."""

_NEXT_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")
"""A marker in coded data that is neither a stuffed byte nor a restart."""

Mode = Literal["rgb", "grey", "cmyk", "other"]


@dataclass(slots=True)
class JpegTags:
    """What a JPEG's segments say; filled in as far as the file can be read."""

    width: int = 0
    height: int = 0
    bits: int = 0
    components: int = 0
    """Channels as coded."""
    progressive: bool = False
    lossless: bool = False
    """Coded without loss, a form that hardly any program reads."""
    sampling: tuple[tuple[int, int], ...] = ()
    """Of each channel, how finely it is held across and down (T.81, B.2.2)."""
    table_numbers: tuple[int, ...] = ()
    """Of each channel, its quantisation table."""
    tables: dict[int, tuple[int, ...]] = field(default_factory=dict)
    """Quantisation tables by number, 64 divisors each in zigzag order (T.81, B.2.4.1)."""
    jfif_ppi: tuple[Fraction, Fraction] | None = None
    exif: bytes = b""
    """Exif block, a TIFF of its own; empty where there is none."""
    xmp: bytes = b""
    profile: bytes | None = None
    profile_damage: str = ""
    """Why the embedded profile is not whole; empty where it is or there is none."""
    metadata_bytes: int = 0
    """Bytes of all segments that hold neither picture data nor a colour profile."""
    pictures: int = 1
    gain_map: bool = False
    """It names a second picture that brightens the first on some displays."""
    data_start: int = 0
    """Where the coded data of the first scan begin."""
    end: int = 0
    """First byte after the end-of-image marker; 0 where there is none."""
    damage: str = ""
    cut_short: bool = False
    """The damage is an early end."""

    @property
    def mode(self) -> Mode:
        """Kind of picture that it decodes to; three channels in Y'CbCr are decoded to RGB."""
        if self.components == 1:
            return "grey"
        if self.components == 3:
            return "rgb"
        return "cmyk" if self.components == 4 else "other"


@dataclass(slots=True)
class _Parts:
    """What is only of use while the segments are read."""

    chunks: dict[int, bytes] = field(default_factory=dict)
    total: int = 0
    damage: str = ""


def read_jpeg(stream: BinaryIO, size: int) -> JpegTags:
    """Read all segments of a JPEG's first picture and find its end.

    Args:
        stream: The open file.
        size: Its length in bytes.

    Returns:
        What there is; damage is told in the value and never raised.
    """
    tags = JpegTags()
    parts = _Parts()
    try:
        _read_segments(stream, size, tags, parts)
    except TagDamage as damage:
        tags.damage, tags.cut_short = str(damage), damage.cut_short
    _join_profile(tags, parts)
    return tags


def with_tables(piece: bytes, tables: bytes) -> bytes:
    """Return a strip or tile of a TIFF as a JPEG of its own (technical note 2 of TIFF 6.0).

    Args:
        piece: Its bytes.
        tables: What all of them share, a JPEG of tables alone; empty where each has its own.
    """
    return tables[:-2] + piece[2:] if tables.endswith(b"\xff\xd9") else piece


def _read_segments(stream: BinaryIO, size: int, tags: JpegTags, parts: _Parts) -> None:
    if read_at(stream, size, 0, 2, "header") != b"\xff\xd8":
        raise TagDamage("the file does not begin as a JPEG does")
    for marker, offset, length in _segments(stream, size, tags):
        _read_segment(stream, size, tags, parts, (marker, offset, length))
    if not tags.width or not tags.data_start:
        raise TagDamage("the JPEG holds no picture")


def _segments(stream: BinaryIO, size: int, tags: JpegTags) -> Iterator[tuple[int, int, int]]:
    """Yield marker, first payload byte and payload length of each segment; stop at the end."""
    offset = 2
    for _ in range(_MOST_SEGMENTS):
        marker, offset = _marker_at(stream, size, offset)
        if marker == 0xD9:
            tags.end = offset
            return
        if marker in _STANDALONE:
            continue
        (length,) = struct.unpack(">H", read_at(stream, size, offset, 2, "next part"))
        if length < 2:
            raise TagDamage(f"the JPEG is damaged at byte {offset:,}")
        yield marker, offset + 2, length - 2
        offset += length
        if marker == 0xDA:
            tags.data_start = tags.data_start or offset
            offset = _end_of_coded(stream, size, offset)
    raise TagDamage(f"the JPEG has more than {_MOST_SEGMENTS:,} parts; it is damaged")


def _marker_at(stream: BinaryIO, size: int, offset: int) -> tuple[int, int]:
    """Return the marker at `offset` and the byte after it; any number of fill bytes may lead."""
    fill = 0
    while True:
        pair = read_at(stream, size, offset, 2, "end-of-picture mark")
        if pair[0] != 0xFF or pair[1] == 0:
            raise TagDamage(f"the JPEG is damaged at byte {offset:,}")
        if pair[1] != 0xFF:
            return pair[1], offset + 2
        offset += 1
        fill += 1
        if fill > _MOST_FILL:
            raise TagDamage(f"the JPEG is damaged at byte {offset:,}")


def _end_of_coded(stream: BinaryIO, size: int, offset: int) -> int:
    """Return where the marker after the coded data that begin at `offset` lies."""
    length = _FIRST_PIECE
    while offset < size:
        stream.seek(offset)
        piece = stream.read(length)
        length = min(length * 2, _LARGEST_PIECE)
        found = _NEXT_MARKER.search(piece)
        if found:
            return offset + found.start()
        if len(piece) < 2:
            break
        # A marker may lie across two pieces; the last byte is looked at again.
        offset += len(piece) - 1
    raise TagDamage(
        f"the file ends at byte {size:,} without the mark that ends a JPEG", cut_short=True
    )


def _read_segment(
    stream: BinaryIO,
    size: int,
    tags: JpegTags,
    parts: _Parts,
    segment: tuple[int, int, int],
) -> None:
    marker, offset, length = segment
    is_metadata = 0xE0 <= marker <= 0xEF or marker == 0xFE
    if not is_metadata and marker not in _FRAMES and marker != _TABLES:
        return
    body = read_at(stream, size, offset, length, "next part")
    if marker in _FRAMES:
        _read_frame(tags, marker, body)
        return
    if marker == _TABLES:
        _read_tables(tags, body)
        return
    if marker == 0xE2 and body.startswith(_ICC):
        _keep_chunk(parts, body[len(_ICC) :])
        return
    tags.metadata_bytes += length
    if any(sign in body for sign in _GAIN_MAP_SIGNS):
        tags.gain_map = True
    if marker == 0xE0 and body[:5] == b"JFIF\0" and len(body) >= 12:
        tags.jfif_ppi = _jfif_ppi(body)
    elif marker == 0xE1 and body.startswith(_EXIF):
        tags.exif = tags.exif or body[len(_EXIF) :]
    elif marker == 0xE1 and body.startswith(_XMP):
        tags.xmp = tags.xmp or body[len(_XMP) :]
    elif marker == 0xE2 and body.startswith(_SEVERAL):
        _read_index(tags, body[len(_SEVERAL) :], offset + len(_SEVERAL), size)


def _read_frame(tags: JpegTags, marker: int, body: bytes) -> None:
    if len(body) < 6:
        raise TagDamage("the JPEG's header is damaged")
    if tags.width:
        raise TagDamage("the JPEG has two headers; it is damaged")
    tags.bits, tags.height, tags.width, tags.components = struct.unpack(">BHHB", body[:6])
    tags.progressive = marker in _PROGRESSIVE
    tags.lossless = marker in _LOSSLESS
    if not tags.width or not tags.height:
        raise TagDamage("the JPEG does not say how wide and high its picture is")
    rows = [body[at : at + 3] for at in range(6, len(body) - 2, 3)][: tags.components]
    tags.sampling = tuple((row[1] >> 4, row[1] & 15) for row in rows)
    tags.table_numbers = tuple(row[2] for row in rows)


def _read_tables(tags: JpegTags, body: bytes) -> None:
    """Keep quantisation tables; only the decoder can tell that one is wrong."""
    at = 0
    while at < len(body):
        is_wide, number = body[at] >> 4, body[at] & 15
        length = 128 if is_wide else 64
        raw = body[at + 1 : at + 1 + length]
        if len(raw) < length:
            return
        tags.tables.setdefault(number, struct.unpack(">64H" if is_wide else "64B", raw))
        at += 1 + length


def _jfif_ppi(body: bytes) -> tuple[Fraction, Fraction] | None:
    unit, x, y = struct.unpack(">BHH", body[7:12])
    factor = {1: Fraction(1), 2: Fraction(254, 100)}.get(unit)
    return (x * factor, y * factor) if factor else None


def _keep_chunk(parts: _Parts, body: bytes) -> None:
    if len(body) < 2:
        parts.damage = "one of its pieces is empty"
        return
    number, total = body[0], body[1]
    if number in parts.chunks or (parts.total and parts.total != total):
        parts.damage = "its pieces contradict each other"
    parts.total = parts.total or total
    parts.chunks.setdefault(number, body[2:])


def _join_profile(tags: JpegTags, parts: _Parts) -> None:
    if not parts.chunks and not parts.damage:
        return
    tags.profile_damage = parts.damage
    missing = [n for n in range(1, parts.total + 1) if n not in parts.chunks]
    if missing and not parts.damage:
        tags.profile_damage = f"piece {missing[0]} of its {parts.total} pieces is missing"
    elif not parts.damage and len(parts.chunks) != parts.total:
        tags.profile_damage = "its pieces contradict each other"
    tags.profile = b"".join(parts.chunks[number] for number in sorted(parts.chunks))


def _read_index(tags: JpegTags, body: bytes, start: int, size: int) -> None:
    """Read the index of a file that holds several pictures (CIPA DC-007, tags B001 and B002).

    Raises:
        TagDamage: A picture that it names reaches past the end of the file.
    """
    index = read_tiff(io.BytesIO(body), len(body))
    if not index.pages:
        return
    tags.pictures = max(index.pages[0].integer(0xB001, 1), 1)
    rows = index.pages[0].data(0xB002, 16 * 64)
    for row in range(0, len(rows) - 15, 16):
        length, offset = struct.unpack(index.byte_order + "II", rows[row + 4 : row + 12])
        if offset and start + offset + length > size:
            raise TagDamage(
                f"the file ends at byte {size:,}, but another picture inside it would reach to "
                f"byte {start + offset + length:,}",
                cut_short=True,
            )
