"""The demonstration's pictures and bad files are what they say they are."""

from __future__ import annotations

import io
import struct
import warnings
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from platemark.imaging.exif import read_exif
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.made.colour import SPACES, Palette, encode
from platemark.imaging.made.files import (
    BAD_KINDS,
    blank_png,
    camera_exif,
    make_demo_file,
    write_bad_file,
    write_picture,
)
from platemark.imaging.made.pictures import PICTURES, SUGGESTED

SRGB = build_matrix_profile("srgb")
PRINTER = SRGB[:12] + b"prtr" + SRGB[16:]
SIZE = {"width": 240, "height": 160}
CANYON = PICTURES["canyon"](240, 160, "srgb")


def eight(pixels: np.ndarray) -> np.ndarray:
    """Codes of 16 bits, rounded to 8."""
    return np.rint(pixels / 257).astype(np.uint8)


def spoilt(kind: str, folder: Path, profile: bytes | None = SRGB) -> Path:
    """A bad file of one kind, named .tif."""
    path = folder / f"{kind}.tif"
    write_bad_file(kind, path, profile, **SIZE)
    return path


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_a_picture(name: str) -> None:
    """Each has the size asked for, tones from dark to light, detail, and no clipped areas."""
    pixels = PICTURES[name](203, 150)
    assert pixels.shape == (150, 203, 3)
    assert pixels.dtype == np.uint16
    light = pixels.mean(axis=2) / 65535
    low, high = np.percentile(light, (1, 99))
    assert high - low > 0.3
    assert np.abs(np.diff(light, axis=1)).mean() > 0.002
    assert (pixels == 65535).all(axis=2).mean() < 0.001
    assert (pixels == 0).all(axis=2).mean() < 0.001


@pytest.mark.parametrize("name", ["canyon", "strokes", "harbour"])
def test_the_same_call_gives_the_same_pixels(name: str) -> None:
    """Two pictures of one size are equal to the last bit."""
    assert np.array_equal(PICTURES[name](160, 120), PICTURES[name](160, 120))


def test_pictures_differ_from_one_another_and_every_one_has_a_suggestion() -> None:
    """No name shows another's picture, and each has a space and a size that suit it."""
    assert (
        len({PICTURES[name](120, 100).tobytes() for name in ("canyon", "harbour", "strokes")}) == 3
    )
    assert SUGGESTED.keys() == PICTURES.keys()
    for space, width, height in SUGGESTED.values():
        assert space in SPACES
        assert 2000 <= min(width, height) <= max(width, height) <= 4800


def test_the_tones_are_those_that_the_names_promise() -> None:
    """The night harbour is low key, the snow field high key, the sea nearly without colour."""
    means = {name: PICTURES[name](200, 150).mean() / 65535 for name in ("harbour", "snow")}
    assert means["harbour"] < 0.25
    assert means["snow"] > 0.8
    sea = PICTURES["sea"](200, 150)
    spread = sea.max(axis=2).astype(float) - sea.min(axis=2)
    assert np.percentile(spread, 95) < 0.12 * 65535


@pytest.mark.parametrize("space", SPACES)
def test_colours_are_encoded_as_the_standards_say(space: str) -> None:
    """An sRGB colour comes out as colour-science encodes it in each space.

    colour-science holds IEC 61966-2-1, Adobe RGB (1998), Display P3 and ISO 22028-2.
    """
    with warnings.catch_warnings():
        # It warns of optional parts that are not installed.
        warnings.simplefilter("ignore")
        import colour

        names = {
            "srgb": "sRGB",
            "adobe-rgb": "Adobe RGB (1998)",
            "display-p3": "Display P3",
            "romm": "ROMM RGB",
        }
        wanted = colour.RGB_to_RGB(
            np.array([0x90, 0x80, 0x60]) / 255,
            "sRGB",
            names[space],
            chromatic_adaptation_transform="Bradford",
            apply_cctf_decoding=True,
            apply_cctf_encoding=True,
        )
    linear = Palette(space)("#908060").astype(np.float64)
    # Its own published matrices are rounded to four or five places.
    assert encode(linear, SPACES[space].curve) == pytest.approx(wanted, abs=0.0005)


