"""What is dropped by mistake, what is half there, and what it may be called."""

from __future__ import annotations

import io
import os
import struct
import unicodedata
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import made_profiles as profiles
import tifffile
from entries import IGNORED, TOLD, Dropped, held, passes, raw, told
from metadata import jpeg_of
from photographs import colour, cut, deep
from PIL import Image
from png_corpus import SIGNATURE, chunk


def photo(number: int) -> Callable[[Path], None]:
    """A good JPEG."""
    return raw(lambda: jpeg_of(Image.fromarray(colour(number)), icc_profile=profiles.srgb()))


def saved(form: str, **options: object) -> Callable[[Path], None]:
    """A photograph in a format that is not printed from."""

    def make() -> bytes:
        stream = io.BytesIO()
        Image.fromarray(colour(2)).save(stream, form, **options)
        return stream.getvalue()

    return raw(make)


def archive() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as packed:
        packed.writestr("lake.txt", "the pictures are on the other disk")
    return stream.getvalue()


def box(brand: bytes) -> bytes:
    """The beginning of an ISO base media file, and then noise enough for one."""
    return struct.pack(">I4s4sI4s", 24, b"ftyp", brand, 0, b"mif1") + b"\0\1\2\3" * 3000


def bomb(side: int = 60_000) -> bytes:
    """40 kB that unpack to 3.6 Gpx of one grey."""
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0))
    rows = zlib.compress(bytes(40_000_000), 9)
    return SIGNATURE + header + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def thousandfold() -> bytes:
    """A picture inside the studio's pixels whose file is a thousandth of it."""
    side = 6000
    rows = zlib.compress((b"\0" + bytes(3 * side)) * side, 9)
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0))
    tag = chunk(b"sRGB", b"\0")
    return SIGNATURE + header + tag + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def raw_photo(path: Path) -> None:
    """A camera's raw file: a small first page and DNG's own tag (50706)."""
    tifffile.imwrite(
        path, deep(cut("camera", 160, 120)), photometric="minisblack", subfiletype=1,
        extratags=[(50706, 1, 4, b"\1\4\0\0", True)],
    )  # fmt: skip


def cut_tiff(share: float, *, more: int = 0) -> Callable[[Path], None]:
    """A 16-bit TIFF that ends early; its list of contents stands first."""

    def make() -> bytes:
        stream = io.BytesIO()
        tifffile.imwrite(stream, deep(colour(3)), photometric="rgb", iccprofile=profiles.srgb())
        data = stream.getvalue()
        return data[: int(len(data) * share) - more]

    return raw(make)


def hole_in_tiff(first: int, blocks: int, *, to_end: bool = False) -> Callable[[Path], None]:
    """Whole 4 KiB blocks of zeros where the copy was never written."""

    def make() -> bytes:
        stream = io.BytesIO()
        # No block of these pixels is black by itself.
        pixels = deep(colour(1 + 6 * first))
        tifffile.imwrite(stream, pixels, photometric="rgb", iccprofile=profiles.srgb())
        data = stream.getvalue()
        end = len(data) if to_end else 4096 * (first + blocks)
        return data[: 4096 * first] + bytes(end - 4096 * first) + data[end:]

    return raw(make)


def night() -> bytes:
    """A photograph whose lower part is truly black, as at night."""
    pixels = colour(3).copy()
    pixels[300:] = 0
    stream = io.BytesIO()
    tifffile.imwrite(stream, pixels, photometric="rgb", iccprofile=profiles.srgb())
    return stream.getvalue()


