"""Read the chunks of a PNG, without decoding a pixel, to its IEND.

Source: Portable Network Graphics (PNG) Specification, third edition (W3C), whose section numbers
are given. Every chunk's place and length is checked; the bodies of the small ones that are read
are checked against their CRC, those of IDAT by the decoder.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from fractions import Fraction
from typing import BinaryIO, Final, Literal

from platemark.imaging.tiff_tags import TagDamage, read_at

SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"

_MOST_CHUNKS = 4_000_000
_MOST_BODY = 64 * 1024 * 1024
"""Of a chunk that is read whole."""

_MOST_PROFILE = 32 * 1024 * 1024
_METRES_PER_INCH = Fraction(254, 10_000)

_COLOUR_TYPES: Final = {
    0: ("grey", 1, 0, frozenset({1, 2, 4, 8, 16})),
    2: ("rgb", 3, 0, frozenset({8, 16})),
    3: ("palette", 1, 0, frozenset({1, 2, 4, 8})),
    4: ("grey", 1, 1, frozenset({8, 16})),
    6: ("rgb", 3, 1, frozenset({8, 16})),
}
"""Mode, colour channels, alpha channels and the depths allowed (11.2.1)."""

_READ: Final = frozenset(
    {b"IHDR", b"iCCP", b"sRGB", b"cICP", b"eXIf", b"pHYs", b"tRNS", b"iTXt", b"acTL"}
)
_NO_METADATA: Final = frozenset(
    {b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"iCCP", b"fcTL", b"fdAT"}
)

Mode = Literal["grey", "rgb", "palette", "other"]


@dataclass(slots=True)
class PngTags:
    """What a PNG's chunks say; filled in as far as the file can be read."""

    width: int = 0
    height: int = 0
    bits: int = 0
    mode: Mode = "other"
    channels: int = 0
    """Colour channels as stored, 1 for a palette."""
    alpha_channel: bool = False
    transparent_colour: bool = False
    """A tRNS chunk makes a colour, or parts of the palette, transparent."""
    interlaced: bool = False
    ppi: tuple[Fraction, Fraction] | None = None
    exif: bytes = b""
    xmp: bytes = b""
    profile: bytes | None = None
    profile_damage: str = ""
    """Why the embedded profile cannot be unpacked; empty where it can or there is none."""
    srgb: bool = False
    """An sRGB chunk (11.3.2.5)."""
    cicp: tuple[int, int, int, int] | None = None
    """Primaries, transfer, matrix, full range (11.3.2.6, after ITU-T H.273)."""
    calibrated: bool = False
    """A gAMA or cHRM chunk, which is not used."""
    animated: bool = False
    metadata_bytes: int = 0
    data_start: int = 0
    """Where the first IDAT's body begins."""
    data_end: int = 0
    end: int = 0
    """First byte after IEND; 0 where there is none."""
    damage: str = ""
    cut_short: bool = False
    """The damage is an early end."""


def read_png(stream: BinaryIO, size: int) -> PngTags:
    """Read all chunks of a PNG.

    Args:
        stream: The open file.
        size: Its length in bytes.

    Returns:
        What there is; damage is told in the value and never raised.
    """
    tags = PngTags()
    try:
        _read_chunks(stream, size, tags)
    except TagDamage as damage:
        tags.damage, tags.cut_short = str(damage), damage.cut_short
    return tags


def _read_chunks(stream: BinaryIO, size: int, tags: PngTags) -> None:
    offset = len(SIGNATURE)
    if read_at(stream, size, 0, offset, "header") != SIGNATURE:
        raise TagDamage("the file does not begin as a PNG does")
    for _ in range(_MOST_CHUNKS):
        head = read_at(stream, size, offset, 8, "next part")
        length, name = int.from_bytes(head[:4], "big"), head[4:]
        body_at, following = offset + 8, offset + 12 + length
        if length > 0x7FFFFFFF or not name.isalpha():
            # Zeros where a chunk should begin are what a copy that has not arrived looks like.
            raise TagDamage(f"the PNG is damaged at byte {offset:,}", cut_short=not any(head))
        if following > size:
            raise TagDamage(
                f"the file ends at byte {size:,}, but a part of it would reach to byte "
                f"{following:,}",
                cut_short=True,
            )
        if not tags.width and name != b"IHDR":
            raise TagDamage("the PNG does not begin with its header")
        if name == b"fdAT" and not tags.animated:
            # Readers that know moving pictures (PNG, third edition) refuse the whole file.
            raise TagDamage("the PNG has a part of a moving picture, and says that it is none")
        if name in _READ and length <= _MOST_BODY:
            _read_chunk(tags, name, _checked(stream, size, body_at, length, name))
        _note_chunk(tags, name, body_at, length)
        offset = following
        if name == b"IEND":
            tags.end = offset
            break
    else:
        raise TagDamage(f"the PNG has more than {_MOST_CHUNKS:,} parts")
    if not tags.data_start:
        raise TagDamage("the PNG holds no picture")


