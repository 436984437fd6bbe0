"""PNG in the forms that editors and screens write, chunk by chunk.

Writers are libvips for 16 bit, Pillow, and chunks by hand after the PNG specification (W3C).
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import made_profiles as profiles
import numpy as np
from entries import Dropped, held, passes, raw
from metadata import camera
from photographs import HIGH, WIDE, Pixels, colour, deep, grey, spot, with_channels
from PIL import Image

SIGNATURE = b"\x89PNG\r\n\x1a\n"
_COLOUR_TYPES = {1: 0, 2: 4, 3: 2, 4: 6}
"""PNG's colour type by the number of channels."""


def chunk(name: bytes, body: bytes) -> bytes:
    """One chunk with its length and CRC."""
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def icc(profile: bytes) -> bytes:
    return chunk(b"iCCP", b"profile\0\0" + zlib.compress(profile))


def png_of(pixels: Pixels, *chunks: bytes, behind: bytes = b"") -> bytes:
    """A PNG of 8 or 16 bits; chunks stand before the picture's data."""
    planes = pixels[..., np.newaxis] if pixels.ndim == 2 else pixels
    high, wide, bands = planes.shape
    rows = planes.astype(planes.dtype.newbyteorder(">")).tobytes()
    pitch = len(rows) // high
    packed = zlib.compress(
        b"".join(b"\0" + rows[at : at + pitch] for at in range(0, len(rows), pitch)), 1
    )
    kind = (8 * planes.itemsize, _COLOUR_TYPES[bands], 0, 0, 0)
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", wide, high, *kind))
    data = chunk(b"IDAT", packed)
    return SIGNATURE + header + b"".join(chunks) + data + behind + chunk(b"IEND", b"")


def picture(number: int, *chunks: bytes, **options: Any) -> Callable[[Path], None]:
    """An 8-bit RGB picture with just these chunks."""
    return raw(lambda: png_of(colour(number), *chunks, **options))


def by_pillow(number: int, mode: str, **options: Any) -> Callable[[Path], None]:
    def write() -> bytes:
        stream = io.BytesIO()
        made = Image.fromarray(colour(number))
        made = made.quantize(200) if mode == "P" else made.convert(mode)
        made.save(stream, "PNG", **options)
        return stream.getvalue()

    return raw(write)


def interlaced(number: int) -> Callable[[Path], None]:
    """Adam7, which Pillow does not write and libvips does."""

    def write(path: Path) -> None:
        import pyvips

        profile = path.with_name(f"{path.name}.icc.tmp")
        profile.write_bytes(profiles.srgb())
        image = pyvips.Image.new_from_array(deep(colour(number))).copy(interpretation="rgb16")
        image.pngsave(str(path), interlace=True, profile=str(profile))
        profile.unlink()

    return write


