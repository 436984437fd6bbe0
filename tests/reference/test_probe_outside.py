"""The probe held against other people's writers and readers, on real photographs.

Photographs are those of the scikit-image wheel. Files are written by tifffile, Pillow and libvips
and their facts compared with what tifffile or Pillow read of the same file; where a fact is one
that they do not tell (what an alpha channel holds), it is what was put in.
"""

from __future__ import annotations

import functools
import io
import random
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvips
import skimage.data
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms
from PIL.PngImagePlugin import PngInfo

from platemark.imaging.header import Header
from platemark.imaging.header_facts import read_header
from platemark.imaging.holes import BLOCK_BYTES
from platemark.imaging.opening import open_picture
from platemark.imaging.probe import _disagreement, probe
from platemark.model.picture import Facts
from platemark.model.work import HeaderLimits, ProbeTask

LIMITS = HeaderLimits(
    pixels=600_000_000,
    side_px=65_500,
    file_bytes=4_000_000_000,
    expansion=1000,
    progressive_pixels=100_000_000,
)

NOTHING = read_header(io.BytesIO(b"x"), 1, "picture").facts
"""Facts of a file of which nothing is known."""

Pixels = NDArray[Any]
Writer = Callable[[Path], None]


@functools.cache
def photograph() -> Pixels:
    """Portrait of scikit-image (`astronaut`, public domain), 8-bit RGB, part of it: 300 × 420.

    Its deepest blacks are raised to 3, so that every row is one that is not black.
    """
    return np.maximum(skimage.data.astronaut()[:420, 100:400], 3)


def deep() -> Pixels:
    """The same with 16 bit, every low byte different from its high byte."""
    noise = np.random.default_rng(1).integers(0, 257, photograph().shape)
    return (photograph().astype(np.int64) * 256 + noise % 256).astype(np.uint16)


def with_alpha(pixels: Pixels, *extras: int) -> Pixels:
    """The same with extra channels, each of one value."""
    planes = [np.full((*pixels.shape[:2], 1), value, pixels.dtype) for value in extras]
    return np.concatenate([pixels, *planes], axis=2)


def facts_of(path: Path, limits: HeaderLimits = LIMITS) -> Facts:
    return probe(ProbeTask(str(path), path.name, limits)).facts


