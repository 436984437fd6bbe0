"""Sound files to be spoilt: real photographs in every structure that the readers know.

Writers are tifffile, Pillow, imagecodecs and chunks by hand; the photographs are those of the
scikit-image wheel. The same call gives the same bytes.
"""

from __future__ import annotations

import functools
import io
import struct
import zlib
from collections.abc import Callable
from typing import Any

import made_profiles as profiles
import numpy as np
import tifffile
from metadata import camera, jpeg_of, xmp_of
from photographs import colour, deep, grey, lab_16, lab_of, spot, with_channels
from PIL import Image
from png_corpus import SIGNATURE, chunk, icc, png_of

from platemark.imaging.make import PRINTERS
from platemark.imaging.print_model import make_printer_profile

WIDE, HIGH = 150, 100
"""3 × 2 in at 50 ppi, which the fuzzed product takes as it is: no sample is resampled."""


def tone(number: int) -> Any:
    return colour(number, WIDE, HIGH)


def wide(number: int) -> Any:
    return deep(tone(number))


def plain(number: int) -> Any:
    return grey(number, WIDE, HIGH)


def tiff(make: Callable[[], Any], **options: Any) -> bytes:
    """A TIFF by tifffile, RGB and sRGB unless it says otherwise."""
    stream = io.BytesIO()
    given = {"photometric": "rgb", "iccprofile": profiles.srgb(), "metadata": None, **options}
    tifffile.imwrite(stream, make(), maxworkers=1, **given)
    return stream.getvalue()


def grey_tiff(make: Callable[[], Any], **options: Any) -> bytes:
    return tiff(make, **{"photometric": "minisblack", "iccprofile": profiles.grey_22(), **options})


def two_pages() -> bytes:
    """A picture and a small copy of it behind, as scanners keep them."""
    stream = io.BytesIO()
    with tifffile.TiffWriter(stream) as writer:
        given: dict[str, Any] = {"photometric": "rgb", "metadata": None}
        writer.write(tone(1), iccprofile=profiles.srgb(), **given)
        writer.write(np.ascontiguousarray(tone(1)[::4, ::4]), subfiletype=1, **given)
    return stream.getvalue()


def jpeg(number: int, **options: Any) -> bytes:
    return jpeg_of(Image.fromarray(tone(number)), **{"icc_profile": profiles.srgb(), **options})


def two_pictures() -> bytes:
    """A JPEG that holds two, with the index of CIPA DC-007."""
    stream = io.BytesIO()
    first, second = (Image.fromarray(tone(number)) for number in (0, 1))
    first.save(
        stream, "MPO", save_all=True, append_images=[second], quality=95, subsampling=0,
        icc_profile=profiles.srgb(), exif=camera(space=1), xmp=xmp_of(orientation=1),
    )  # fmt: skip
    return stream.getvalue()


_PASSES = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2),
           (0, 1, 1, 2))  # fmt: skip
"""First column, first row, step across and step down of Adam7 (PNG specification, 8.1)."""


def interlaced(pixels: Any, *chunks: bytes) -> bytes:
    """An interlaced PNG by hand, which Pillow does not write."""
    high, across, bands = pixels.shape
    wide_samples = pixels.astype(pixels.dtype.newbyteorder(">"))
    rows = []
    for left, top, right, down in _PASSES:
        part = wide_samples[top::down, left::right]
        rows += [b"\0" + row.tobytes() for row in part if part.shape[1]]
    kind = (8 * pixels.itemsize, {3: 2, 4: 6}[bands], 0, 0, 1)
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", across, high, *kind))
    data = chunk(b"IDAT", zlib.compress(b"".join(rows), 6))
    return SIGNATURE + header + b"".join(chunks) + data + chunk(b"IEND", b"")


def in_pieces(pixels: Any, *chunks: bytes) -> bytes:
    """A PNG whose data are in many chunks, each row filtered, by Pillow."""
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    data = stream.getvalue()
    at = data.index(b"IDAT") - 4
    length = int.from_bytes(data[at : at + 4], "big")
    body = data[at + 8 : at + 8 + length]
    pieces = [chunk(b"IDAT", body[start : start + 4096]) for start in range(0, len(body), 4096)]
    return data[:33] + b"".join(chunks) + b"".join(pieces) + chunk(b"IEND", b"")


_EXIF = chunk(b"eXIf", camera(orientation=1).removeprefix(b"Exif\0\0"))
_CICP = chunk(b"cICP", bytes([1, 13, 0, 1]))
_SRGB = chunk(b"sRGB", b"\0")
_TEXT = chunk(b"iTXt", b"XML:com.adobe.xmp\0\1\0\0\0" + zlib.compress(xmp_of(description="a" * 99)))
_APART = {"planarconfig": "separate"}

