"""Each rule of the trade about files and colour, on files that other programs wrote.

For every rule a file that trips it and the nearest one that does not go through the probe and all
checks. Writers are Pillow, tifffile and this project's own profiles, the photograph is that of
the scikit-image wheel (`astronaut`, public domain). The rules themselves are common practice.
"""

from __future__ import annotations

import functools
import io
import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import skimage.data
import tifffile
from given import FIXED_300, PAPER, facts, known, product
from numpy.typing import NDArray
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from platemark.checks import all_checks, run_checks
from platemark.imaging.icc import (
    PCS_WHITE,
    build_grey_profile,
    build_matrix_profile,
    pack_profile,
    pack_text,
    pack_xyz,
)
from platemark.imaging.opening import open_picture
from platemark.imaging.probe import probe
from platemark.model.picture import FACTS_VERSION, Facts
from platemark.model.plain import from_plain, to_plain
from platemark.model.work import HeaderLimits, ProbeTask

LIMITS = HeaderLimits(
    pixels=600_000_000,
    side_px=65_500,
    file_bytes=4_000_000_000,
    expansion=1000,
    progressive_pixels=100_000_000,
)

Pixels = NDArray[Any]
Writer = Callable[[Path], Path]

SRGB, ADOBE = build_matrix_profile("srgb"), build_matrix_profile("adobe-rgb")
ROMM, GREY = build_matrix_profile("romm"), build_grey_profile()


@functools.cache
def photograph() -> Pixels:
    """300 × 420 px, 8-bit RGB; its deepest blacks are raised, so that no row is black."""
    return np.maximum(skimage.data.astronaut()[:420, 100:400], 3)


def deep() -> Pixels:
    return photograph().astype(np.uint16) * 257


def classed(profile: bytes, device_class: bytes) -> bytes:
    return profile[:12] + device_class + profile[16:]


def unknown_space(maker: bytes = bytes(8), **parts: bytes) -> bytes:
    """A matrix profile of no known working space, by a maker and a model of 4 letters each."""
    xyz = [pack_xyz((0.5, 0.3, 0.02)), pack_xyz((0.3, 0.6, 0.1)), pack_xyz((0.1642, 0.1, 0.7049))]
    whole = {"desc": pack_text("Own", version=2, is_name=True), "wtpt": pack_xyz(PCS_WHITE)}
    whole |= dict(zip(("rXYZ", "gXYZ", "bXYZ"), xyz, strict=True))
    whole |= dict.fromkeys(("rTRC", "gTRC", "bTRC"), b"curv\0\0\0\0\0\0\0\1\2\x40\0\0") | parts
    data = pack_profile(whole, version=2, device_class="mntr", colour_space="RGB", pcs="XYZ")
    return data[:48] + maker + data[56:]


def tif(
    pixels: Pixels | None = None, profile: bytes | None = SRGB, name: str = "a.tif", **options: Any
) -> Writer:
    """A TIFF by tifffile."""

    def write(folder: Path) -> Path:
        whole = {"photometric": "rgb", "iccprofile": profile} | options
        tifffile.imwrite(folder / name, photograph() if pixels is None else pixels, **whole)
        return folder / name

    return write


def pillow(name: str, mode: str = "RGB", profile: bytes | None = SRGB, **options: Any) -> Writer:
    """A file by Pillow, in the format that its name says or `format` names."""

    def write(folder: Path) -> Path:
        picture = Image.fromarray(photograph()).convert(mode)
        whole = {"quality": 95} | options if name.endswith("jpg") else options
        picture.save(folder / name, icc_profile=profile, **whole)
        return folder / name

    return write


def changed(writer: Writer, change: Callable[[bytearray], bytearray]) -> Writer:
    """Another's file with bytes changed."""

    def write(folder: Path) -> Path:
        path = writer(folder)
        path.write_bytes(change(bytearray(path.read_bytes())))
        return path

    return write


def png_with(name: bytes, body: bytes, profile: bytes | None = None) -> Writer:
    info = PngInfo()
    info.add(name, body)
    return pillow("a.png", profile=profile, pnginfo=info)


def exif(**tags: int) -> Image.Exif:
    made = Image.Exif()
    if "orientation" in tags:
        made[274] = tags["orientation"]
    if "space" in tags:
        made.get_ifd(34665)[40961] = tags["space"]
    return made


def xmp(attributes: str) -> bytes:
    return (
        "<x:xmpmeta xmlns:x='adobe:ns:meta/'>"
        "<rdf:RDF xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'>"
        f"<rdf:Description xmlns:tiff='http://ns.adobe.com/tiff/1.0/' {attributes}/>"
        "</rdf:RDF></x:xmpmeta>"
    ).encode()