@functools.cache
def srgb() -> bytes:
    """LittleCMS's own sRGB, by way of Pillow."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


# --- TIFF -----------------------------------------------------------------------------------


def by_tifffile(make: Callable[[], Pixels], **options: Any) -> Writer:
    def write(path: Path) -> None:
        tifffile.imwrite(path, make(), **options)

    return write


def by_pillow(mode: str, **options: Any) -> Writer:
    def write(path: Path) -> None:
        Image.fromarray(photograph()).convert(mode).save(path, **options)

    return write


def by_vips(make: Callable[[], Pixels], **options: Any) -> Writer:
    def write(path: Path) -> None:
        pixels = make()
        deep_name = "rgb16" if pixels.dtype == np.uint16 else "srgb"
        pyvips.Image.new_from_array(pixels).copy(interpretation=deep_name).tiffsave(
            str(path), **options
        )

    return write


def grey() -> Pixels:
    return np.ascontiguousarray(photograph()[..., 1])


def grey_16() -> Pixels:
    return np.ascontiguousarray(deep()[..., 1])


def channels_apart() -> Pixels:
    return np.ascontiguousarray(deep().transpose(2, 0, 1))


RGB: dict[str, Any] = {"photometric": "rgb"}

TIFFS: dict[str, Writer] = {
    "8 bit, one strip": by_tifffile(photograph, **RGB, rowsperstrip=420),
    "8 bit, strips": by_tifffile(photograph, **RGB, rowsperstrip=7),
    "16 bit, strips": by_tifffile(deep, **RGB, rowsperstrip=16),
    "16 bit, big-endian": by_tifffile(deep, **RGB, byteorder=">", rowsperstrip=16),
    "16 bit, tiles": by_tifffile(deep, **RGB, tile=(64, 48)),
    "16 bit, planar": by_tifffile(channels_apart, **RGB, planarconfig="separate"),
    "16 bit, LZW, predictor": by_tifffile(deep, **RGB, compression="lzw", predictor=2),
    "8 bit, LZW tiles": by_tifffile(photograph, **RGB, compression="lzw", tile=(64, 64)),
    "16 bit, Deflate": by_tifffile(deep, **RGB, compression="zlib", predictor=2, rowsperstrip=9),
    "8 bit, PackBits": by_tifffile(photograph, **RGB, compression="packbits"),
    "8 bit, JPEG": by_tifffile(photograph, **RGB, compression="jpeg"),
    "BigTIFF": by_tifffile(deep, **RGB, bigtiff=True),
    "BigTIFF, big-endian": by_tifffile(deep, **RGB, bigtiff=True, byteorder=">"),
    "grey 8": by_tifffile(grey, photometric="minisblack"),
    "grey 16": by_tifffile(grey_16, photometric="minisblack"),
    "grey, white is zero": by_tifffile(grey, photometric="miniswhite"),
    "float": by_tifffile(lambda: (photograph() / 255).astype(np.float32), **RGB),
    "half float": by_tifffile(lambda: (photograph() / 255).astype(np.float16), **RGB),
    "32 bit": by_tifffile(lambda: photograph().astype(np.uint32) << 24, **RGB),
    "Lab 16": by_tifffile(deep, photometric="cielab"),
    "Pillow RGB": by_pillow("RGB"),
    "Pillow, LZW": by_pillow("RGB", compression="tiff_lzw"),
    "Pillow, 1 bit": by_pillow("1"),
    "Pillow, 1 bit, fax": by_pillow("1", compression="group4"),
    "Pillow, palette": by_pillow("P"),
    "Pillow, CMYK": by_pillow("CMYK"),
    "Pillow, YCbCr": by_pillow("YCbCr"),
    "libvips, strips": by_vips(deep),
    "libvips, tiles, Deflate": by_vips(deep, tile=True, compression="deflate"),
    "libvips, BigTIFF": by_vips(photograph, bigtiff=True),
}

MODES = {
    "RGB": "rgb",
    "MINISBLACK": "grey",
    "MINISWHITE": "grey",
    "PALETTE": "palette",
    "SEPARATED": "cmyk",
    "YCBCR": "ycbcr",
    "CIELAB": "lab",
}
COMPRESSIONS = {
    "NONE": "none",
    "LZW": "lzw",
    "ADOBE_DEFLATE": "deflate",
    "DEFLATE": "deflate",
    "PACKBITS": "packbits",
    "JPEG": "jpeg",
    "CCITTFAX4": "ccitt",
}


@pytest.mark.parametrize("form", TIFFS)
def test_a_tiff_has_the_facts_that_tifffile_reads(form: str, tmp_path: Path) -> None:
    """Size, depth, kind, compression and pages are those that tifffile (PyPI) finds."""
    path = tmp_path / "picture.tif"
    TIFFS[form](path)
    facts = facts_of(path)
    with tifffile.TiffFile(path) as outside:
        page = outside.pages.first
        assert isinstance(page, tifffile.TiffPage)
        bits = page.bitspersample
        assert (facts.width, facts.height) == (page.imagewidth, page.imagelength)
        assert facts.bits == (max(bits) if isinstance(bits, tuple) else bits)
        assert facts.channels == page.samplesperpixel
        assert facts.mode == MODES[page.photometric.name]
        assert facts.compression == COMPRESSIONS[page.compression.name]
        assert facts.float_samples == (page.sampleformat == 3)
        assert facts.pages == len(outside.pages)
    assert (facts.format, facts.extension_agrees) == ("tiff", True)
    assert (facts.alpha, facts.orientation, facts.progressive) == ("none", 1, False)
    assert (facts.damage, facts.zero_run, facts.over_limit) == ("", "", "")


LABS = np.array([[50, 20, -30], [100, 0, 0], [0, 0, 0], [75, -50, 60], [25, 127, -128]])
"""L*, a*, b*."""


def lab_codes(encoding: str, bits: int) -> Pixels:
    """A column of each colour, coded as TIFF 6.0, section 23, and ICC.1:2001-04, annex A, say."""
    lightness, ab = LABS[:, :1], LABS[:, 1:]
    if encoding == "cielab":
        scale, steps, raised = (255, 1, 0) if bits == 8 else (65535, 256, 0)
    else:
        scale, steps, raised = (255, 1, 128) if bits == 8 else (65280, 256, 128)
    codes = np.hstack([np.rint(lightness * scale / 100), (ab + raised) * steps]).astype(np.int64)
    whole = (codes % 2**bits).astype(np.uint8 if bits == 8 else np.uint16)
    return np.tile(whole, (40, 1, 1))


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"tile": (16, 16)},
        {"compression": "lzw"},
        {"compression": "zlib", "predictor": 2, "byteorder": ">"},
        {"rowsperstrip": 7},
    ],
)
@pytest.mark.parametrize(("encoding", "bits"), [("cielab", 16), ("icclab", 16), ("icclab", 8)])
def test_lab_is_decoded_to_the_codes_that_were_written(
    encoding: str, bits: int, options: dict[str, Any], tmp_path: Path
) -> None:
    """Lab of known colours, as tifffile writes it, is read in each packing that is taken."""
    path = tmp_path / "picture.tif"
    codes = lab_codes(encoding, bits)
    tifffile.imwrite(path, codes, photometric=encoding, **options)
    facts = facts_of(path)
    assert (facts.mode, facts.bits, facts.damage) == ("lab", bits, "")
    assert (facts.lab_encoding, facts.profile) == (encoding.removesuffix("lab"), None)
    decoded = open_picture(str(path), "tiff").numpy()
    if encoding == "cielab":
        # libvips halves L*, so that it fits into 15 bits beside a sign.
        codes = codes.astype(np.int64)
        codes[..., 0] >>= 1
        codes[..., 1:] = codes[..., 1:].astype(np.uint16).astype(np.int16)
    assert np.array_equal(decoded, codes)


def test_cielab_with_channels_apart_is_not_read(tmp_path: Path) -> None:
    """The decoder (libvips 8.18) gives other colours than were written, which must not pass."""
    path = tmp_path / "picture.tif"
    pixels = np.ascontiguousarray(lab_codes("cielab", 16).transpose(2, 0, 1))
    tifffile.imwrite(path, pixels, photometric="cielab", planarconfig="separate")
    facts = facts_of(path)
    assert ("channel stored apart" in facts.unread, facts.damage) == (True, "")


PACKINGS: dict[str, dict[str, Any]] = {
    "strips": {"rowsperstrip": 7},
    "tiles": {"tile": (64, 48)},
    "big-endian": {"byteorder": ">", "rowsperstrip": 7},
    "BigTIFF": {"bigtiff": True},
    "LZW": {"compression": "lzw", "predictor": 2, "rowsperstrip": 7},
    "LZW, no predictor": {"compression": "lzw", "tile": (64, 64)},
    "Deflate": {"compression": "zlib", "predictor": 2, "byteorder": ">"},
    "PackBits": {"compression": "packbits", "rowsperstrip": 7},
    "planar": {"planarconfig": "separate"},
    "planar, strips": {"planarconfig": "separate", "rowsperstrip": 7},
    "planar, LZW": {"planarconfig": "separate", "compression": "lzw", "predictor": 2},
}


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("packing", PACKINGS)
def test_every_packing_decodes_to_the_pixels_that_were_written(
    packing: str, bits: int, tmp_path: Path
) -> None:
    """Planar, tiles, byte orders, BigTIFF, predictor, LZW, Deflate, PackBits, by tifffile."""
    path = tmp_path / "picture.tif"
    pixels = photograph() if bits == 8 else deep()
    options = PACKINGS[packing]
    stored = np.ascontiguousarray(pixels.transpose(2, 0, 1)) if "planar" in packing else pixels
    tifffile.imwrite(path, stored, photometric="rgb", **options)
    assert np.array_equal(open_picture(str(path), "tiff").numpy(), pixels)
    facts = facts_of(path)
    assert (facts.damage, facts.bits, facts.notes, facts.zero_run) == ("", bits, (), "")


def test_eight_bit_cielab_is_left_to_a_check(tmp_path: Path) -> None:
    """The decoder (libvips 8.18) opens no 8-bit CIELab, which is no damage of the file."""
    path = tmp_path / "picture.tif"
    tifffile.imwrite(path, lab_codes("cielab", 8), photometric="cielab")
    facts = facts_of(path)
    assert (facts.mode, facts.bits, facts.lab_encoding) == ("lab", 8, "cie")
    assert facts.damage == ""
    with pytest.raises(pyvips.Error, match="labq"):
        open_picture(str(path), "tiff")


def test_a_profile_for_lab_is_dropped_from_lab(tmp_path: Path) -> None:
    """LittleCMS's own Lab profile, in a Lab picture, is not needed, and the log says so."""
    path = tmp_path / "picture.tif"
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    tifffile.imwrite(path, lab_codes("cielab", 16), photometric="cielab", iccprofile=profile)
    facts = facts_of(path)
    assert facts.profile is None
    assert "Lab needs none" in facts.notes[0]