def test_a_16_bit_tiff_holds_the_pixels_the_profile_and_the_resolution(tmp_path: Path) -> None:
    """A reader of TIFF other than libvips finds each code, the profile and 240 ppi."""
    path = tmp_path / "a.tif"
    write_picture(path, CANYON, form="tiff16", profile=SRGB, ppi=240)
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        assert np.array_equal(page.asarray(), CANYON)
        assert page.tags["InterColorProfile"].value == SRGB
        assert page.tags["XResolution"].value[0] / page.tags["XResolution"].value[1] == 240
        assert page.tags["ResolutionUnit"].value == 2
        assert page.photometric == tifffile.PHOTOMETRIC.RGB


@pytest.mark.parametrize("form", ["tiff8", "png8"])
def test_8_bits_are_rounded(form: str, tmp_path: Path) -> None:
    """The 8-bit forms hold the nearest code, the profile and the resolution."""
    path = tmp_path / "a"
    write_picture(path, CANYON, form=form, profile=SRGB, ppi=300)
    with Image.open(path) as image:
        assert np.array_equal(np.asarray(image), eight(CANYON))
        assert image.info["icc_profile"] == SRGB
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.05)


def test_a_16_bit_png_holds_16_bits(tmp_path: Path) -> None:
    """Its header states 16 bits and colour without alpha."""
    path = tmp_path / "a.png"
    write_picture(path, CANYON, form="png16", profile=None, ppi=300)
    assert struct.unpack(">IIBB", path.read_bytes()[16:26]) == (240, 160, 16, 2)


def test_a_jpeg_is_fine_tagged_and_makes_no_claim_of_its_own(tmp_path: Path) -> None:
    """Full colour resolution, near the pixels, with its profile and without Exif."""
    path = tmp_path / "a.jpg"
    write_picture(path, CANYON, form="jpeg", profile=SRGB, ppi=72)
    with Image.open(path) as image:
        assert [layer[1:3] for layer in image.layer] == [(1, 1)] * 3
        assert image.info["icc_profile"] == SRGB
        assert image.info["dpi"] == (72, 72)
        assert "exif" not in image.info
        apart = np.asarray(image).astype(int) - eight(CANYON)
    assert np.abs(apart).mean() < 3


def test_a_camera_says_srgb(tmp_path: Path) -> None:
    """An untagged JPEG with the invented camera's Exif is read as sRGB from a camera."""
    path = tmp_path / "a.jpg"
    write_picture(path, CANYON, form="jpeg", profile=None, ppi=72, exif=camera_exif(orientation=6))
    with Image.open(path) as image:
        assert "icc_profile" not in image.info
        tags = read_exif(image.info["exif"][6:])
    assert (tags.colour, tags.camera, tags.orientation) == ("srgb", True, 6)


def test_what_a_form_cannot_keep_is_refused(tmp_path: Path) -> None:
    """Exif in a TIFF would be lost without a word, and an unknown form is no file."""
    with pytest.raises(ValueError, match="Exif"):
        write_picture(
            tmp_path / "a", CANYON, form="tiff16", profile=None, ppi=300, exif=camera_exif()
        )
    with pytest.raises(ValueError, match="gif"):
        write_picture(tmp_path / "a", CANYON, form="gif", profile=None, ppi=300)  # type: ignore[arg-type]


def test_cmyk_is_cmyk(tmp_path: Path) -> None:
    """Four inks, no profile; a profile for other pixels is refused, one for CMYK embedded."""
    with tifffile.TiffFile(spoilt("cmyk", tmp_path, None)) as tiff:
        assert tiff.pages[0].photometric == tifffile.PHOTOMETRIC.SEPARATED
        assert tiff.pages[0].shape == (160, 240, 4)
        assert "InterColorProfile" not in tiff.pages[0].tags
        assert tiff.pages[0].asarray()[..., 3].max() > 0
    with pytest.raises(ValueError, match="CMYK"):
        spoilt("cmyk", tmp_path)
    press = PRINTER[:16] + b"CMYK" + PRINTER[20:]
    with tifffile.TiffFile(spoilt("cmyk", tmp_path, press)) as tiff:
        assert tiff.pages[0].tags["InterColorProfile"].value == press


