"""Small files that would open to something vast: refused from their headers, in little memory."""

from __future__ import annotations

import struct
import tracemalloc
import zlib
from collections.abc import Callable
from pathlib import Path

import imagecodecs
import made_profiles as profiles
import pytest
from given import known
from metadata import jpeg_segment
from png_corpus import SIGNATURE, chunk
from seeds import seed
from tiff_corpus import tiff_of

from platemark.checks import file_too_large
from platemark.imaging import probe as probing
from platemark.imaging.child import Children
from platemark.model.picture import Facts
from platemark.model.work import ChildLimits, HeaderLimits, ProbeReport, ProbeTask

LIMITS = HeaderLimits(600_000_000, 65_500, 4 << 30, 1000, 100_000_000)
MOST_MB = 100
"""Of memory for a file's tags: two copies of the largest profile that is read, and some."""
SRGB = chunk(b"sRGB", b"\0")


def png_bomb(side: int, *, lacing: int = 0, colour: int = 0) -> bytes:
    """A PNG of that side whose data are all zero, packed piece by piece."""
    packer, row = zlib.compressobj(9), bytes(1 + side * {0: 1, 2: 3}[colour])
    parts = [packer.compress(row) for _ in range(side)]
    parts.append(packer.flush())
    header = chunk(b"IHDR", struct.pack(">IIBBBBB", side, side, 8, colour, 0, 0, lacing))
    return SIGNATURE + header + SRGB + chunk(b"IDAT", b"".join(parts)) + chunk(b"IEND", b"")


def tiff_bomb(width: int, height: int, packing: int, strip: bytes) -> bytes:
    """A TIFF that says it is so large, of one small strip."""
    tags = [(258, 3, [8, 8, 8]), (259, 3, [packing]), (262, 3, [2]), (277, 3, [3])]
    return tiff_of(strip, tags, width, height)


def jpeg_bomb() -> bytes:
    """A small JPEG that says it has 65,500 px a side."""
    data = bytearray(seed("progressive.jpg"))
    at = data.index(b"\xff\xc2")
    struct.pack_into(">HH", data, at + 5, 65500, 65500)
    return bytes(data)


def in_jpeg(*segments: bytes) -> bytes:
    data = seed("baseline.jpg")
    return data[:2] + b"".join(segments) + data[2:]


def in_png(*chunks: bytes) -> bytes:
    data = seed("colour-key.png")
    return data[:33] + b"".join(chunks) + data[33:]


def zeros(megabytes: int) -> bytes:
    """So many megabytes of nothing, packed."""
    packer = zlib.compressobj(9)
    parts = [packer.compress(bytes(1 << 20)) for _ in range(megabytes)]
    return b"".join([*parts, packer.flush()])


PICTURES: dict[str, Callable[[], bytes]] = {
    "png-60000": lambda: SIGNATURE
    + chunk(b"IHDR", struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0))
    + chunk(b"IDAT", zeros(10)) + chunk(b"IEND", b""),
    "png-interlaced": lambda: SIGNATURE
    + chunk(b"IHDR", struct.pack(">IIBBBBB", 20_000, 20_000, 16, 6, 0, 0, 1))
    + chunk(b"IDAT", zeros(10)) + chunk(b"IEND", b""),
    "tiff-one-strip": lambda: tiff_bomb(60_000, 60_000, 8, zeros(30)),
    "tiff-packbits": lambda: tiff_bomb(65_000, 65_000, 32773, b"\x81\0" * 20_000),
    "tiff-lzw": lambda: tiff_bomb(30_000, 30_000, 5, imagecodecs.lzw_encode(bytes(1 << 20))),
    "tiff-of-nothing": lambda: tiff_bomb(60_000, 60_000, 1, bytes(30)),
    "tiff-wide": lambda: tiff_bomb(4_000_000_000, 1, 8, zeros(1)),
    "jpeg-65500": jpeg_bomb,
}  # fmt: skip
"""Stopped before any decoder sees them."""