WRONG_THINGS: tuple[Dropped, ...] = (
    Dropped("order.pdf", raw(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n" + b"1 0 obj\n" * 900),
            held("file-format")),
    Dropped("lake.gif", saved("GIF"), held("file-format")),
    Dropped("lake.webp", saved("WEBP", quality=95), held("file-format")),
    Dropped("lake.bmp", saved("BMP"), held("file-format")),
    Dropped("lake.jp2", saved("JPEG2000"), held("file-format")),
    Dropped("lake.heic", raw(box(b"heic")), held("file-format")),
    Dropped("lake.avif", raw(box(b"avif")), held("file-format")),
    Dropped("lake.cr3", raw(box(b"crx ")), held("file-format")),
    Dropped("lake.dng", raw_photo, held("file-format")),
    Dropped("layers.psd", raw(b"8BPS\0\1" + bytes(6) + b"\0\3" + bytes(9000)),
            held("file-format")),
    Dropped("drawing.jpg", raw(b'<svg xmlns="http://www.w3.org/2000/svg"/>' + b" " * 600),
            held("file-format")),
    Dropped("page.tif", raw(b"<!DOCTYPE html><html>you are not signed in</html>"),
            held("file-format")),
    Dropped("notes.txt", raw(b"please print the heron larger than last time"),
            held("file-format")),
    Dropped("pictures.zip", raw(archive), held("file-format")),
    Dropped("noise.tif", raw(b"\x17\x99" * 20_000), held("file-format")),
    Dropped("empty.tif", raw(b""), held("file-damaged")),
    Dropped("zeros.tif", raw(bytes(50_000)), held("file-damaged")),
    Dropped("four-bytes.tif", raw(b"II*\0"), held("file-damaged")),
    Dropped("bomb.png", raw(bomb), held("file-too-large")),
    Dropped("thousandfold.png", raw(thousandfold), held("file-too-large")),
)  # fmt: skip

HALF_THERE: tuple[Dropped, ...] = (
    *(
        Dropped(f"cut-at-{name}.tif", cut_tiff(share), held("file-damaged"))
        for name, share in (("1-percent", 0.01), ("half", 0.5), ("99-percent", 0.99))
    ),
    Dropped("two-bytes-short.tif", cut_tiff(1, more=2), held("file-damaged")),
    Dropped("still-arriving.tif", cut_tiff(0.7), TOLD, young=True),
    Dropped("hole.tif", hole_in_tiff(100, 3), held("file-hole")),
    Dropped(
        "hole-to-the-end.tif",
        hole_in_tiff(300, 0, to_end=True),
        # What was never written is black right across the picture's foot.
        held("file-hole", cautions=("picture-solid-border",)),
    ),
    Dropped("night.tif", raw(night), passes("picture-solid-border")),
)

NAMES: tuple[Dropped, ...] = (
    Dropped(unicodedata.normalize("NFC", "Café au lait.jpg"), photo(200), passes()),
    Dropped(unicodedata.normalize("NFD", "Été à Bléré.jpg"), photo(201), passes()),
    # One name to the eye: the second is not to take the place of the first unseen.
    Dropped(unicodedata.normalize("NFD", "Forêt.jpg"), photo(202), passes()),
    Dropped(unicodedata.normalize("NFC", "Forêt.jpg"), photo(203), held("same-name")),
    Dropped("two  spaces and (brackets).jpg", photo(204), passes()),
    Dropped("🦢 swan 🪶.jpg", photo(205), passes()),
    Dropped("白鷺.jpg", photo(206), passes()),
    Dropped("مالك الحزين.jpg", photo(207), passes()),
    Dropped(b"B\xe4renfels \xff.jpg", photo(208), passes()),
    Dropped("line\nbreak.jpg", photo(209), passes()),
    Dropped("tab\tand \u202ereversed\u202c.jpg", photo(210), passes()),
    Dropped("-rf --help.jpg", photo(211), passes()),
    Dropped("'; DROP TABLE jobs; --.jpg", photo(212), passes()),
    Dropped("<b>&amp;.jpg", photo(213), passes()),
    Dropped("C:\\lake\\heron.jpg", photo(214), passes()),
    Dropped("n" * 251 + ".jpg", photo(215), passes()),
    Dropped("ü" * 125 + ".jpg", photo(216), passes()),
    Dropped("no ending", photo(217), passes("file-extension")),
    Dropped("UPPER CASE.JPG", photo(218), passes()),
    Dropped("dots.in.the.name.jpeg", photo(219), passes()),
)

LEFT_ALONE: tuple[Dropped, ...] = (
    Dropped(".hidden.jpg", photo(220), IGNORED),
    Dropped("._heron.jpg", raw(b"\0\5\x16\7" + bytes(4000)), IGNORED),
    Dropped("heron.jpg.part", photo(221), IGNORED),
    Dropped("heron.tmp", photo(222), IGNORED),
    Dropped("~heron.jpg", photo(223), IGNORED),
    Dropped("Thumbs.db", raw(b"\xd0\xcf\x11\xe0" + bytes(2000)), IGNORED),
    Dropped("link.jpg", lambda path: path.symlink_to("/etc/hostname"), TOLD),
    Dropped("pipe.jpg", lambda path: os.mkfifo(path), TOLD),
    Dropped("two-names.jpg", lambda path: two_names(path), TOLD),
    Dropped("lonely.jpg.toml", raw(b'size = "4x6in"\n'), TOLD),
    Dropped("nowhere.jpg", photo(224), TOLD, where=""),
    Dropped("misspelt.jpg", photo(225), told("smoth-rag"), where="smoth-rag/8x10in"),
)


def two_names(path: Path) -> None:
    """A file that has a second name outside, so that it could change after it was taken."""
    outside = path.parents[3] / "second-name.jpg"
    photo(226)(outside)
    path.hardlink_to(outside)


ALL = (*WRONG_THINGS, *HALF_THERE, *NAMES, *LEFT_ALONE)