@pytest.mark.parametrize("quality", [60, 80, 95])
def test_the_quality_of_a_jpeg_in_a_tiff(quality: int, tmp_path: Path) -> None:
    """Tables in JPEGTables (libtiff, by Pillow) or in each strip (tifffile) give the quality."""
    path = tmp_path / "picture.tif"
    for mode in ("RGB", "L"):
        picture = Image.fromarray(photograph()).convert(mode)
        picture.save(path, compression="jpeg", quality=quality)
        facts = facts_of(path)
        assert (facts.compression, facts.damage) == ("jpeg", "")
        assert facts.jpeg_quality == pytest.approx(quality, abs=1)
    for sampling in (1, 2):
        tifffile.imwrite(
            path,
            photograph(),
            photometric="rgb",
            rowsperstrip=64,
            compression="jpeg",
            compressionargs={"level": quality},
            subsampling=(sampling, sampling),
        )
        facts = facts_of(path)
        assert (facts.mode, facts.jpeg_quality) == ("ycbcr", pytest.approx(quality, abs=1))
        assert facts.chroma_subsampled is (sampling == 2)


@pytest.mark.parametrize(
    ("make", "options", "compression"),
    [
        (photograph, {"compression": "zstd"}, "zstd"),
        (photograph, {"compression": "jpeg2000"}, "jpeg-2000"),
        (channels_apart, {"planarconfig": "separate", "tile": (64, 64)}, "none"),
        (lambda: photograph() / 255, {}, "none"),
    ],
)
def test_a_form_that_is_not_read_is_named(
    make: Callable[[], Pixels], options: dict[str, Any], compression: str, tmp_path: Path
) -> None:
    """What there is no decoder for is told as that, and not as damaged data."""
    path = tmp_path / "picture.tif"
    tifffile.imwrite(path, make(), photometric="rgb", **options)
    facts = facts_of(path)
    assert facts.compression == compression
    assert (facts.is_read, facts.damage, facts.truncated) == (False, "", False)
    assert ("no decoder" in facts.unread) == (compression == "none")


@pytest.mark.parametrize(
    ("extra", "values", "alpha"),
    [
        ("unassalpha", (65535,), "opaque"),
        ("unassalpha", (65534,), "transparent"),
        ("assocalpha", (65535,), "opaque"),
        ("assocalpha", (0,), "transparent"),
        ("unspecified", (0,), "selection"),
        (("unspecified", "unassalpha"), (0, 65535), "opaque"),
        (("unspecified", "unassalpha"), (65535, 0), "transparent"),
    ],
)
def test_alpha_is_told_by_its_tag_and_its_pixels(
    extra: Any, values: tuple[int, ...], alpha: str, tmp_path: Path
) -> None:
    """TIFF 6.0 ExtraSamples: alpha is opaque or not by its pixels, a saved selection is neither."""
    path = tmp_path / "picture.tif"
    pixels = with_alpha(deep(), *values)
    if isinstance(extra, str):
        extra = (extra,)
    tifffile.imwrite(path, pixels, photometric="rgb", extrasamples=extra)
    facts = facts_of(path)
    assert (facts.alpha, facts.channels, facts.bits) == (alpha, 3, 16)
    assert facts.notes == ()


def test_one_transparent_pixel_is_found(tmp_path: Path) -> None:
    """A single pixel that is not quite opaque makes the picture transparent."""
    pixels = with_alpha(deep(), 65535)
    pixels[417, 3, 3] = 65534
    tifffile.imwrite(
        tmp_path / "a.tif", pixels, photometric="rgb", extrasamples=["unassalpha"], tile=(64, 64)
    )
    assert facts_of(tmp_path / "a.tif").alpha == "transparent"
    small = with_alpha(photograph(), 255)
    small[0, 0, 3] = 254
    Image.fromarray(small).save(tmp_path / "a.png")
    assert facts_of(tmp_path / "a.png").alpha == "transparent"