def pages(*sizes: int) -> Writer:
    def write(folder: Path) -> Path:
        with tifffile.TiffWriter(folder / "a.tif") as writer:
            for step in sizes:
                writer.write(photograph()[::step, ::step], photometric="rgb", iccprofile=SRGB)
        return folder / "a.tif"

    return write


def with_alpha(kind: str, level: int) -> Writer:
    planes = np.concatenate([deep(), np.full((420, 300, 1), level, np.uint16)], axis=2)
    return tif(planes, extrasamples=[kind])


def old_jpeg(folder: Path) -> Path:
    """A whole JPEG inside a TIFF as TIFF 6.0, section 22, has it (compression 6, tags 513, 514)."""
    buffer = io.BytesIO()
    Image.fromarray(photograph()).save(buffer, "JPEG", quality=95)
    jpeg = buffer.getvalue()
    rows = [
        *((256, 3, 1, 300), (257, 3, 1, 420), (259, 3, 1, 6), (262, 3, 1, 6)),
        *((273, 4, 1, 8), (277, 3, 1, 3), (278, 3, 1, 420), (279, 4, 1, len(jpeg))),
        *((512, 3, 1, 1), (513, 4, 1, 8), (514, 4, 1, len(jpeg)), (258, 3, 1, 8)),
    ]
    table = b"".join(struct.pack("<HHII", *row) for row in sorted(rows))
    head = b"II*\0" + struct.pack("<I", 8 + len(jpeg))
    (folder / "a.tif").write_bytes(head + jpeg + struct.pack("<H", len(rows)) + table + bytes(4))
    return folder / "a.tif"


def lossless(folder: Path) -> Path:
    """The lossless process of ITU-T T.81, annex H."""
    data = imagecodecs.ljpeg_encode(photograph()[..., 1], bitspersample=8)
    (folder / "a.jpg").write_bytes(data)
    return folder / "a.jpg"


def mask_first(folder: Path) -> Path:
    """A transparency mask (NewSubfileType 4) that stands before its picture."""
    with tifffile.TiffWriter(folder / "a.tif") as writer:
        mask = np.ones((420, 300), np.bool_)
        writer.write(mask, photometric="minisblack", subfiletype=4, metadata=None)
        writer.write(photograph(), photometric="rgb", iccprofile=SRGB, metadata=None)
    return folder / "a.tif"


def layers_alone(folder: Path) -> Path:
    """An editor's layers (private tag 37724) and a flat picture of no bytes."""
    layers = b"Layers of an editor".ljust(40, b"\0")
    rows = [
        *((256, 3, 1, 300), (257, 3, 1, 420), (258, 3, 1, 8), (259, 3, 1, 1), (262, 3, 1, 1)),
        *((273, 4, 1, 8), (277, 3, 1, 1), (278, 3, 1, 420), (279, 4, 1, 0), (37724, 7, 40, 8)),
    ]
    table = b"".join(struct.pack("<HHII", *row) for row in rows)
    head = b"II*\0" + struct.pack("<I", 8 + len(layers)) + layers
    (folder / "a.tif").write_bytes(head + struct.pack("<H", len(rows)) + table + bytes(4))
    return folder / "a.tif"


def margin(left: int) -> Writer:
    pixels = photograph().copy()
    pixels[:, :left] = 255
    return tif(pixels)


def lost_block(data: bytearray) -> bytearray:
    data[4096 * 20 : 4096 * 21] = bytes(4096)
    return data


def bomb(folder: Path) -> Path:
    """16 million black pixels in some thousand bytes."""
    Image.new("1", (4000, 4000)).save(folder / "a.png")
    return folder / "a.png"


def grey(profile: bytes | None) -> Writer:
    return tif(photograph()[..., 1], profile, photometric="minisblack")


LAYERS = {"extratags": [(37724, 7, 40, b"Layers of an editor".ljust(40, b"\0"), True)]}
LAB = np.tile(np.array([[128, 148, 98], [190, 78, 188]], np.uint8), (300, 150, 1))
LAB_APART = np.ascontiguousarray(LAB.transpose(2, 0, 1)).astype(np.uint16) * 256
VCGT = b"vcgt" + bytes(20)
PLAIN_RGB = tif()
FINE = pillow("a.jpg")
PERCEPTUAL: dict[str, Any] = {
    "surface": replace(PAPER, intent="perceptual"),
    "profile": replace(known().profile, version="2.4"),
}
ENLARGED: dict[str, Any] = {"product": product(ppi=FIXED_300)}

