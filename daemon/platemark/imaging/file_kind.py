"""Tell from its first bytes what a file is, whatever its name says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from platemark.model.picture import Format

HEAD_BYTES = 64
"""How much of a file's beginning is needed."""

_SUFFIXES: Final[Mapping[Format, frozenset[str]]] = {
    "tiff": frozenset({".tif", ".tiff", ".btf"}),
    "jpeg": frozenset({".jpg", ".jpeg", ".jpe", ".jfif"}),
    "png": frozenset({".png"}),
}
_OURS: Final = frozenset().union(*_SUFFIXES.values())

_MAGICS: Final[tuple[tuple[bytes, Format], ...]] = (
    (b"II*\0", "tiff"),
    (b"MM\0*", "tiff"),
    (b"II+\0", "tiff"),
    (b"MM\0+", "tiff"),
    (b"\xff\xd8\xff", "jpeg"),
    (b"\x89PNG\r\n\x1a\n", "png"),
)

_OTHERS: Final = (
    (b"%PDF", "a PDF document"),
    (b"GIF8", "a GIF picture"),
    (b"8BPS", "a layered document of an image editor"),
    (b"\0\0\0\x0cjP  ", "a JPEG 2000 picture"),
    (b"\xff\x4f\xff\x51", "a JPEG 2000 picture"),
    (b"\0\0\0\x0cJXL ", "a JPEG XL picture"),
    (b"\xff\x0a", "a JPEG XL picture"),
    (b"\x76\x2f\x31\x01", "an OpenEXR picture"),
    (b"#?RADIANCE", "a picture of high dynamic range"),
    (b"BM", "a bitmap (BMP)"),
    (b"%!PS", "a PostScript document"),
    (b"\xc5\xd0\xd3\xc6", "a PostScript document"),
    (b"PK\3\4", "a ZIP archive"),
    (b"\x1f\x8b", "a packed file (gzip)"),
    (b"<svg", "a drawing (SVG)"),
    (b"<?xml", "a text file (XML)"),
    (b"<!DOCTYPE", "a web page"),
    (b"<html", "a web page"),
    (b"IIRO", "a camera raw file"),
    (b"IIRS", "a camera raw file"),
    (b"IIU\0", "a camera raw file"),
)

_BRANDS: Final = {
    **dict.fromkeys((b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1", b"msf1"), "HEIC"),
    **dict.fromkeys((b"avif", b"avis"), "AVIF"),
}
"""Major brands of pictures in an ISO base media file (ISO/IEC 23008-12, annex B)."""


@dataclass(frozen=True, slots=True)
class FileKind:
    """What a file is by its first bytes."""

    format: Format
    looks_like: str
    """Of one that is not taken: `a PDF document`; empty where nothing is known of it."""
    begins_with_zeros: bool
    """All of its beginning is zero: a copy whose first bytes have not arrived."""
    may_grow: bool
    """It is shorter than any picture and agrees with the beginning of one, or is empty."""


def tell_kind(head: bytes) -> FileKind:
    """Return what a file is.

    Args:
        head: Its first `HEAD_BYTES` bytes, or all of it if it is shorter.
    """
    found = next((form for magic, form in _MAGICS if head.startswith(magic)), None)
    if found == "tiff" and head[8:10] == b"CR":
        return FileKind("other", "a camera raw file", begins_with_zeros=False, may_grow=False)
    if found is not None:
        return FileKind(found, "", begins_with_zeros=False, may_grow=False)
    grows = len(head) < 8 and any(magic.startswith(head) for magic, _ in _MAGICS)
    zeros = bool(head) and not any(head)
    return FileKind("other", _looks_like(head), begins_with_zeros=zeros, may_grow=grows)


def _looks_like(head: bytes) -> str:
    if head[4:8] == b"ftyp":
        name = _BRANDS.get(head[8:12])
        if name:
            return f"a picture of the {name} kind"
        return "a camera raw file" if head[8:12] == b"crx " else "a film"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "a WebP picture"
    if head[8:15] == b"CCD-RAW":
        return "a camera raw file"
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    return next((name for magic, name in _OTHERS if text.startswith(magic)), "")


def suffix_agrees(form: Format, suffix: str) -> bool:
    """Tell whether a name's extension claims what the file is.

    Args:
        form: What it is; `other` agrees with any extension but those of pictures that are taken.
        suffix: With its dot, as `pathlib` gives it.
    """
    wanted = _SUFFIXES.get(form)
    return suffix.lower() in wanted if wanted else suffix.lower() not in _OURS