def test_pages_and_reduced_copies(tmp_path: Path) -> None:
    """Two full pages are two; a reduced page, a thumbnail and a SubIFD are none."""
    path = tmp_path / "picture.tif"
    with tifffile.TiffWriter(path) as writer:
        writer.write(photograph(), photometric="rgb", subifds=1)
        writer.write(photograph()[::2, ::2], photometric="rgb", subfiletype=1)
        writer.write(photograph()[::4, ::4], photometric="rgb", subfiletype=1)
        writer.write(photograph()[::4, ::4], photometric="rgb")
    facts = facts_of(path)
    assert facts.pages == 1
    assert "Smaller copies of the picture in the file are dropped: 2." in facts.notes
    with tifffile.TiffWriter(path, append=True) as writer:
        writer.write(photograph(), photometric="rgb")
    assert facts_of(path).pages == 2


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_read_from_every_format(orientation: int, tmp_path: Path) -> None:
    """Orientation 1 to 8 in TIFF, JPEG and PNG is the one that Pillow reads of the same file."""
    exif = Image.Exif()
    exif[274] = orientation
    for suffix in ("tif", "jpg", "png"):
        path = tmp_path / f"picture.{suffix}"
        Image.fromarray(photograph()).save(path, exif=exif)
        facts = facts_of(path)
        with Image.open(path) as outside:
            assert outside.getexif().get(274, 1) == facts.orientation == orientation
        turned = orientation >= 5
        assert (facts.upright_width, facts.upright_height) == ((420, 300) if turned else (300, 420))


# --- JPEG and PNG ---------------------------------------------------------------------------


def png_by_vips(make: Callable[[], Pixels], **options: Any) -> Writer:
    def write(path: Path) -> None:
        pixels = make()
        name = "rgb16" if pixels.dtype == np.uint16 else "srgb"
        pyvips.Image.new_from_array(pixels).copy(interpretation=name).pngsave(str(path), **options)

    return write


JPEGS: dict[str, Writer] = {
    "baseline": by_pillow("RGB", quality=92),
    "progressive": by_pillow("RGB", quality=92, progressive=True),
    "full chroma": by_pillow("RGB", quality=92, subsampling=0),
    "restart marks": by_pillow("RGB", quality=92, restart_marker_rows=2),
    "grey": by_pillow("L", quality=92),
    "CMYK": by_pillow("CMYK", quality=92),
    "with a profile": by_pillow("RGB", quality=92, icc_profile=srgb()),
    "300 ppi": by_pillow("RGB", quality=92, dpi=(300, 300)),
}
PNGS: dict[str, Writer] = {
    "8 bit": by_pillow("RGB"),
    "16 bit": png_by_vips(deep),
    "16 bit, interlaced": png_by_vips(deep, interlace=True),
    "8 bit, interlaced": png_by_vips(photograph, interlace=True),
    "grey": by_pillow("L"),
    "grey 16": by_pillow("I;16"),
    "palette": by_pillow("P"),
    "1 bit": by_pillow("1"),
    "with a profile": by_pillow("RGB", icc_profile=srgb()),
    "300 ppi": by_pillow("RGB", dpi=(300, 300)),
}
PILLOW_MODES = {"RGB": "rgb", "L": "grey", "CMYK": "cmyk", "P": "palette", "1": "grey"}


@pytest.mark.parametrize("form", JPEGS)
def test_a_jpeg_has_the_facts_that_pillow_reads(form: str, tmp_path: Path) -> None:
    """Size, kind, scan order, resolution and profile are those that Pillow finds."""
    path = tmp_path / "picture.jpg"
    JPEGS[form](path)
    facts = facts_of(path)
    with Image.open(path) as outside:
        assert (facts.width, facts.height) == outside.size
        assert facts.mode == PILLOW_MODES[outside.mode]
        assert facts.channels == len(outside.getbands())
        assert facts.progressive == bool(outside.info.get("progressive"))
        assert (facts.ppi or None) == ("300" if "ppi" in form else None)
        assert (facts.profile is not None) == ("icc_profile" in outside.info)
        if facts.profile is not None:
            assert facts.profile.bytes == len(outside.info["icc_profile"])
            assert facts.profile.working_space == "srgb"
    assert (facts.format, facts.bits, facts.compression) == ("jpeg", 8, "jpeg")
    assert (facts.damage, facts.zero_run, facts.notes) == ("", "", ())


@pytest.mark.parametrize("quality", range(50, 101))
def test_the_quality_of_a_jpeg_is_the_one_it_was_saved_with(quality: int, tmp_path: Path) -> None:
    """Pillow (libjpeg-turbo, the IJG's scale) at each quality and subsampling, and in grey."""
    for subsampling in (0, 1, 2):
        path = tmp_path / f"{subsampling}.jpg"
        picture = Image.fromarray(photograph()[:48, :64])
        picture.save(path, quality=quality, subsampling=subsampling, progressive=quality % 2 == 1)
        facts = facts_of(path)
        assert facts.jpeg_quality == pytest.approx(quality, abs=1)
        assert facts.chroma_subsampled is (subsampling == 2)
    picture.convert("L").save(tmp_path / "grey.jpg", quality=quality)
    facts = facts_of(tmp_path / "grey.jpg")
    assert facts.jpeg_quality == pytest.approx(quality, abs=1)
    assert not facts.chroma_subsampled


def test_tables_of_another_kind_are_estimated_by_the_nearest(tmp_path: Path) -> None:
    """Flat tables, which no scaling of annex K is, are placed between finer and coarser ones."""
    found = []
    for step in (1, 3, 12, 40):
        path = tmp_path / f"{step}.jpg"
        Image.fromarray(photograph()).save(path, qtables=[[step] * 64, [step] * 64])
        quality = facts_of(path).jpeg_quality
        assert quality is not None
        found.append(quality)
    assert found == sorted(found, reverse=True)
    assert found[0] == 100
    assert found[2] < 95


