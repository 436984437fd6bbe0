"""JPEG of cameras, phones and editors, and what happens to it on the way.

Writers are Pillow, imagecodecs, and marker segments by hand after ITU-T T.81.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import made_profiles as profiles
import numpy as np
from entries import Dropped, held, passes, raw
from metadata import camera, jpeg_of, jpeg_segment, xmp_of
from photographs import HIGH, WIDE, colour, grey
from PIL import Image


def picture(number: int, **options: Any) -> Callable[[Path], None]:
    """An sRGB JPEG of full chroma at quality 95, unless it says otherwise."""
    return raw(lambda: encoded(number, **options))


def encoded(number: int, **options: Any) -> bytes:
    return jpeg_of(Image.fromarray(colour(number)), **{"icc_profile": profiles.srgb(), **options})


def untagged(number: int, exif: bytes = b"", **options: Any) -> Callable[[Path], None]:
    return picture(number, icc_profile=None, exif=exif, **options)


def monochrome(number: int, **options: Any) -> Callable[[Path], None]:
    given = {"icc_profile": profiles.grey_22(), **options}
    return raw(lambda: jpeg_of(Image.fromarray(grey(number)), **given))


def changed(
    number: int, change: Callable[[bytes], bytes], **options: Any
) -> Callable[[Path], None]:
    return raw(lambda: change(encoded(number, **options)))


def after_start(*segments: bytes) -> Callable[[bytes], bytes]:
    """Put segments right behind the start-of-image marker."""
    return lambda data: data[:2] + b"".join(segments) + data[2:]


def segments_of(data: bytes) -> list[tuple[int, int, int]]:
    """Marker, first byte and end of each segment before the picture's data."""
    found, at = [], 2
    while data[at + 1] != 0xDA:
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        found.append((data[at + 1], at, end))
        at = end
    return found


def without_second_piece(data: bytes) -> bytes:
    """Take the second piece of a profile away (ICC.1, annex B.4)."""
    pieces = [
        (start, end)
        for marker, start, end in segments_of(data)
        if marker == 0xE2 and data[start + 4 : start + 16] == b"ICC_PROFILE\0"
    ]
    start, end = pieces[1]
    return data[:start] + data[end:]


def scan_of(data: bytes) -> int:
    """Where the coded data begin."""
    _, _, end = segments_of(data)[-1]
    return end + 2 + int.from_bytes(data[end + 2 : end + 4], "big")


def cut_at(share: float) -> Callable[[bytes], bytes]:
    """End the file early; 0 is the first coded byte, 1 its end."""
    return lambda data: data[: scan_of(data) + int((len(data) - scan_of(data)) * share)]


