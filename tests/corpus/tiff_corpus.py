"""TIFF in every form that an editor, a scanner or a camera writes.

Writers are tifffile, Pillow and bytes of our own after TIFF 6.0.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import made_profiles as profiles
import numpy as np
import tifffile
from entries import Dropped, held, passes
from metadata import camera, xmp_of
from photographs import (
    HIGH,
    WIDE,
    Pixels,
    colour,
    deep,
    grey,
    lab_16,
    lab_of,
    spot,
    with_channels,
)
from PIL import Image

Make = Callable[[], Pixels]


def rgb(make: Make, **options: Any) -> Callable[[Path], None]:
    """An RGB picture by tifffile, sRGB unless it says otherwise."""
    given = {"photometric": "rgb", "iccprofile": profiles.srgb(), **options}

    def write(path: Path) -> None:
        tifffile.imwrite(path, make(), **given)

    return write


def black_and_white(make: Make, **options: Any) -> Callable[[Path], None]:
    """A grey picture by tifffile, gamma 2.2 unless it says otherwise."""
    return rgb(make, **{"photometric": "minisblack", "iccprofile": profiles.grey_22(), **options})


def by_pillow(mode: str, number: int, **options: Any) -> Callable[[Path], None]:
    """Another colour model, by Pillow."""

    def write(path: Path) -> None:
        Image.fromarray(colour(number)).convert(mode).save(path, format="TIFF", **options)

    return write


def tone(number: int) -> Make:
    return lambda: colour(number)


def wide(number: int) -> Make:
    return lambda: deep(colour(number))


def channels_apart(make: Make) -> Make:
    return lambda: np.ascontiguousarray(make().transpose(2, 0, 1))


def few_bits(bits: int) -> Callable[[Path], None]:
    """A grey picture of 1, 2 or 4 bits, as scanners and fax programs write it."""

    def write(path: Path) -> None:
        codes = grey(bits) >> (8 - bits)
        rows = np.zeros((HIGH, WIDE * bits // 8), np.uint8)
        for place in range(8 // bits):
            rows |= codes[:, place :: 8 // bits] << (8 - bits * (place + 1))
        path.write_bytes(tiff_of(rows.tobytes(), [
            (258, 3, [bits]), (259, 3, [1]), (262, 3, [1]), (277, 3, [1]),
        ]))  # fmt: skip

    return write


def tiff_of(
    strip: bytes,
    tags: Sequence[tuple[int, int, Sequence[int]]],
    width: int = WIDE,
    height: int = HIGH,
    more: Sequence[tuple[int, bytes]] = (),
) -> bytes:
    """A little-endian TIFF of one strip, written by hand after TIFF 6.0, section 2.

    Args:
        strip: The picture's data.
        tags: Number, type (3 SHORT, 4 LONG) and values.
        width: Of the picture, px.
        height: Of the picture, px.
        more: Number and bytes of UNDEFINED tags.
    """
    rows = [
        (256, 4, [width]), (257, 4, [height]), (273, 4, [8]), (278, 4, [height]),
        (279, 4, [len(strip)]), *tags,
    ]  # fmt: skip
    packed = [(n, t, len(v), struct.pack(f"<{len(v)}{' BsHI'[t]}", *v)) for n, t, v in rows]
    packed += [(number, 7, len(data), data) for number, data in more]
    beside, start = b"", 8 + len(strip) + len(strip) % 2
    table_bytes = 2 + 12 * len(packed) + 4
    entries = b""
    for number, kind, count, data in sorted(packed):
        if len(data) <= 4:
            entries += struct.pack("<HHI4s", number, kind, count, data)
        else:
            entries += struct.pack("<HHII", number, kind, count, start + table_bytes + len(beside))
            beside += data + bytes(len(data) % 2)
    table = struct.pack("<H", len(packed)) + entries + bytes(4)
    return b"II*\0" + struct.pack("<I", start) + strip + bytes(len(strip) % 2) + table + beside


def old_jpeg(path: Path) -> None:
    """JPEG-in-TIFF of the old kind (compression 6, TIFF 6.0, section 22), given up in 1995."""
    stream = io.BytesIO()
    Image.fromarray(colour(3)).save(stream, "JPEG", quality=95, subsampling=0)
    data = stream.getvalue()
    tags = [
        (258, 3, [8, 8, 8]), (259, 3, [6]), (262, 3, [6]), (277, 3, [3]), (530, 3, [1, 1]),
        (513, 4, [8]), (514, 4, [len(data)]),
    ]  # fmt: skip
    path.write_bytes(tiff_of(data, tags, more=[(34675, profiles.srgb())]))


def lab_tiff(make: Make, photometric: str, **options: Any) -> Callable[[Path], None]:
    def write(path: Path) -> None:
        tifffile.imwrite(path, make(), photometric=photometric, **options)

    return write


def inks(count: int, **options: Any) -> Callable[[Path], None]:
    """Separations: CMYK, or that and spot colours."""

    def write(path: Path) -> None:
        plates = np.asarray(Image.fromarray(colour(count)).convert("CMYK"))
        more = [plates[..., 0] // 2] * (count - 4)
        tifffile.imwrite(
            path,
            with_channels(plates, *more) if more else plates,
            photometric="separated",
            planarconfig="contig",
            **options,
        )

    return write


def pages(*written: tuple[Make, dict[str, Any]], **first: Any) -> Callable[[Path], None]:
    """Several pages after one another; the first has the profile."""

    def write(path: Path) -> None:
        with tifffile.TiffWriter(path) as writer:
            for number, (make, options) in enumerate(written):
                given: dict[str, Any] = {"photometric": "rgb", "metadata": None, **options}
                if number == 0:
                    given |= {"iccprofile": profiles.srgb(), **first}
                writer.write(make(), **given)

    return write


def small(number: int) -> Make:
    return lambda: np.ascontiguousarray(colour(number)[::4, ::4])


def stencil(path: Path) -> None:
    """A picture and a transparency mask of its own size behind it (NewSubfileType 4)."""
    with tifffile.TiffWriter(path) as writer:
        writer.write(colour(4), photometric="rgb", iccprofile=profiles.srgb(), metadata=None)
        writer.write(
            np.ones((HIGH, WIDE), np.bool_), photometric="minisblack", subfiletype=4, metadata=None
        )


def tagged(number: int, *tags: tuple[int, int, int, Any], **options: Any) -> Callable[[Path], None]:
    """An sRGB picture with further tags: number, type, count, value."""
    more = [(*tag, True) for tag in tags]
    return rgb(tone(number), extratags=more, metadata=None, software=False, **options)


def turned(orientation: int) -> Callable[[Path], None]:
    """A picture stored as the sensor of a turned camera saw it."""
    size = (HIGH, WIDE) if orientation >= 5 else (WIDE, HIGH)
    tag = (274, 3, 1, orientation, True)
    return rgb(lambda: colour(orientation, *size), extratags=[tag])


def resolution(number: int, x: Any, y: Any, unit: str = "inch") -> Callable[[Path], None]:
    return rgb(tone(number), resolution=(x, y), resolutionunit=unit)


LAYERS = b"layers of an editor\0" + bytes(4096)
"""What an editor keeps beside the flat picture in private tag 37724, whose number alone counts."""


def layers_alone(path: Path) -> None:
    """Layers, and a flat picture of no bytes."""
    tags = [(258, 3, [8, 8, 8]), (259, 3, [1]), (262, 3, [2]), (277, 3, [3])]
    path.write_bytes(tiff_of(b"", tags, more=[(37724, LAYERS), (34675, profiles.srgb())]))


FORMS: tuple[Dropped, ...] = (
    Dropped("plain-8.tif", rgb(tone(0)), passes()),
    Dropped("plain-16.tif", rgb(wide(0)), passes()),
    Dropped("big-endian-8.tif", rgb(tone(1), byteorder=">"), passes()),
    Dropped("big-endian-16.tif", rgb(wide(1), byteorder=">"), passes()),
    Dropped("bigtiff.tif", rgb(wide(2), bigtiff=True), passes()),
    Dropped("bigtiff-big-endian.tif", rgb(tone(2), bigtiff=True, byteorder=">"), passes()),
    Dropped("planar-8.tif", rgb(channels_apart(tone(3)), planarconfig="separate"), passes()),
    Dropped("planar-16.tif", rgb(channels_apart(wide(3)), planarconfig="separate"), passes()),
    Dropped("tiles-8.tif", rgb(tone(4), tile=(128, 128)), passes()),
    Dropped("tiles-16-deflate.tif", rgb(wide(4), tile=(64, 64), compression="zlib"), passes()),
    Dropped("one-strip.tif", rgb(tone(5), rowsperstrip=HIGH), passes()),
    Dropped("strips-of-7.tif", rgb(wide(5), rowsperstrip=7), passes()),
    Dropped("lzw.tif", rgb(tone(6), compression="lzw"), passes()),
    Dropped("lzw-predictor-16.tif", rgb(wide(6), compression="lzw", predictor=2), passes()),
    Dropped("deflate-predictor.tif", rgb(tone(7), compression="zlib", predictor=2), passes()),
    Dropped("deflate-old-number.tif", rgb(tone(8), compression=32946), passes()),
    Dropped("packbits.tif", rgb(tone(9), compression="packbits"), passes()),
    Dropped(
        "jpeg-inside.tif",
        rgb(tone(10), compression="jpeg", compressionargs={"level": 95}),
        passes("file-compression"),
    ),
    Dropped("jpeg-inside-old.tif", old_jpeg, held("file-compression")),
    Dropped("zstd.tif", rgb(tone(11), compression="zstd"), held("file-compression")),
    Dropped("webp.tif", rgb(tone(13), compression="webp"), held("file-compression")),
    Dropped(
        "jpeg-2000-inside-untagged.tif", rgb(tone(14), compression="jpeg2000", iccprofile=None),
        held("colour-untagged", "file-compression"),
    ),
    # The decoder takes its samples for RGB and says nothing.
    Dropped("ycbcr.tif", by_pillow("YCbCr", 11, icc_profile=profiles.srgb()), held("colour-mode")),
    Dropped(
        "ycbcr-jpeg-inside.tif",
        by_pillow("YCbCr", 12, icc_profile=profiles.srgb(), compression="jpeg", quality=95),
        passes("file-compression"),
    ),
    Dropped("grey-8.tif", black_and_white(lambda: grey(0)), passes()),
    Dropped("grey-16.tif", black_and_white(lambda: deep(grey(1))), passes()),
    Dropped(
        "grey-white-is-zero.tif",
        black_and_white(lambda: 255 - grey(2), photometric="miniswhite"),
        passes(),
    ),
    Dropped(
        "grey-untagged.tif", black_and_white(lambda: grey(3), iccprofile=None),
        held("colour-untagged"),
    ),
    Dropped(
        "grey-of-a-printer.tif",
        black_and_white(lambda: grey(4), iccprofile=profiles.grey_printer()),
        passes(),
    ),
    Dropped("untagged-8.tif", rgb(tone(12), iccprofile=None), held("colour-untagged")),
    Dropped("untagged-16.tif", rgb(wide(12), iccprofile=None), held("colour-untagged")),
)  # fmt: skip

DEPTHS: tuple[Dropped, ...] = (
    Dropped("1-bit.tif", few_bits(1), held("file-depth", "colour-untagged")),
    Dropped("2-bit.tif", few_bits(2), held("file-depth", "colour-untagged")),
    Dropped("4-bit.tif", few_bits(4), held("file-depth", "colour-untagged")),
    Dropped(
        "fax.tif", by_pillow("1", 13, compression="group4"),
        held("file-compression", "file-depth", "colour-untagged"),
    ),
    Dropped("palette.tif", by_pillow("P", 14), held("file-depth", "colour-untagged")),
    Dropped("32-bit.tif", rgb(lambda: wide(15)().astype(np.uint32) << 16), held("file-depth")),
    Dropped(
        "float-16.tif", rgb(lambda: (colour(16) / 255).astype(np.float16)), held("file-depth")
    ),
    Dropped(
        "float-32.tif", rgb(lambda: (colour(16) / 255).astype(np.float32)), held("file-depth")
    ),
    Dropped("float-64.tif", rgb(lambda: colour(17) / 255), held("file-depth", "file-form")),
    Dropped(
        "depths-mixed.tif",
        lambda path: path.write_bytes(
            tiff_of(colour(18).tobytes(), [
                (258, 3, [8, 8, 4]), (259, 3, [1]), (262, 3, [2]), (277, 3, [3]),
            ])
        ),
        held("file-damaged"),
    ),
)  # fmt: skip

MODELS: tuple[Dropped, ...] = (
    Dropped(
        # The one form of Lab that the decoder does not read.
        "lab-8.tif",
        lab_tiff(lambda: lab_of(colour(0), icc=False), "cielab"),
        held("colour-mode"),
    ),
    Dropped(
        "lab-8-icc.tif",
        lab_tiff(lambda: lab_of(colour(1), icc=True), "icclab"),
        passes("colour-lab"),
    ),
    Dropped("lab-16.tif", lab_tiff(lambda: lab_16(colour(2)), "cielab"), passes("colour-lab")),
    Dropped("cmyk.tif", inks(4), held("colour-cmyk")),
    Dropped(
        "cmyk-16.tif",
        lambda path: tifffile.imwrite(
            path,
            deep(np.asarray(Image.fromarray(colour(3)).convert("CMYK"))),
            photometric="separated",
        ),
        held("colour-cmyk"),
    ),
    Dropped("six-inks.tif", inks(6, extratags=[(332, 3, 1, 2, True)]), held("colour-mode")),
)

CHANNELS: tuple[Dropped, ...] = (
    Dropped(
        "selection.tif",
        rgb(lambda: with_channels(colour(3), spot(colour(3), 0)), extrasamples=["unspecified"]),
        passes(),
    ),
    Dropped(
        "selection-16.tif",
        rgb(lambda: with_channels(wide(4)(), spot(wide(4)(), 0)), extrasamples=["unspecified"]),
        passes(),
    ),
    Dropped(
        "three-selections.tif",
        rgb(
            lambda: with_channels(colour(5), spot(colour(5), 0), 255, 0),
            extrasamples=["unspecified"] * 3,
        ),
        passes(),
    ),
    Dropped(
        "alpha-opaque.tif",
        rgb(lambda: with_channels(colour(6), 255), extrasamples=["unassalpha"]),
        passes(),
    ),
    Dropped(
        "alpha-cut-out.tif",
        rgb(lambda: with_channels(colour(7), spot(colour(7), 0)), extrasamples=["unassalpha"]),
        held("file-transparent"),
    ),
    Dropped(
        "alpha-nearly-opaque-16.tif",
        rgb(
            lambda: with_channels(wide(8)(), spot(wide(8)(), 65000)),
            extrasamples=["unassalpha"],
        ),
        held("file-transparent"),
    ),
    Dropped(
        "premultiplied-opaque-16.tif",
        rgb(lambda: with_channels(wide(9)(), 65535), extrasamples=["assocalpha"]),
        passes(),
    ),
    Dropped(
        "premultiplied-cut-out.tif",
        rgb(lambda: with_channels(colour(10), spot(colour(10), 90)), extrasamples=["assocalpha"]),
        held("file-transparent"),
    ),
    Dropped(
        "selection-and-alpha.tif",
        rgb(
            lambda: with_channels(colour(11), spot(colour(11), 0), 255),
            extrasamples=["unspecified", "unassalpha"],
        ),
        passes(),
    ),
    Dropped(
        "grey-with-selection.tif",
        black_and_white(
            lambda: with_channels(grey(5)[..., np.newaxis], spot(grey(5), 0)),
            extrasamples=["unspecified"],
            planarconfig="contig",
        ),
        passes(),
    ),
)

PAGES: tuple[Dropped, ...] = (
    Dropped("two-pages.tif", pages((tone(12), {}), (tone(13), {})), held("file-pages")),
    Dropped(
        "thumbnail-behind.tif",
        pages((tone(14), {}), (small(14), {"subfiletype": 1})),
        passes(logged="Smaller copies"),
    ),
    Dropped(
        "smaller-page-behind.tif",
        pages((tone(15), {}), (small(15), {})),
        passes(logged="Smaller copies"),
    ),
    Dropped(
        "thumbnail-first.tif",
        pages((small(16), {"subfiletype": 1}), (tone(16), {})),
        held("file-form"),
    ),
    Dropped("thumbnail-hanging.tif", pages((tone(17), {}), (small(17), {}), subifds=1), passes()),
    Dropped("mask-behind.tif", stencil, passes(logged="Masks")),
    Dropped(
        "layers.tif", tagged(5, (37724, 7, len(LAYERS), LAYERS)), passes("file-layers")
    ),
    Dropped("layers-alone.tif", layers_alone, held("file-layers")),
)  # fmt: skip

LONG_XMP = xmp_of(description="a day at the lake " * 130_000)

TAGS: tuple[Dropped, ...] = (
    *(
        Dropped(
            f"turned-{orientation}.tif",
            turned(orientation),
            passes(),
        )
        for orientation in range(1, 9)
    ),
    Dropped(
        "turned-xmp-agrees.tif",
        tagged(
            9, (274, 3, 1, 3), (700, 1, len(xmp_of(orientation=3)), xmp_of(orientation=3))
        ),
        passes(),
    ),
    Dropped(
        "turned-xmp-disagrees.tif",
        tagged(
            10, (274, 3, 1, 3), (700, 1, len(xmp_of(orientation=1)), xmp_of(orientation=1))
        ),
        held("file-orientation"),
    ),
    Dropped("ppi-0.tif", resolution(11, 0, 0), passes()),
    Dropped("ppi-1.tif", resolution(12, 1, 1), passes()),
    Dropped("ppi-72.tif", resolution(13, 72, 72), passes()),
    Dropped("ppi-300.tif", resolution(14, 300, 300), passes()),
    Dropped("ppi-in-cm.tif", resolution(15, (1181, 10), (1181, 10), "centimeter"), passes()),
    Dropped("ppi-no-unit.tif", resolution(16, 3, 2, "none"), passes()),
    Dropped("ppi-absurd.tif", resolution(17, 4_000_000_000, 4_000_000_000), passes()),
    Dropped("ppi-differs.tif", resolution(18, 300, 150), passes("file-ppi-differs")),
    Dropped(
        "long-xmp.tif", tagged(19, (700, 1, len(LONG_XMP), LONG_XMP)), passes(logged="MB of")
    ),
    Dropped(
        "gps-and-serial.tif",
        lambda path: Image.fromarray(colour(20)).save(
            path, exif=camera(place=True), icc_profile=profiles.srgb()
        ),
        passes(),
    ),
    Dropped(
        "captions.tif",
        tagged(
            21, (33723, 7, 9000, b"\x1c\x02\x05\0\x10Heron at the lake" + bytes(8979)),
            (34377, 7, 5000, b"an editor's own data".ljust(5000, b"\0")),
            (270, 2, 17, "Heron at the lake"),
        ),
        passes(),
    ),
)  # fmt: skip

ALL = (*FORMS, *DEPTHS, *MODELS, *CHANNELS, *PAGES, *TAGS)