def test_a_truncated_tiff_has_a_good_header_and_too_few_rows(tmp_path: Path) -> None:
    """Size and profile can be read; the last strip lies beyond the end of the file."""
    path = spoilt("truncated-tiff", tmp_path)
    with tifffile.TiffFile(path) as tiff:
        page = tiff.pages[0]
        assert page.shape == (160, 240, 3)
        assert page.tags["InterColorProfile"].value == SRGB
        end = page.dataoffsets[-1] + page.databytecounts[-1]
    assert page.dataoffsets[0] < path.stat().st_size < end
    with Image.open(path) as image, pytest.raises(OSError, match="truncated"):
        image.load()


def test_a_truncated_jpeg_has_a_good_header_and_no_end(tmp_path: Path) -> None:
    """Its size can be read, its end marker is missing, and it does not decode."""
    path = spoilt("truncated-jpeg", tmp_path)
    assert path.read_bytes()[-2:] != b"\xff\xd9"
    with Image.open(path) as image:
        assert image.size == (240, 160)
        with pytest.raises(OSError, match="truncated"):
            image.load()


def test_a_hole_is_whole_blocks_of_zeros_in_a_file_of_full_length(tmp_path: Path) -> None:
    """The file decodes; inside it lies a run of zeros that fills blocks of 4 KiB."""
    path = spoilt("hole", tmp_path)
    content = path.read_bytes()
    blocks = [content[at : at + 4096] == bytes(4096) for at in range(0, len(content) - 4095, 4096)]
    first = blocks.index(True)
    assert first > 4
    assert sum(blocks) >= 2
    assert all(blocks[first : first + sum(blocks)])
    assert content[first * 4096 - 300 : first * 4096].strip(b"\0")
    with tifffile.TiffFile(path) as tiff:
        assert (tiff.pages[0].asarray() == 0).all(axis=2).any(axis=1).sum() > 8


def test_a_png_named_tif_is_a_png(tmp_path: Path) -> None:
    """The content is a sound PNG and the name ends in .tif."""
    path = spoilt("png-named-tif", tmp_path)
    assert path.suffix == ".tif"
    with Image.open(path) as image:
        image.load()
        assert image.format == "PNG"