PICTURES: dict[str, Callable[[], bytes]] = {
    "strips-8.tif": lambda: tiff(lambda: tone(0), rowsperstrip=16),
    "strips-16.tif": lambda: tiff(lambda: wide(0), rowsperstrip=16),
    "one-strip-big-endian.tif": lambda: tiff(lambda: wide(1), byteorder=">", rowsperstrip=HIGH),
    "tiles-deflate.tif": lambda: tiff(lambda: wide(2), tile=(32, 48), compression="zlib"),
    "tiles-8.tif": lambda: tiff(lambda: tone(3), tile=(64, 64)),
    "bigtiff-lzw.tif": lambda: tiff(lambda: tone(2), bigtiff=True, compression="lzw"),
    "bigtiff-big-endian.tif": lambda: tiff(lambda: tone(4), bigtiff=True, byteorder=">"),
    "lzw-predictor.tif": lambda: tiff(lambda: wide(3), compression="lzw", predictor=2),
    "deflate-predictor.tif": lambda: tiff(
        lambda: tone(4), compression="zlib", predictor=2, rowsperstrip=20
    ),
    "packbits.tif": lambda: tiff(lambda: tone(5), compression="packbits", rowsperstrip=20),
    "planar.tif": lambda: tiff(
        lambda: np.ascontiguousarray(wide(5).transpose(2, 0, 1)), rowsperstrip=25, **_APART
    ),
    "jpeg-inside.tif": lambda: tiff(
        lambda: tone(0), compression="jpeg", compressionargs={"level": 95}, tile=(64, 64)
    ),
    "lab.tif": lambda: tiff(lambda: lab_16(tone(2)), photometric="cielab", iccprofile=None),
    "lab-8-icc.tif": lambda: tiff(
        lambda: lab_of(tone(3), icc=True), photometric="icclab", iccprofile=None
    ),
    "selection.tif": lambda: tiff(
        lambda: with_channels(tone(3), spot(tone(3), 0)), extrasamples=["unspecified"]
    ),
    "alpha.tif": lambda: tiff(lambda: with_channels(wide(1), 65535), extrasamples=["unassalpha"]),
    "grey.tif": lambda: grey_tiff(lambda: plain(0), compression="zlib"),
    "grey-16.tif": lambda: grey_tiff(lambda: deep(plain(1))),
    "white-is-zero.tif": lambda: grey_tiff(lambda: 255 - plain(2), photometric="miniswhite"),
    "two-pages.tif": two_pages,
    "turned.tif": lambda: tiff(
        lambda: colour(1, HIGH, WIDE), extratags=[(274, 3, 1, 6, True)], rowsperstrip=30
    ),
    "by-pillow.tif": lambda: _pillow_tiff(),
    "baseline.jpg": lambda: jpeg(0),
    "progressive.jpg": lambda: jpeg(1, progressive=True),
    "quartered.jpg": lambda: jpeg(2, subsampling=2, quality=93),
    "restarts.jpg": lambda: jpeg(3, restart_marker_rows=1, optimize=True),
    "grey.jpg": lambda: jpeg_of(Image.fromarray(plain(2)), icc_profile=profiles.grey_22()),
    "described.jpg": lambda: jpeg(
        4, exif=camera(space=1, place=True), xmp=xmp_of(orientation=1, keywords=9), comment=b"lake"
    ),
    "camera.jpg": lambda: jpeg(5, icc_profile=None, exif=camera(space=1, index="R98")),
    "two-pictures.jpg": two_pictures,
    "long-profile.jpg": lambda: jpeg(
        3, icc_profile=profiles.large(profiles.adobe(), 70_000), progressive=True
    ),
    "eight.png": lambda: png_of(tone(0), icc(profiles.srgb()), _EXIF),
    "sixteen.png": lambda: png_of(wide(1), icc(profiles.adobe())),
    "interlaced.png": lambda: interlaced(wide(2), _SRGB, _TEXT),
    "pieces.png": lambda: in_pieces(tone(3), _CICP, _EXIF),
    "grey.png": lambda: png_of(deep(plain(3)), icc(profiles.grey_22())),
    "alpha.png": lambda: png_of(with_channels(tone(1), 255), _SRGB),
    "colour-key.png": lambda: png_of(
        tone(2), _SRGB, chunk(b"tRNS", struct.pack(">3H", 1, 254, 3))
    ),
}  # fmt: skip


def _pillow_tiff() -> bytes:
    stream = io.BytesIO()
    Image.fromarray(tone(5)).save(
        stream, "TIFF", compression="tiff_lzw", icc_profile=profiles.srgb(), dpi=(50, 50),
        exif=camera(space=1), tiffinfo={700: xmp_of(orientation=1)},
    )  # fmt: skip
    return stream.getvalue()


def undated(profile: bytes) -> bytes:
    """The same profile without the time at which it was made (ICC.1, 7.2.8)."""
    return profile[:24] + bytes(12) + profile[36:]


PROFILES: dict[str, Callable[[], bytes]] = {
    "matrix-2": profiles.srgb,
    "matrix-4": profiles.srgb_4,
    "littlecms": lambda: undated(profiles.from_littlecms()),
    "grey": profiles.grey_22,
    "printer": profiles.printer,
    "canvas": lambda: make_printer_profile(PRINTERS["canvas-wrap"]),
    "glossy": lambda: make_printer_profile(PRINTERS["baryta"]),
    "display": lambda: profiles.of_a_display(calibrated=True),
    "wide": profiles.romm,
}


@functools.cache
def seed(name: str) -> bytes:
    """The bytes of a picture or a profile by its name."""
    return (PICTURES.get(name) or PROFILES[name])()