def test_a_jpeg_of_several_pictures_is_told(tmp_path: Path) -> None:
    """Pillow's MPO (CIPA DC-007) of two pictures: both are counted and the first is read."""
    path = tmp_path / "picture.jpg"
    second = Image.fromarray(photograph()[:100, :100])
    Image.fromarray(photograph()).save(path, "MPO", save_all=True, append_images=[second])
    facts = facts_of(path)
    assert (facts.gain_map, facts.damage) == (False, "")
    assert (facts.width, facts.height, facts.zero_run) == (300, 420, "")
    assert "The file holds 2 pictures; the first is used." in facts.notes


@pytest.mark.parametrize("form", PNGS)
def test_a_png_has_the_facts_that_pillow_reads(form: str, tmp_path: Path) -> None:
    """Size, kind, interlacing, resolution, profile are Pillow's findings; depth is as put in."""
    path = tmp_path / "picture.png"
    PNGS[form](path)
    facts = facts_of(path)
    with Image.open(path) as outside:
        assert (facts.width, facts.height) == outside.size
        assert facts.mode == PILLOW_MODES.get(outside.mode, "grey")
        assert facts.progressive == bool(outside.info.get("interlace"))
        assert (facts.profile is not None) == ("icc_profile" in outside.info)
        if "ppi" in form:
            assert facts.ppi is not None
            assert float(facts.ppi) == pytest.approx(outside.info["dpi"][0], abs=0.001)
    assert facts.bits == (1 if form == "1 bit" else 16 if "16" in form else 8)
    assert (facts.format, facts.damage, facts.zero_run) == ("png", "", "")


def test_the_low_byte_of_16_bit_is_known_to_be_there(tmp_path: Path) -> None:
    """A 16-bit PNG and TIFF say 16, though Pillow opens the same files as 8-bit RGB."""
    for suffix, write in (("png", png_by_vips(deep)), ("tif", by_vips(deep))):
        path = tmp_path / f"picture.{suffix}"
        write(path)
        with Image.open(path) as outside:
            assert outside.mode == "RGB"
        assert facts_of(path).bits == 16


@pytest.mark.parametrize("mode", ["RGBA", "LA", "P"])
@pytest.mark.parametrize("level", [255, 200])
def test_alpha_of_a_png(mode: str, level: int, tmp_path: Path) -> None:
    """Alpha channels and transparent palettes are opaque or transparent by their pixels."""
    path = tmp_path / "picture.png"
    if mode == "P":
        Image.fromarray(photograph()).quantize(200).save(path, transparency=bytes([level] * 200))
    else:
        picture = Image.fromarray(with_alpha(photograph(), level))
        picture.convert(mode).save(path)
    assert facts_of(path).alpha == ("opaque" if level == 255 else "transparent")


def test_camera_data_written_by_pillow(tmp_path: Path) -> None:
    """Colour space, camera, creator and rights of Exif, and sRGB's chunk, as Pillow writes them."""
    exif = Image.Exif()
    exif[271], exif[315], exif[33432] = "Invented Works", "Nobody", "(c) nobody"
    exif.get_ifd(34665)[40961] = 1
    Image.fromarray(photograph()).save(tmp_path / "a.jpg", exif=exif)
    facts = facts_of(tmp_path / "a.jpg")
    assert (facts.camera, facts.exif_colour) == (True, "srgb")
    assert (facts.creator, facts.rights) == ("Nobody", "(c) nobody")
    info = PngInfo()
    info.add(b"sRGB", b"\0")
    Image.fromarray(photograph()).save(tmp_path / "a.png", pnginfo=info)
    tagged = facts_of(tmp_path / "a.png").profile
    assert tagged is not None
    assert (tagged.working_space, tagged.description) == ("srgb", "sRGB (PNG chunk)")


@pytest.mark.tool("exiftool")
def test_what_exiftool_writes_is_read(tmp_path: Path) -> None:
    """Orientation of Exif and XMP, ColorSpace, InteropIndex and resolutions, by exiftool.

    One start of exiftool for each file: it is slow to start.
    """
    written: list[tuple[str, list[str], dict[str, object]]] = [
        (
            "jpg",
            ["-IFD0:Orientation#=6", "-XMP-tiff:Orientation#=1", "-ColorSpace#=1"],
            {"orientation_disputed": "6 in Exif and 1 in XMP", "exif_colour": "srgb"},
        ),
        (
            "tif",
            ["-IFD0:Orientation#=8", "-XMP-tiff:Orientation#=8", "-YResolution=240"],
            {"orientation_disputed": "", "orientation": 8, "ppi": None}
            | {"ppi_differs": "300 across and 240 down"},
        ),
        (
            "jpg",
            ["-ColorSpace#=65535", "-InteropIndex=R03", "-XMP-tiff:Orientation#=3"],
            {"exif_colour": "adobe-rgb", "orientation_disputed": "none in Exif and 3 in XMP"},
        ),
        (
            "png",
            ["-XMP-tiff:Orientation#=1", "-ColorSpace#=65535", "-Make=Invented Works"],
            {"exif_colour": "uncalibrated", "orientation_disputed": "", "camera": True},
        ),
    ]
    for index, (suffix, tags, expected) in enumerate(written):
        path = tmp_path / f"{index}.{suffix}"
        Image.fromarray(photograph()).save(path, dpi=(300, 300))
        subprocess.run(["exiftool", "-q", "-q", *tags, path], check=True)
        facts = facts_of(path)
        assert facts.damage == ""
        assert {name: getattr(facts, name) for name in expected} == expected, tags


def test_a_large_profile_in_a_jpeg_is_put_together(tmp_path: Path) -> None:
    """A profile of several APP2 pieces, as Pillow writes it, comes out with Pillow's own bytes."""
    padded = bytearray(srgb() + bytes(150_000))
    padded[:4] = len(padded).to_bytes(4, "big")
    Image.fromarray(photograph()).save(tmp_path / "a.jpg", icc_profile=bytes(padded))
    profile = facts_of(tmp_path / "a.jpg").profile
    assert profile is not None
    assert (profile.bytes, profile.damage) == (len(padded), "")


# --- What the pixels say --------------------------------------------------------------------