def test_a_corrupt_profile_is_half_a_profile_in_a_good_picture(tmp_path: Path) -> None:
    """The pixels decode; the profile is the first half of the one given, without which none."""
    with tifffile.TiffFile(spoilt("corrupt-profile", tmp_path)) as tiff:
        assert tiff.pages[0].asarray().shape == (160, 240, 3)
        assert tiff.pages[0].tags["InterColorProfile"].value == SRGB[: len(SRGB) // 2]
    with pytest.raises(ValueError, match="profile"):
        spoilt("corrupt-profile", tmp_path, None)


def test_untagged_has_no_profile_though_one_was_given(tmp_path: Path) -> None:
    """A sound 16-bit TIFF that says nothing of its colour."""
    with tifffile.TiffFile(spoilt("untagged", tmp_path)) as tiff:
        assert "InterColorProfile" not in tiff.pages[0].tags
        assert tiff.pages[0].dtype == np.uint16


def test_transparent_has_holes(tmp_path: Path) -> None:
    """A fourth channel, marked as alpha, from nothing to full."""
    with tifffile.TiffFile(spoilt("transparent", tmp_path)) as tiff:
        page = tiff.pages[0]
        assert page.extrasamples in (
            (tifffile.EXTRASAMPLE.UNASSALPHA,),
            (tifffile.EXTRASAMPLE.ASSOCALPHA,),
        )
        alpha = page.asarray()[..., 3]
        assert page.tags["InterColorProfile"].value == SRGB
    assert alpha.min() == 0
    assert alpha.max() == 65535
    assert ((alpha > 0) & (alpha < 65535)).any()


def test_one_bit_is_one_bit(tmp_path: Path) -> None:
    """One sample of one bit, with black and white in it."""
    path = spoilt("one-bit", tmp_path)
    with tifffile.TiffFile(path) as tiff:
        assert (tiff.pages[0].bitspersample, tiff.pages[0].samplesperpixel) == (1, 1)
    with Image.open(path) as image:
        assert image.mode == "1"
        assert 0.02 < np.asarray(image).mean() < 0.98


def test_a_printer_profile_is_embedded_and_nothing_else_passes_for_one(tmp_path: Path) -> None:
    """The class in the embedded profile is prtr; a working space or none is refused."""
    with tifffile.TiffFile(spoilt("printer-profile", tmp_path, PRINTER)) as tiff:
        assert tiff.pages[0].tags["InterColorProfile"].value[12:16] == b"prtr"
    for profile in (SRGB, None):
        with pytest.raises(ValueError, match="prtr"):
            spoilt("printer-profile", tmp_path, profile)


def test_float32_is_floating_point(tmp_path: Path) -> None:
    """Samples of 32-bit floating point from 0 to 1."""
    with tifffile.TiffFile(spoilt("float32", tmp_path)) as tiff:
        assert tiff.pages[0].dtype == np.float32
        values = tiff.pages[0].asarray()
        assert tiff.pages[0].tags["InterColorProfile"].value == SRGB
    assert np.abs(values - CANYON / 65535).max() < 1e-6


def test_zero_bytes_and_a_letter(tmp_path: Path) -> None:
    """One is empty; the other is text, which no reader of pictures opens."""
    assert spoilt("zero-bytes", tmp_path).read_bytes() == b""
    letter = spoilt("not-a-picture", tmp_path)
    assert letter.read_text("utf-8").startswith("Dear all")
    with pytest.raises(Image.UnidentifiedImageError):
        Image.open(letter)


def test_a_bomb_opens_to_a_thousand_times_its_size(tmp_path: Path) -> None:
    """The header states 60,000 × 60,000 and the stream unpacks without an error as it begins."""
    content = spoilt("bomb", tmp_path).read_bytes()
    assert struct.unpack(">II", content[16:24]) == (60_000, 60_000)
    assert len(content) * 1000 < 60_000**2
    at = content.index(b"IDAT") + 4
    assert zlib.decompressobj().decompress(content[at:], 60_001 * 20) == bytes(60_001 * 20)


def test_a_small_bomb_is_a_sound_picture() -> None:
    """The same construction at a size that can be unpacked decodes whole, checksum and all.

    5,000 px a side takes more than one repeated block of 16 MiB.
    """
    with Image.open(io.BytesIO(blank_png(5000))) as image:
        image.load()
        assert image.size == (5000, 5000)
        assert image.getextrema() == (0, 0)


def test_every_kind_can_be_made_and_no_other(tmp_path: Path) -> None:
    """The list of kinds holds what the demonstration asks for; another name is an error."""
    assert len(set(BAD_KINDS)) == len(BAD_KINDS) == 14
    with pytest.raises(KeyError):
        spoilt("harmless", tmp_path)


def test_a_task_makes_a_picture(tmp_path: Path) -> None:
    """Space, profile, form, size and resolution come from the task, and the report is true."""
    profile, path = tmp_path / "p3.icc", tmp_path / "canyon.tif"
    profile.write_bytes(build_matrix_profile("display-p3"))
    report = make_demo_file(
        {
            "kind": "picture",
            "name": "canyon",
            "path": str(path),
            **SIZE,
            "form": "tiff16",
            "space": "display-p3",
            "profile_path": str(profile),
            "ppi": 200.0,
        }
    )
    assert report == {"path": str(path), "bytes": path.stat().st_size}
    with tifffile.TiffFile(path) as tiff:
        made = tiff.pages[0].asarray()
        assert tiff.pages[0].tags["InterColorProfile"].value == profile.read_bytes()
        assert tiff.pages[0].tags["XResolution"].value[0] == 200
    assert np.array_equal(made, PICTURES["canyon"](240, 160, "display-p3"))
    assert not np.array_equal(made, CANYON)


def test_a_task_makes_a_camera_file_and_a_bad_one(tmp_path: Path) -> None:
    """What a task leaves out is filled in: no profile, a usual form; bad files need a kind."""
    camera = {"kind": "picture", "name": "canyon", "path": str(tmp_path / "a.jpg"), **SIZE}
    make_demo_file({**camera, "form": "jpeg", "exif": "camera"})
    with Image.open(tmp_path / "a.jpg") as image:
        assert read_exif(image.info["exif"][6:]).colour == "srgb"
        assert "icc_profile" not in image.info
    empty = {"kind": "bad", "bad": "zero-bytes", "path": str(tmp_path / "b.tif")}
    assert make_demo_file({**empty, "width": 0, "height": 0})["bytes"] == 0