DESCRIPTIONS: dict[str, Callable[[], bytes]] = {
    "icc-in-png": lambda: in_png(chunk(b"iCCP", b"p\0\0" + zeros(60))),
    "xmp-in-png": lambda: in_png(chunk(b"iTXt", b"XML:com.adobe.xmp\0\1\0\0\0" + zeros(60))),
    "text-in-png": lambda: in_png(*[chunk(b"zTXt", b"Comment\0\0" + zeros(40))] * 20),
    "exif-of-counts": lambda: in_jpeg(jpeg_segment(0xE1, b"Exif\0\0" + exif_bomb())),
    "xml-of-entities": lambda: in_jpeg(jpeg_segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + (
        b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">' + b"".join(
            b'<!ENTITY %c "%s">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(20)
        ) + b"]><x>&t;</x>"))),
    "xml-of-depth": lambda: in_jpeg(
        jpeg_segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + b"<a>" * 20_000)
    ),
    "profile-of-255-pieces": lambda: in_jpeg(*(
        jpeg_segment(0xE2, b"ICC_PROFILE\0" + bytes([n, 255]) + bytes(60_000))
        for n in range(1, 256)
    )),
    "profile-of-counts": lambda: in_png(chunk(b"iCCP", b"p\0\0" + zlib.compress(icc_bomb()))),
}  # fmt: skip
"""Told or left out; the picture itself is small."""


def exif_bomb() -> bytes:
    """Tags that say they have four thousand million values, at places all over."""
    rows = b"".join(struct.pack("<HHII", 256 + n, 12, 0xFFFFFFFF, 8 + n % 40) for n in range(4000))
    return b"II*\0\x08\0\0\0" + struct.pack("<H", 4000) + rows + struct.pack("<I", 8)


def icc_bomb() -> bytes:
    """Parts that all lie in each other, with counts beyond all."""
    made = bytearray(profiles.srgb())
    at = made.index(b"curv")
    struct.pack_into(">I", made, at + 8, 0xFFFFFFFF)
    return bytes(made)


def task_for(data: bytes, path: Path) -> ProbeTask:
    path.write_bytes(data)
    return ProbeTask(str(path), path.name, LIMITS)


def suffix_of(data: bytes) -> str:
    return {0xFF: ".jpg", 0x89: ".png"}.get(data[0], ".tif")


def held_for(facts: Facts) -> str:
    """Why such a file is never decoded."""
    stops = [each.code for each in file_too_large.find(known(facts=facts))]
    return stops[0] if stops else "file-damaged" if facts.damage else ""


@pytest.mark.fault(26)
@pytest.mark.parametrize("name", PICTURES)
def test_a_vast_picture_is_refused_from_its_header(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No decoder is opened for it, and little memory is used; it is held."""
    data = PICTURES[name]()
    assert len(data) < 3_000_000

    def opened(*_: object) -> None:
        raise AssertionError("a decoder was opened")

    monkeypatch.setattr(probing, "open_picture", opened)
    task = task_for(data, tmp_path / f"bomb{suffix_of(data)}")
    tracemalloc.start()
    facts = probing.probe(task).facts
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert held_for(facts) in ("file-too-large", "file-damaged")
    assert peak < 20 << 20


@pytest.mark.fault(26)
@pytest.mark.parametrize("name", DESCRIPTIONS)
def test_a_vast_description_costs_little(name: str, tmp_path: Path) -> None:
    """Profiles, captions and tags that unpack or count without end: bounded, told, never believed.

    No entity is written out, and nothing of it stands in the facts.
    """
    data = DESCRIPTIONS[name]()
    task = task_for(data, tmp_path / f"bomb{suffix_of(data)}")
    tracemalloc.start()
    facts = probing.probe(task).facts
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < MOST_MB << 20
    assert len(str(facts)) < 4000
    if name.startswith("profile") or name == "icc-in-png":
        assert facts.damage or (facts.profile is not None and facts.profile.damage)


@pytest.mark.long
@pytest.mark.fault(26)
def test_a_png_of_30000_a_side_in_a_child_of_300_mb(tmp_path: Path) -> None:
    """900 million pixels in 2.6 MB or less, for real: told within 300 MB and a few seconds."""
    data = png_bomb(30_000, colour=2)
    assert len(data) < 4_000_000
    task = task_for(data, tmp_path / "bomb.png")
    outcome = Children().run(task, ChildLimits(300, 10, 1, 1))
    assert isinstance(outcome, ProbeReport), outcome
    assert held_for(outcome.facts) == "file-too-large"