def with_hole(blocks: int) -> Callable[[bytes], bytes]:
    """Zeros over whole 4 KiB blocks in the middle, as an unfinished copy leaves them."""

    def change(data: bytes) -> bytes:
        start = (len(data) // 2) // 4096 * 4096
        end = start + 4096 * blocks
        assert start > scan_of(data)
        assert end < len(data)
        return data[:start] + bytes(end - start) + data[end:]

    return change


def two_pictures(path: Path) -> None:
    """A picture and a larger-than-preview second one, as stereo cameras keep them (CIPA DC-007)."""
    first, second = (Image.fromarray(colour(number)) for number in (0, 1))
    first.save(
        path, "MPO", save_all=True, append_images=[second], quality=95, subsampling=0,
        icc_profile=profiles.srgb(), exif=camera(space=1),
    )  # fmt: skip


def with_gain_map(data: bytes) -> bytes:
    """A phone's picture for bright displays: what XMP and ISO 21496-1 put into its segments."""
    xmp = (
        b'http://ns.adobe.com/xap/1.0/\0<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF '
        b'xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
        b'xmlns:hdrgm="http://ns.adobe.com/hdr-gain-map/1.0/" hdrgm:Version="1.0"/></rdf:RDF>'
        b"</x:xmpmeta>"
    )
    iso = b"urn:iso:std:iso:ts:21496:-1\0" + bytes(4)
    behind = jpeg_of(Image.fromarray(grey(2, 180, 120)))
    return after_start(jpeg_segment(0xE1, xmp), jpeg_segment(0xE2, iso))(data) + behind


def four_inks(number: int, **options: Any) -> Callable[[Path], None]:
    return raw(lambda: jpeg_of(Image.fromarray(colour(number)).convert("CMYK"), **options))


def ycck(path: Path) -> None:
    """CMYK as editors keep it in a JPEG: YCCK with an Adobe segment whose transform is 2."""
    plates = np.asarray(Image.fromarray(colour(5)).convert("CMYK"))
    data = imagecodecs.jpeg8_encode(plates, level=95, colorspace="cmyk", outcolorspace="ycck")
    path.write_bytes(data)


def lossless(path: Path) -> None:
    """The lossless process of T.81, annex H, which medical and some raw files use."""
    path.write_bytes(imagecodecs.ljpeg_encode(grey(1), bitspersample=8))


def turned(orientation: int) -> Callable[[Path], None]:
    """A picture that was taken with the camera turned, stored as the sensor saw it."""
    size = (HIGH, WIDE) if orientation >= 5 else (WIDE, HIGH)
    return raw(
        lambda: jpeg_of(
            Image.fromarray(colour(orientation + 8, *size)),
            icc_profile=profiles.srgb(),
            exif=camera(orientation=orientation),
        )
    )


QUALITY: tuple[Dropped, ...] = (
    Dropped("q100.jpg", picture(0, quality=100), passes()),
    Dropped("q98-progressive.jpg", picture(1, quality=98, progressive=True), passes()),
    Dropped("q95.jpg", picture(2), passes()),
    Dropped("q95-restarts.jpg", picture(3, restart_marker_rows=1), passes()),
    Dropped("q93-422.jpg", picture(4, quality=93, subsampling=1), passes()),
    Dropped("q92-420.jpg", picture(5, quality=92, subsampling=2), passes()),
    Dropped("q85.jpg", picture(6, quality=85), passes("file-jpeg-quality")),
    Dropped("q75-420.jpg", picture(7, quality=75, subsampling=2), passes("file-jpeg-quality")),
    Dropped("q60.jpg", picture(8, quality=60), held("file-jpeg-quality")),
    Dropped("q30-420.jpg", picture(9, quality=30, subsampling=2), held("file-jpeg-quality")),
    Dropped("grey.jpg", monochrome(0), passes()),
    Dropped("optimised.jpg", picture(10, optimize=True), passes()),
)

PROFILES: tuple[Dropped, ...] = (
    Dropped(
        "camera-srgb.jpg", untagged(11, camera(space=1, index="R98")), passes("colour-untagged")
    ),
    Dropped("camera-says-nothing.jpg", untagged(12, camera()), held("colour-untagged")),
    Dropped(
        "camera-uncalibrated.jpg", untagged(13, camera(space=0xFFFF)), held("colour-untagged")
    ),
    Dropped(
        "camera-adobe-rgb.jpg",
        untagged(14, camera(space=0xFFFF, index="R03")),
        held("colour-untagged"),
    ),
    Dropped(
        "camera-contradicts-itself.jpg",
        untagged(15, camera(space=1, index="R03")),
        held("colour-untagged"),
    ),
    Dropped("editor-srgb.jpg", untagged(16, camera(space=1, maker="")), held("colour-untagged")),
    Dropped("nothing-at-all.jpg", untagged(17), held("colour-untagged")),
    Dropped("grey-untagged.jpg", monochrome(1, icc_profile=None), held("colour-untagged")),
    Dropped(
        "camera-untagged-but-none-assumed.jpg",
        untagged(18, camera(space=1)),
        held("colour-untagged"),
        says='untagged = "stop"\n',
    ),
    Dropped(
        "adobe-rgb-camera-agrees.jpg",
        picture(19, icc_profile=profiles.adobe(), exif=camera(space=0xFFFF, index="R03")),
        passes(),
    ),
    Dropped(
        "adobe-rgb-camera-says-srgb.jpg",
        picture(20, icc_profile=profiles.adobe(), exif=camera(space=1)),
        passes("colour-exif-disagrees"),
    ),
    Dropped(
        "srgb-camera-says-adobe-rgb.jpg",
        picture(21, exif=camera(space=0xFFFF, index="R03")),
        passes("colour-exif-disagrees"),
    ),
    Dropped(
        "display-p3-uncalibrated.jpg",
        picture(22, icc_profile=profiles.display_p3(), exif=camera(space=0xFFFF)),
        passes(),
    ),
    Dropped(
        "long-profile.jpg",
        picture(23, icc_profile=profiles.large(profiles.adobe(), 150_000)),
        passes(),
    ),
    Dropped(
        "long-profile-piece-missing.jpg",
        changed(
            24, without_second_piece, icc_profile=profiles.large(profiles.srgb(), 150_000)
        ),
        held("colour-profile-damaged"),
    ),
)  # fmt: skip

INKS: tuple[Dropped, ...] = (
    Dropped("cmyk.jpg", four_inks(3), held("colour-cmyk")),
    Dropped("ycck.jpg", ycck, held("colour-cmyk")),
    Dropped("lossless.jpg", lossless, held("file-form")),
)

BEHIND: tuple[Dropped, ...] = (
    Dropped("two-pictures.jpg", two_pictures, passes(logged="2 pictures")),
    Dropped(
        "film-behind.jpg",
        changed(25, lambda data: data + b"\0\0\0\x18ftypmp42" + bytes(30_000)),
        passes(logged="after the end"),
    ),
    Dropped("gain-map.jpg", changed(26, with_gain_map), passes("file-gain-map")),
)

WAYS: tuple[Dropped, ...] = (
    *(
        Dropped(f"cut-at-{name}.jpg", changed(27, cut_at(share)), held("file-damaged"))
        for name, share in (("start", 0.0), ("a-tenth", 0.1), ("half", 0.5), ("99-percent", 0.99))
    ),
    Dropped("end-mark-gone.jpg", changed(28, lambda data: data[:-2]), held("file-damaged")),
    Dropped("cut-in-header.jpg", changed(29, lambda data: data[:300]), held("file-damaged")),
    Dropped("hole.jpg", changed(30, with_hole(6), quality=100), held("file-hole")),
    Dropped(
        "exif-broken.jpg",
        changed(31, after_start(jpeg_segment(0xE1, b"Exif\0\0II*\0\xff\xff\xff\x7f" + bytes(40)))),
        passes(logged="Exif"),
    ),
    Dropped("really-a-jpeg.tif", picture(32), passes("file-extension")),
    Dropped("really-a-jpeg.png", picture(33), passes("file-extension")),
    Dropped("REALLY-A-JPEG.JPE", picture(34), passes()),
)

TAGS: tuple[Dropped, ...] = (
    *(
        Dropped(
            f"turned-{orientation}.jpg",
            turned(orientation),
            passes(),
        )
        for orientation in (1, 3, 6, 8)
    ),
    Dropped(
        "turned-xmp-agrees.jpg",
        picture(35, exif=camera(orientation=3), xmp=xmp_of(orientation=3)),
        passes(),
    ),
    Dropped(
        "turned-xmp-disagrees.jpg",
        picture(36, exif=camera(orientation=3), xmp=xmp_of(orientation=8)),
        held("file-orientation"),
    ),
    Dropped("ppi-72.jpg", picture(37, dpi=(72, 72)), passes()),
    Dropped("ppi-300.jpg", picture(38, dpi=(300, 300)), passes()),
    Dropped("ppi-differs.jpg", picture(39, dpi=(300, 72)), passes("file-ppi-differs")),
    Dropped(
        "gps.jpg",
        picture(40, exif=camera(place=True, space=1, lines=900), xmp=xmp_of(keywords=400)),
        passes(),
    ),
    Dropped(
        "comment.jpg",
        changed(41, after_start(jpeg_segment(0xFE, b"at the lake " * 4000))),
        passes(),
    ),
    Dropped(
        "captions.jpg",
        changed(
            42,
            after_start(
                *(
                    jpeg_segment(0xED, b"an editor's own data\0" + struct.pack(">H", 0) * n)
                    for n in (9000, 12000)
                )
            ),
        ),
        passes(),
    ),
)

ALL = (*QUALITY, *PROFILES, *INKS, *BEHIND, *WAYS, *TAGS)