def lossy(number: int, change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    """A tagged picture with bytes changed."""
    return raw(lambda: change(png_of(colour(number), icc(profiles.srgb()))))


def wrong_crc(name: bytes) -> Callable[[bytes], bytes]:
    """Change the last byte of a chunk's body and leave its CRC."""

    def change(data: bytes) -> bytes:
        at = data.index(name)
        end = at + 4 + int.from_bytes(data[at - 4 : at], "big")
        return data[: end - 1] + bytes([data[end - 1] ^ 0x55]) + data[end:]

    return change


SRGB = chunk(b"sRGB", b"\0")
GAMMA = chunk(b"gAMA", struct.pack(">I", 45455))
CICP = {
    # Primaries, transfer, matrix, full range of ITU-T H.273.
    "srgb": chunk(b"cICP", bytes([1, 13, 0, 1])),
    "display-p3": chunk(b"cICP", bytes([12, 13, 0, 1])),
    "pq": chunk(b"cICP", bytes([9, 16, 0, 1])),
    "hlg": chunk(b"cICP", bytes([9, 18, 0, 1])),
    # Primaries of BT.2020 and transfer of BT.709: of standard range, and no space of ours.
    "unknown": chunk(b"cICP", bytes([9, 1, 0, 1])),
}
NO_SUCH_COLOUR = chunk(b"tRNS", struct.pack(">3H", 1, 254, 3))
"""A colour that is see-through wherever it stands, and stands nowhere in these photographs."""


def keyed(number: int) -> Callable[[Path], None]:
    """The colour of the first pixel is see-through."""
    return raw(
        lambda: png_of(
            colour(number),
            SRGB,
            chunk(b"tRNS", struct.pack(">3H", *map(int, colour(number)[0, 0]))),
        )
    )


FORMS: tuple[Dropped, ...] = (
    Dropped("plain-8.png", picture(0, icc(profiles.srgb())), passes()),
    Dropped(
        "plain-16.png", raw(lambda: png_of(deep(colour(1)), icc(profiles.adobe()))), passes()
    ),
    Dropped("interlaced-16.png", interlaced(2), passes()),
    Dropped("by-pillow.png", by_pillow(3, "RGB", icc_profile=profiles.srgb()), passes()),
    Dropped(
        "grey-8.png",
        raw(lambda: png_of(grey(0), icc(profiles.grey_22()))),
        passes(),
    ),
    Dropped(
        "grey-16.png", raw(lambda: png_of(deep(grey(1)), icc(profiles.grey_22()))), passes()
    ),
    Dropped("grey-srgb-chunk.png", raw(lambda: png_of(grey(2), SRGB)), passes()),
    Dropped(
        "palette.png", by_pillow(4, "P", icc_profile=profiles.srgb()), held("file-depth")
    ),
    Dropped("1-bit.png", by_pillow(5, "1"), held("file-depth", "colour-untagged")),
    Dropped(
        "alpha-opaque.png",
        raw(lambda: png_of(with_channels(colour(6), 255), icc(profiles.srgb()))),
        passes(),
    ),
    Dropped(
        "alpha-cut-out.png",
        raw(lambda: png_of(with_channels(colour(7), spot(colour(7), 0)), SRGB)),
        held("file-transparent"),
    ),
    Dropped(
        "grey-alpha-cut-out.png",
        raw(
            lambda: png_of(
                with_channels(grey(3)[..., np.newaxis], spot(grey(3), 0)), icc(profiles.grey_22())
            )
        ),
        held("file-transparent"),
    ),
    Dropped("colour-key.png", keyed(8), held("file-transparent")),
    Dropped("colour-key-unused.png", picture(9, SRGB, NO_SUCH_COLOUR), passes()),
)  # fmt: skip

COLOURS: tuple[Dropped, ...] = (
    Dropped("srgb-chunk.png", picture(10, SRGB, GAMMA), passes()),
    Dropped("gamma-only.png", picture(11, GAMMA), held("colour-untagged")),
    Dropped("nothing.png", picture(12), held("colour-untagged")),
    Dropped("cicp-srgb.png", picture(13, CICP["srgb"]), passes()),
    Dropped("cicp-display-p3.png", picture(14, CICP["display-p3"]), passes()),
    Dropped("cicp-pq.png", picture(15, CICP["pq"]), held("colour-hdr")),
    Dropped("cicp-hlg.png", picture(16, CICP["hlg"]), held("colour-hdr")),
    Dropped("cicp-unknown.png", picture(27, CICP["unknown"]), held("colour-untagged")),
    Dropped(
        "cicp-unknown-with-profile.png",
        picture(28, CICP["unknown"], chunk(b"iCCP", b"p\0\0" + zlib.compress(profiles.srgb()))),
        passes(logged="colour code 9/1/0/1"),
    ),
    Dropped(
        "profile-not-packed.png",
        picture(17, chunk(b"iCCP", b"profile\0\0" + profiles.srgb())),
        held("colour-profile-damaged"),
    ),
)

TAGS: tuple[Dropped, ...] = (
    Dropped(
        "turned-6.png",
        raw(
            lambda: png_of(
                colour(18, HIGH, WIDE), SRGB, chunk(b"eXIf", camera(orientation=6).removeprefix(
                    b"Exif\0\0"))
            )
        ),
        passes(),
    ),
    Dropped(
        "ppi-differs.png",
        picture(19, SRGB, chunk(b"pHYs", struct.pack(">IIB", 11811, 5906, 1))),
        passes("file-ppi-differs"),
    ),
    Dropped(
        "notes.png", picture(20, SRGB, chunk(b"tEXt", b"Comment\0" + b"at the lake " * 900)),
        passes(),
    ),
)  # fmt: skip

WAYS: tuple[Dropped, ...] = (
    Dropped(
        "cut-at-half.png", lossy(21, lambda data: data[: len(data) // 2]), held("file-damaged")
    ),
    Dropped("end-chunk-gone.png", lossy(22, lambda data: data[:-12]), held("file-damaged")),
    Dropped("crc-of-data.png", lossy(23, wrong_crc(b"IDAT")), held("file-damaged")),
    Dropped("crc-of-header.png", lossy(24, wrong_crc(b"IHDR")), held("file-damaged")),
    Dropped(
        "behind-the-end.png", lossy(25, lambda data: data + b"more" * 5000),
        passes(logged="after the end"),
    ),
    Dropped("really-a-png.jpg", picture(26, SRGB), passes("file-extension")),
)  # fmt: skip

ALL = (*FORMS, *COLOURS, *TAGS, *WAYS)