# Code, severity, a file that trips it, the nearest that does not, and what else is known.
RULES: list[tuple[str, str, Writer, Writer, dict[str, Any]]] = [
    ("colour-cmyk", "stop", pillow("a.tif", "CMYK", None), PLAIN_RGB, {}),
    ("colour-cmyk", "stop", pillow("a.jpg", "CMYK", None), FINE, {}),
    (
        "colour-exif-disagrees",
        "caution",
        pillow("a.jpg", profile=ADOBE, exif=exif(space=1)),
        pillow("a.jpg", profile=ADOBE, exif=exif(space=0xFFFF)),
        {},
    ),
    (
        "colour-hdr",
        "stop",
        png_with(b"cICP", bytes([9, 16, 0, 1])),
        png_with(b"cICP", bytes([12, 13, 0, 1])),
        {},
    ),
    ("colour-lab", "caution", tif(LAB, None, photometric="icclab"), PLAIN_RGB, {}),
    (
        "colour-mode",
        "stop",
        tif(LAB, None, photometric="cielab"),
        tif(LAB.astype(np.uint16) * 256, None, photometric="cielab"),
        {},
    ),
    (
        "colour-mode",
        "stop",
        tif(
            photograph()[..., [0, 1, 2, 0, 1]],
            None,
            photometric="separated",
            extratags=[(332, 3, 1, 2, True)],
        ),
        PLAIN_RGB,
        {},
    ),
    (
        "colour-monitor-profile",
        "stop",
        tif(profile=unknown_space(vcgt=VCGT)),
        tif(profile=unknown_space()),
        {},
    ),
    (
        "colour-monitor-profile",
        "caution",
        tif(profile=unknown_space(b"ACMEX27Q")),
        tif(profile=SRGB[:48] + b"ACMEX27Q" + SRGB[56:]),
        {},
    ),
    (
        "colour-perceptual-black",
        "caution",
        tif(profile=build_matrix_profile("srgb", version=4)),
        PLAIN_RGB,
        PERCEPTUAL,
    ),
    ("colour-profile-class", "stop", tif(profile=classed(SRGB, b"prtr")), PLAIN_RGB, {}),
    (
        "colour-profile-class",
        "stop",
        tif(profile=classed(SRGB, b"link")),
        grey(classed(GREY, b"prtr")),
        {},
    ),
    ("colour-profile-class", "stop", tif(profile=SRGB[:8] + b"\5" + SRGB[9:]), PLAIN_RGB, {}),
    ("colour-profile-damaged", "stop", tif(profile=SRGB[:-8]), PLAIN_RGB, {}),
    ("colour-profile-damaged", "stop", tif(profile=GREY), grey(GREY), {}),
    ("colour-scanner-profile", "caution", tif(profile=classed(SRGB, b"scnr")), PLAIN_RGB, {}),
    ("colour-untagged", "stop", tif(profile=None), png_with(b"sRGB", b"\0"), {}),
    ("colour-untagged", "stop", grey(None), grey(GREY), {}),
    (
        "colour-untagged",
        "stop",
        pillow("a.jpg", profile=None, exif=exif(space=0xFFFF)),
        png_with(b"cICP", bytes([1, 13, 0, 1])),
        {},
    ),
    (
        "colour-untagged",
        "stop",
        png_with(b"cICP", bytes([9, 1, 0, 1])),
        png_with(b"cICP", bytes([9, 1, 0, 1]), SRGB),
        {},
    ),
    ("colour-wide-at-8-bit", "caution", tif(profile=ROMM), tif(deep(), ROMM), {}),
    ("file-compression", "stop", old_jpeg, tif(compression="packbits"), {}),
    ("file-compression", "caution", tif(compression="jpeg"), tif(compression="lzw"), {}),
    (
        "file-compression",
        "stop",
        pillow("a.tif", "1", None, compression="group4"),
        tif(deep(), compression="zlib", predictor=2),
        {},
    ),
    *(
        ("file-compression", "stop", tif(compression=packed), tif(compression=read), {})
        for packed, read in (
            *(("zstd", "zlib"), ("webp", "packbits"), ("lzma", "lzw")),
            *(("jpeg2000", None), ("jpegxl", 32946), ("lerc", None)),
        )
    ),
    ("file-damaged", "stop", changed(FINE, lambda data: data[:-2000]), FINE, {}),
    ("file-damaged", "stop", changed(PLAIN_RGB, lambda data: data[:0]), PLAIN_RGB, {}),
    (
        "file-depth",
        "stop",
        tif((photograph() / 255).astype(np.float32)),
        tif(deep(), planarconfig="contig", tile=(64, 64), byteorder=">", bigtiff=True),
        {},
    ),
    ("file-depth", "stop", tif(photograph().astype(np.uint32) << 24), PLAIN_RGB, {}),
    ("file-depth", "stop", pillow("a.png", "P"), pillow("a.png"), {}),
    ("file-depth", "stop", pillow("a.png", "1"), pillow("a.png", "L", GREY), {}),
    (
        "file-extension",
        "caution",
        pillow("a.tif", format="PNG"),
        pillow("a.jpeg", format="JPEG", quality=95),
        {},
    ),
    ("file-format", "stop", pillow("a.webp", format="WEBP"), PLAIN_RGB, {}),
    ("file-format", "stop", pillow("a.tif", "P", None, format="GIF"), PLAIN_RGB, {}),
    ("file-form", "stop", lossless, FINE, {}),
    ("file-form", "stop", tif(subfiletype=1), PLAIN_RGB, {}),
    ("file-form", "stop", mask_first, PLAIN_RGB, {}),
    (
        "file-form",
        "stop",
        tif(LAB_APART, None, photometric="cielab", planarconfig="separate"),
        tif(LAB.astype(np.uint16) * 256, None, photometric="cielab"),
        {},
    ),
    (
        # Layers alone are told of where layers are.
        "file-form",
        "stop",
        tif(photograph() / 255),
        layers_alone,
        {},
    ),
    (
        "file-gain-map",
        "caution",
        pillow("a.jpg", xmp=xmp("xmlns:hdrgm='http://ns.adobe.com/hdr-gain-map/1.0/'")),
        pillow("a.jpg", xmp=xmp("")),
        {},
    ),
    ("file-hole", "stop", changed(PLAIN_RGB, lost_block), PLAIN_RGB, {}),
    ("file-jpeg-quality", "stop", pillow("a.jpg", quality=65), pillow("a.jpg", quality=92), {}),
    ("file-jpeg-quality", "caution", pillow("a.jpg", quality=85), pillow("a.jpg", quality=92), {}),
    (
        "file-jpeg-quality",
        "caution",
        pillow("a.jpg", subsampling="4:2:0"),
        pillow("a.jpg", subsampling="4:4:4"),
        ENLARGED,
    ),
    ("file-layers", "caution", tif(**LAYERS), PLAIN_RGB, {}),
    ("file-layers", "stop", layers_alone, PLAIN_RGB, {}),
    (
        "file-layers",
        "stop",
        tif(np.full_like(photograph(), 255), **LAYERS),
        tif(np.full_like(photograph(), 255)),
        {},
    ),
    (
        "file-orientation",
        "stop",
        pillow("a.jpg", exif=exif(orientation=6), xmp=xmp("tiff:Orientation='1'")),
        pillow("a.jpg", exif=exif(orientation=6), xmp=xmp("tiff:Orientation='6'")),
        {},
    ),
    (
        "file-orientation",
        "stop",
        pillow("a.jpg", exif=exif(orientation=1), xmp=xmp("tiff:Orientation='8'")),
        pillow("a.jpg", exif=exif(orientation=8), xmp=xmp("")),
        {},
    ),
    ("file-pages", "stop", pages(1, 1), pages(1, 3), {}),
    (
        "file-ppi-differs",
        "caution",
        pillow("a.jpg", dpi=(300, 240)),
        pillow("a.jpg", dpi=(300, 300)),
        {},
    ),
    ("file-too-large", "stop", bomb, pillow("a.png"), {}),
    ("file-transparent", "stop", with_alpha("assocalpha", 0), with_alpha("assocalpha", 65535), {}),
    ("file-transparent", "stop", with_alpha("unassalpha", 9), with_alpha("unspecified", 9), {}),
    ("picture-plain", "caution", tif(np.full_like(photograph(), 90)), PLAIN_RGB, {}),
    ("picture-small", "caution", tif(photograph()[:255]), tif(photograph()[:256]), {}),
    ("picture-solid-border", "caution", margin(18), margin(15), {}),
]