SAVE: dict[str, Callable[[Path, Pixels], None]] = {
    "tif": lambda path, pixels: tifffile.imwrite(path, pixels, photometric="rgb"),
    "jpg": lambda path, pixels: Image.fromarray(pixels).save(path, quality=90, subsampling=0),
    "png": lambda path, pixels: Image.fromarray(pixels).save(path, compress_level=1),
}


def framed(level: int, left: int = 0, right: int = 0, top: int = 0, bottom: int = 0) -> Pixels:
    """A photograph of 2000 × 1500 px whose outer columns and rows are of one grey."""
    pixels = np.kron(skimage.data.astronaut()[:300, :400], np.ones((5, 5, 1), np.uint8))
    pixels = np.clip(pixels, 4, 250)
    pixels[:top] = level
    pixels[1500 - bottom :] = level
    pixels[:, :left] = level
    pixels[:, 2000 - right :] = level
    return pixels


@pytest.mark.parametrize("suffix", SAVE)
@pytest.mark.parametrize(
    ("level", "sides", "border"),
    [
        (255, {}, ""),
        # Multiples of 16 px, so that no block of a JPEG lies across the border.
        (255, {"left": 144}, "left 7 %"),
        (0, {"right": 256, "bottom": 172}, "right 13 %, bottom 11 %"),
        (255, {"top": 192, "bottom": 92}, "top 13 %, bottom 6 %"),
        (255, {"left": 90, "top": 60}, ""),
        (128, {"left": 300}, ""),
        (40, {"top": 300}, ""),
    ],
)
def test_a_solid_band_along_a_side(
    level: int, sides: dict[str, int], border: str, suffix: str, tmp_path: Path
) -> None:
    """White or black over 5 % of a side is told with its share; less, or a tone, is not."""
    path = tmp_path / f"picture.{suffix}"
    SAVE[suffix](path, framed(level, **sides))
    facts = facts_of(path)
    assert (facts.solid_border, facts.uniform, facts.damage) == (border, False, "")


def test_a_band_is_solid_only_without_a_mark_on_it(tmp_path: Path) -> None:
    """A signature in a white margin, 16 bit, a saved selection, alpha: each is seen rightly."""
    pixels = framed(255, left=200).astype(np.uint16) * 257
    for name, extra in (("plain", []), ("selection", ["unspecified"]), ("alpha", ["unassalpha"])):
        path = tmp_path / f"{name}.tif"
        planes = [np.full((1500, 2000, 1), 65535, np.uint16)] if extra else []
        if name == "selection":
            planes[0][:, :1000] = 0
        whole = np.concatenate([pixels, *planes], axis=2)
        tifffile.imwrite(path, whole, photometric="rgb", extrasamples=extra)
        assert facts_of(path).solid_border == "left 10 %"
    pixels[700:720, 60:90] = 20_000
    tifffile.imwrite(tmp_path / "signed.tif", pixels, photometric="rgb")
    assert facts_of(tmp_path / "signed.tif").solid_border == ""


@pytest.mark.parametrize("suffix", SAVE)
def test_one_colour_all_over(suffix: str, tmp_path: Path) -> None:
    """A flat picture is told; a single other pixel, and a pattern of equal means, are none."""
    flat = np.full((700, 900, 3), (200, 120, 40), np.uint8)
    checks = np.indices((1200, 1100)).sum(axis=0) % 2 * 200
    spotted = flat.copy()
    spotted[333, 444] = (0, 0, 255)
    pictures = {"flat": flat, "spotted": spotted, "checks": np.dstack([checks] * 3)}
    for name, pixels in pictures.items():
        path = tmp_path / f"{name}.{suffix}"
        SAVE[suffix](path, pixels.astype(np.uint8))
        facts = facts_of(path, replace(LIMITS, expansion=100_000))
        assert (facts.uniform, facts.solid_border) == (name == "flat", ""), name


@pytest.mark.parametrize("level", [65535, 0, 30_000])
def test_layers_beside_a_blank_picture(level: int, tmp_path: Path) -> None:
    """A layered TIFF (tag 37724) whose flat picture is one colour has none; any other has one."""
    layers = [(37724, 7, 50, b"Layers of an editor".ljust(50, b"\0"), True)]
    for name, pixels in (("blank", np.full_like(deep(), level)), ("whole", deep())):
        path = tmp_path / f"{name}.tif"
        tifffile.imwrite(path, pixels, photometric="rgb", extratags=layers)
        facts = facts_of(path)
        assert (facts.layered, facts.composite_missing) == (True, name == "blank")
        assert facts.damage == ""


@pytest.mark.parametrize("place", [(0, 0), (2999, 8191), (1234, 5678)])
def test_one_transparent_pixel_in_a_large_picture(place: tuple[int, int], tmp_path: Path) -> None:
    """Alpha is judged exactly, though it is looked at in cells of 16 × 24 px."""
    pixels = np.full((3000, 8192, 2), 255, np.uint8)
    pixels[..., 0] = np.arange(8192) % 251
    path = tmp_path / "picture.tif"
    options: dict[str, Any] = {"photometric": "minisblack", "extrasamples": ["unassalpha"]}
    tifffile.imwrite(path, pixels, **options)
    assert facts_of(path).alpha == "opaque"
    pixels[(*place, 1)] = 254
    tifffile.imwrite(path, pixels, **options)
    assert facts_of(path).alpha == "transparent"


# --- Cut short, holes and other damage ------------------------------------------------------


CUT: dict[str, tuple[str, Writer]] = {
    **{f"TIFF: {name}": ("tif", write) for name, write in TIFFS.items()},
    **{f"JPEG: {name}": ("jpg", write) for name, write in JPEGS.items()},
    **{f"PNG: {name}": ("png", write) for name, write in PNGS.items()},
}