def _checked(stream: BinaryIO, size: int, body_at: int, length: int, name: bytes) -> bytes:
    """Return a chunk's body; only the header's must be right, others are left out when wrong."""
    raw = read_at(stream, size, body_at, length + 4, "next part")
    if zlib.crc32(raw[:-4], zlib.crc32(name)) == int.from_bytes(raw[-4:], "big"):
        return raw[:-4]
    raise TagDamage(f"the PNG's part {name.decode('ascii')} at byte {body_at:,} is damaged")


def _note_chunk(tags: PngTags, name: bytes, body_at: int, length: int) -> None:
    if name == b"IDAT":
        tags.data_start = tags.data_start or body_at
        tags.data_end = body_at + length
    elif name in {b"gAMA", b"cHRM"}:
        tags.calibrated = True
    if name not in _NO_METADATA:
        tags.metadata_bytes += length


def _read_chunk(tags: PngTags, name: bytes, body: bytes) -> None:
    if name == b"IHDR":
        _read_header(tags, body)
    elif name == b"iCCP":
        _read_profile(tags, body)
    elif name == b"sRGB":
        tags.srgb = True
    elif name == b"cICP" and len(body) == 4:
        tags.cicp = (body[0], body[1], body[2], body[3])
    elif name == b"eXIf":
        tags.exif = body
    elif name == b"pHYs" and len(body) == 9:
        x, y, unit = struct.unpack(">IIB", body)
        tags.ppi = (x * _METRES_PER_INCH, y * _METRES_PER_INCH) if unit == 1 else None
    elif name == b"tRNS":
        tags.transparent_colour = True
    elif name == b"iTXt" and body.startswith(b"XML:com.adobe.xmp\0"):
        tags.xmp = _international_text(body)
    elif name == b"acTL":
        tags.animated = True


def _read_header(tags: PngTags, body: bytes) -> None:
    if len(body) != 13 or tags.width:
        raise TagDamage("the PNG's header is damaged")
    width, height, bits, colour, packing, filtering, lacing = struct.unpack(">IIBBBBB", body)
    kind = _COLOUR_TYPES.get(colour)
    if kind is None or bits not in kind[3] or packing or filtering or lacing > 1:
        raise TagDamage("the PNG's header is damaged")
    if not 0 < width <= 0x7FFFFFFF or not 0 < height <= 0x7FFFFFFF:
        raise TagDamage("the PNG does not say how wide and high its picture is")
    tags.width, tags.height, tags.bits = width, height, bits
    mode, tags.channels, alpha, _ = kind
    tags.mode = "palette" if mode == "palette" else "grey" if mode == "grey" else "rgb"
    tags.alpha_channel, tags.interlaced = alpha == 1, lacing == 1


def _read_profile(tags: PngTags, body: bytes) -> None:
    """Unpack an iCCP chunk (11.3.2.3): a name, a zero, a method of 0, packed bytes."""
    name_end = body.find(b"\0")
    if not 0 < name_end < 80 or body[name_end + 1 : name_end + 2] != b"\0":
        tags.profile, tags.profile_damage = b"", "it has no beginning that can be read"
        return
    tags.profile, fault = _inflate(body[name_end + 2 :], _MOST_PROFILE)
    if fault:
        tags.profile_damage = "it cannot be unpacked"


def _inflate(packed: bytes, most: int) -> tuple[bytes, bool]:
    """Return at most `most` unpacked bytes, and whether they are not all that there should be."""
    unpacker = zlib.decompressobj()
    try:
        data = unpacker.decompress(packed, most)
    except zlib.error:
        return b"", True
    return data, not unpacker.eof


def _international_text(body: bytes) -> bytes:
    """Return the text of an iTXt chunk (11.3.3.4); empty where it cannot be read."""
    rest = body.split(b"\0", 1)[1]
    if len(rest) < 2:
        return b""
    is_packed, fields = rest[0], rest[2:].split(b"\0", 2)
    if len(fields) < 3:
        return b""
    if not is_packed:
        return fields[2]
    data, fault = _inflate(fields[2], _MOST_PROFILE)
    return b"" if fault else data