def found_in(write: Writer, folder: Path, more: dict[str, Any]) -> dict[str, str]:
    """Codes and severities that a file comes to."""
    folder.mkdir()
    path = write(folder)
    read = probe(ProbeTask(str(path), path.name, LIMITS)).facts
    whole = known(**{"name": path.name, "facts": read} | more)
    return {finding.code: finding.severity for finding in run_checks(whole)}


@pytest.mark.parametrize(("code", "severity", "trips", "passes", "more"), RULES)
def test_a_file_trips_its_rule_and_its_neighbour_does_not(
    code: str,
    severity: str,
    trips: Writer,
    passes: Writer,
    more: dict[str, Any],
    tmp_path: Path,
) -> None:
    """A whole file, probed and checked, brings that finding; its neighbour does not bring it."""
    assert found_in(trips, tmp_path / "trips", more).get(code) == severity
    assert code not in found_in(passes, tmp_path / "passes", more)


def test_every_rule_about_files_and_colour_has_a_file() -> None:
    """No check of a file, its colour or its pixels is without files above.

    But for those of the rendering intent, which measures and a decision tell and not the file.
    """
    kinds = ("file-", "colour-", "picture-")
    codes = {check.code for check in all_checks() if check.code.startswith(kinds)}
    assert codes - {code for code, *_ in RULES} == {
        "colour-intents-differ", "colour-intent-settled",
    }  # fmt: skip
    assert {code for code, *_ in RULES} <= codes