def cut_points(length: int) -> Iterator[int]:
    yield from (length * percent // 100 for percent in range(0, 100, 5))
    yield from (length - 2, length - 1)


@pytest.mark.parametrize("form", CUT)
def test_a_file_that_is_cut_short_is_always_noticed(form: str, tmp_path: Path) -> None:
    """Cut at every 5 %, and by two bytes and one, every form is damaged and may still grow."""
    suffix, write = CUT[form]
    whole = tmp_path / f"whole.{suffix}"
    write(whole)
    data = whole.read_bytes()
    for length in cut_points(len(data)):
        path = tmp_path / f"cut.{suffix}"
        path.write_bytes(data[:length])
        facts = facts_of(path)
        assert facts.damage, length
        assert facts.truncated, length
        assert not facts.over_limit, length


@pytest.mark.parametrize("form", CUT)
def test_a_reserved_copy_that_is_not_complete_is_always_noticed(form: str, tmp_path: Path) -> None:
    """Of full length, but zeros from a 4 KiB border on: damage or a hole at every tenth.

    Uncompressed tiles may be missed once: those at the right edge are filled up with zeros, and
    a hole that begins there cannot be told from them.
    """
    suffix, write = CUT[form]
    whole = tmp_path / f"whole.{suffix}"
    write(whole)
    data = whole.read_bytes()
    missed = []
    for percent in range(0, 100, 10):
        length = len(data) * percent // 100 // BLOCK_BYTES * BLOCK_BYTES
        path = tmp_path / f"reserved.{suffix}"
        path.write_bytes(data[:length] + bytes(len(data) - length))
        facts = facts_of(path)
        if not facts.damage and not facts.zero_run:
            missed.append(length)
        # Only what may still be growing is waited for.
        assert facts.truncated or not facts.damage or len(data) - length < BLOCK_BYTES
    assert len(missed) <= (form == "TIFF: 16 bit, tiles"), missed


@pytest.mark.parametrize("form", ["16 bit, strips", "16 bit, tiles", "8 bit, one strip", "BigTIFF"])
def test_a_lost_block_in_uncompressed_data_is_found(form: str, tmp_path: Path) -> None:
    """A 4 KiB block of zeros within the photograph, which no decoder notices, is found."""
    whole = tmp_path / "whole.tif"
    TIFFS[form](whole)
    data = whole.read_bytes()
    places = range(2 * BLOCK_BYTES, len(data) - 2 * BLOCK_BYTES, 7 * BLOCK_BYTES)
    found = 0
    for place in places:
        path = tmp_path / "hole.tif"
        path.write_bytes(data[:place] + bytes(BLOCK_BYTES) + data[place + BLOCK_BYTES :])
        facts = facts_of(path)
        assert facts.damage == ""
        found += facts.zero_run.startswith(f"byte {place:,}")
    # Tiles are filled up with zeros at the right and below, where a hole is none.
    assert found == len(places) if "tiles" not in form else found >= 0.75 * len(places)


@pytest.mark.parametrize("suffix", ["jpg", "png"])
def test_a_lost_block_in_packed_data_is_found(suffix: str, tmp_path: Path) -> None:
    """In JPEG a lost block is found as a hole, or its decoder warns; in PNG its checksum fails."""
    whole = tmp_path / f"whole.{suffix}"
    Image.fromarray(skimage.data.astronaut()).save(whole, quality=95)
    data = whole.read_bytes()
    for place in range(2 * BLOCK_BYTES, len(data) - 2 * BLOCK_BYTES, 5 * BLOCK_BYTES):
        path = tmp_path / f"hole.{suffix}"
        path.write_bytes(data[:place] + bytes(BLOCK_BYTES) + data[place + BLOCK_BYTES :])
        facts = facts_of(path)
        assert facts.damage or facts.zero_run.startswith(f"byte {place:,}")
        assert suffix == "jpg" or facts.damage


@pytest.mark.parametrize("seed", range(12))
def test_black_in_a_photograph_is_no_hole(seed: int, tmp_path: Path) -> None:
    """Pictures on black, with black bands and bars, uncompressed or packed, have no hole."""
    chance = random.Random(seed)
    height, width = chance.randrange(900, 1100), chance.randrange(1300, 1600)
    pixels = np.zeros((height, width, 3), np.uint8)
    top, left = chance.randrange(height - 512), chance.randrange(width - 512)
    pixels[top : top + 512, left : left + 512] = skimage.data.astronaut()
    if seed % 3 == 0:
        pixels[: chance.randrange(1, 500)] = 90
    if seed % 4 == 0:
        pixels[:, : chance.randrange(1, 300)] = 255
    deep_pixels = pixels.astype(np.uint16) * 257
    tifffile.imwrite(tmp_path / "a.tif", pixels, photometric="rgb", rowsperstrip=64)
    tifffile.imwrite(tmp_path / "b.tif", deep_pixels, photometric="rgb", tile=(256, 256))
    tifffile.imwrite(tmp_path / "c.tif", deep_pixels, photometric="rgb", compression="lzw")
    Image.fromarray(pixels).save(tmp_path / "d.jpg", quality=90, optimize=True)
    Image.fromarray(pixels).save(tmp_path / "e.png")
    for path in sorted(tmp_path.iterdir()):
        facts = facts_of(path)
        assert (facts.zero_run, facts.damage) == ("", ""), path.name


def test_flat_colour_makes_zeros_in_a_jpeg_that_are_no_hole(tmp_path: Path) -> None:
    """A flat JPEG with its own code tables is zeros for many blocks, yet has no hole."""
    path = tmp_path / "flat.jpg"
    picture = Image.new("RGB", (5000, 5000), (255, 255, 255))
    picture.paste(Image.fromarray(photograph()), (0, 0))
    picture.save(path, quality=95, optimize=True, subsampling=0)
    assert path.read_bytes().count(bytes(BLOCK_BYTES)) > 10
    facts = facts_of(path, replace(LIMITS, expansion=100_000))
    assert (facts.zero_run, facts.damage) == ("", "")


def test_changed_bytes_of_real_files_give_facts_or_damage(tmp_path: Path) -> None:
    """Whole probes of files with a few bytes changed always end in a report."""
    chance = random.Random(7)
    for form in (
        "TIFF: 16 bit, LZW, predictor",
        "TIFF: Pillow RGB",
        "JPEG: progressive",
        "PNG: 8 bit",
    ):
        suffix, write = CUT[form]
        whole = tmp_path / f"whole.{suffix}"
        write(whole)
        data = whole.read_bytes()
        for _ in range(60):
            changed = bytearray(data)
            for _ in range(chance.randrange(1, 5)):
                reach = chance.choice((200, len(data)))
                changed[chance.randrange(reach)] = chance.randrange(256)
            path = tmp_path / f"changed.{suffix}"
            path.write_bytes(changed)
            try:
                facts = facts_of(path)
            except MemoryError:
                continue
            assert facts.bytes == len(data)


# --- Limits and what is not taken -----------------------------------------------------------


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (replace(LIMITS, pixels=100_000), "126,000 pixels"),
        (replace(LIMITS, side_px=400), "300 × 420 px"),
        (replace(LIMITS, file_bytes=1000), "at most 1,000"),
        (replace(LIMITS, expansion=1), "times as many"),
        (replace(LIMITS, progressive_pixels=100_000), "progressive JPEG"),
    ],
)
def test_a_limit_is_refused_from_the_header(
    limits: HeaderLimits, words: str, tmp_path: Path
) -> None:
    """Each limit is named with its numbers; the picture is not damaged and was not decoded."""
    path = tmp_path / "picture.jpg"
    JPEGS["progressive"](path)
    facts = facts_of(path, limits)
    assert words in facts.over_limit
    assert (facts.damage, facts.width) == ("", 300)