ORDINARY: dict[str, Writer] = {
    "edited, ROMM at 16 bit": tif(deep(), ROMM, compression="lzw", predictor=2),
    "edited, Adobe RGB at 8 bit": tif(profile=ADOBE, resolution=(300, 300)),
    "grey at 16 bit": tif(deep()[..., 1], GREY, photometric="minisblack"),
    "camera's JPEG": pillow("a.jpg", exif=exif(space=1, orientation=8), subsampling="4:2:2"),
    "exported JPEG": pillow(
        "a.jpg", quality=92, dpi=(240, 240), xmp=xmp("tiff:Orientation='1'"), subsampling="4:2:0"
    ),
    "telephone's picture": pillow(
        "a.jpg", profile=build_matrix_profile("display-p3", version=4), exif=exif(space=0xFFFF)
    ),
    "a saved selection": with_alpha("unspecified", 0),
    "opaque alpha": with_alpha("unassalpha", 65535),
    "planar": tif(np.ascontiguousarray(deep().transpose(2, 0, 1)), ADOBE, planarconfig="separate"),
    "a thumbnail inside": pages(1, 3),
    "screenshot with its name of sRGB": png_with(b"sRGB", b"\0"),
}


@pytest.mark.parametrize("kind", ORDINARY)
def test_an_ordinary_careful_file_brings_no_word(kind: str, tmp_path: Path) -> None:
    """Of an ordinary file no rule about files and colour says anything; only its size does."""
    found = found_in(ORDINARY[kind], tmp_path / "a", {})
    assert {code for code in found if not code.startswith("size-")} == set()


def test_facts_recorded_by_an_older_version_are_read_back() -> None:
    """What was recorded before a fact was known has that fact's default."""
    old = to_plain(facts())
    for name in (
        *("ppi_differs", "layered", "composite_missing", "orientation_disputed", "gain_map"),
        *("jpeg_quality", "chroma_subsampled", "dynamic_range", "lab_encoding"),
        *("uniform", "solid_border", "unread", "colour_code", "version"),
    ):
        del old[name]
    del old["profile"]["device_named"]
    old["pictures"] = 2  # a fact that nothing asks for any more
    assert from_plain(Facts, old) == facts()
    assert facts().version < FACTS_VERSION


def test_a_probe_says_of_which_version_it_is(tmp_path: Path) -> None:
    """So that facts on record that are not all that is asked by now are not used again."""
    for write in (PLAIN_RGB, layers_alone, bomb, pillow("a.webp", format="WEBP")):
        path = write(tmp_path)
        assert probe(ProbeTask(str(path), path.name, LIMITS)).facts.version == FACTS_VERSION


@pytest.mark.parametrize(
    "write",
    [
        *(tif(compression=packed) for packed in ("zstd", "webp", "lzma", "jpeg2000", "lerc")),
        tif(subfiletype=1),
        layers_alone,
        lossless,
    ],
)
def test_what_is_not_read_is_neither_decoded_nor_called_damaged(
    write: Writer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told from the tags alone: with no decoder at hand the facts are the same."""
    path = write(tmp_path)
    monkeypatch.delattr("platemark.imaging.probe.open_picture")
    seen = probe(ProbeTask(str(path), path.name, LIMITS)).facts
    assert (seen.damage, seen.truncated, seen.is_read) == ("", False, False)


def test_of_several_pages_the_first_is_decoded(tmp_path: Path) -> None:
    """Accepting them means that it is printed alone, and it is what the renderer opens."""
    with tifffile.TiffWriter(tmp_path / "a.tif") as writer:
        for page in (photograph(), 255 - photograph()):
            writer.write(page, photometric="rgb", iccprofile=SRGB)
    opened = open_picture(str(tmp_path / "a.tif"), "tiff")
    assert np.array_equal(opened.numpy(), photograph())