def test_a_bomb_is_refused_without_decoding(tmp_path: Path) -> None:
    """A PNG of 30,000 × 30,000 black pixels in some hundred kilobytes stays unopened."""
    path = tmp_path / "bomb.png"
    Image.new("1", (30_000, 30_000)).save(path)
    facts = facts_of(path)
    assert facts.bytes < 1_000_000
    assert "900,000,000 pixels" in facts.over_limit


def test_a_compressed_picture_in_one_strip_is_read(tmp_path: Path) -> None:
    """A packed strip of more than 50 MB, as some editors write, passes the decoder's own cap."""
    path = tmp_path / "picture.tif"
    pixels = np.random.default_rng(2).integers(0, 256, (4200, 4300, 3), np.uint8)
    tifffile.imwrite(
        path,
        pixels,
        photometric="rgb",
        compression="zlib",
        compressionargs={"level": 1},
        rowsperstrip=4200,
    )
    with pytest.raises(pyvips.Error, match="byte limit"):
        pyvips.Image.tiffload(str(path), access="sequential", fail_on="error").avg()
    assert facts_of(path).damage == ""


def test_a_file_that_is_replaced_is_read_anew(tmp_path: Path) -> None:
    """The same name with other pixels, in the same process, gives the facts of the new file."""
    path = tmp_path / "picture.tif"
    for level, alpha in ((255, "opaque"), (9, "transparent")):
        pixels = with_alpha(photograph(), level)
        tifffile.imwrite(path, pixels, photometric="rgb", extrasamples=["unassalpha"])
        assert facts_of(path).alpha == alpha


def test_a_cut_picture_is_no_bomb(tmp_path: Path) -> None:
    """A flat picture cut short is said to be cut short, though it seems to unpack to very much."""
    path = tmp_path / "picture.png"
    Image.new("RGB", (4000, 3000), (90, 80, 70)).save(path)
    path.write_bytes(path.read_bytes()[:2000])
    facts = facts_of(path)
    assert (facts.truncated, facts.over_limit) == (True, "")


def test_two_readers_that_disagree_make_a_damaged_file() -> None:
    """Tags that say another size or depth than the decoder gives are damage (images made here)."""
    header = Header(
        replace(NOTHING, width=30, height=20, bits=8), data=None, alpha_band=None, decoded_bytes=0
    )
    picture = pyvips.Image.black(30, 20, bands=3)
    assert _disagreement(picture, header) == ""
    assert "30 × 21" in _disagreement(pyvips.Image.black(30, 21, bands=3), header)
    assert "8 bits" in _disagreement(picture.cast("ushort"), header)
    assert "transparency" in _disagreement(picture, replace(header, alpha_band=3))


def test_content_counts_and_not_the_name(tmp_path: Path) -> None:
    """A PNG named .tif is a PNG whose name disagrees; an SVG named .jpg is not taken."""
    Image.fromarray(photograph()).save(tmp_path / "a.png")
    path = (tmp_path / "a.png").rename(tmp_path / "a.tif")
    facts = facts_of(path)
    assert (facts.format, facts.extension_agrees, facts.damage) == ("png", False, "")
    drawing = tmp_path / "b.jpg"
    drawing.write_text("<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'/>")
    facts = facts_of(drawing)
    assert (facts.format, facts.notes) == ("other", ("a drawing (SVG)",))
    for form in ("GIF", "WEBP", "PDF", "BMP"):
        buffer = io.BytesIO()
        Image.fromarray(photograph()).save(buffer, form)
        drawing.write_bytes(buffer.getvalue())
        facts = facts_of(drawing)
        assert facts.format == "other"
        assert form.casefold() in facts.notes[0].casefold()


def test_the_loader_is_that_of_the_content(tmp_path: Path) -> None:
    """A file whose content is another format than the loader's is refused by it."""
    Image.fromarray(photograph()).save(tmp_path / "a.png")
    with pytest.raises(pyvips.Error):
        open_picture(str(tmp_path / "a.png"), "jpeg")
