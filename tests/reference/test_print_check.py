"""The check of print files finds what a broken disk, library or program could have done to them.

Files are spoilt with tifffile and Pillow (PyPI), on a photograph of scikit-image.
"""

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import skimage.data
import tifffile
from made_plans import Pixels, check_task, picture, plan_for, render_task, sha256
from PIL import Image

from platemark.imaging.check import check
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.render import render
from platemark.imaging.steps import PictureFault
from platemark.model.terms import Box, EdgeChoice
from platemark.model.work import CheckTask

ADOBE = build_matrix_profile("adobe-rgb")
SRGB = build_matrix_profile("srgb")


def made_print(folder: Path, **changes: object) -> CheckTask:
    """A print that is right, and its check."""
    pixels = skimage.data.coffee().astype(np.uint16) * np.uint16(257)
    made = picture(folder, pixels)
    task = render_task(made, plan_for(made, ADOBE, **changes), ADOBE)
    render(task)
    return check_task(task)


def rewrite(task: CheckTask, change: Callable[[Pixels], Pixels], **tags: object) -> None:
    """Write a print file's TIFF again with other samples or tags."""
    pixels = change(tifffile.imread(task.print_file))
    profile = tags.pop("profile", ADOBE)
    tifffile.imwrite(
        task.print_file,
        pixels,
        photometric="rgb",
        iccprofile=profile,
        **{"resolution": (300, 300), "resolutionunit": "INCH", "metadata": None, **tags},
    )


def same(pixels: Pixels) -> Pixels:
    """Leave the samples alone."""
    return pixels


def test_a_good_print_passes(tmp_path: Path) -> None:
    """A print as it was rendered passes, on at least 100,000 pixels, with its figures."""
    checked = check(made_print(tmp_path))
    assert (checked.passed, checked.reasons) == (True, ())
    assert checked.sampled >= 100_000
    assert 0 <= float(checked.mean) <= float(checked.p99) <= float(checked.largest) <= 2


def test_the_same_samples_rewritten_pass(tmp_path: Path) -> None:
    """What is spoilt below is not the rewriting: another writer's file of the same print passes."""
    task = made_print(tmp_path)
    rewrite(task, same)
    assert check(task).passed


def darker(pixels: Pixels) -> Pixels:
    return (pixels * 0.97).astype(pixels.dtype)


def turned(pixels: Pixels) -> Pixels:
    return pixels[:, ::-1].copy()


def moved(pixels: Pixels) -> Pixels:
    return np.roll(pixels, 1, axis=1)


def swapped(pixels: Pixels) -> Pixels:
    return pixels[..., ::-1].copy()


def coarse(pixels: Pixels) -> Pixels:
    return pixels & np.array(0xF000 if pixels.dtype == np.uint16 else 0xF0, pixels.dtype)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("spoil", [darker, turned, moved, swapped, coarse])
def test_spoilt_samples_are_found(
    spoil: Callable[[Pixels], Pixels], bits: int, tmp_path: Path
) -> None:
    """A print that is darker, turned, moved by a pixel, or has channels swapped does not pass."""
    task = made_print(tmp_path, bits=bits)
    rewrite(task, spoil)
    checked = check(task)
    assert not checked.passed
    assert len(checked.reasons) == 1


def test_unconverted_samples_are_found(tmp_path: Path) -> None:
    """A print that was tagged with the output profile but never converted does not pass."""
    task = made_print(tmp_path)
    rewrite(task, lambda print_: np.fromfile(task.face, np.uint16).reshape(print_.shape))
    assert "exact conversion" in check(task).reasons[0]


def test_one_code_is_found_in_8_bit(tmp_path: Path) -> None:
    """At 8 bit the file is the dither rule's to the code: rounding instead does not pass."""
    task = made_print(tmp_path, bits=8)
    wide = made_print(tmp_path / "wide")
    rounded = ((tifffile.imread(wide.print_file).astype(np.uint32) * 255 + 32767) // 65535).astype(
        np.uint8
    )
    rewrite(task, lambda _: rounded)
    checked = check(task)
    assert not checked.passed
    assert "dither rule" in checked.reasons[0]
    assert "differ" in checked.container


@pytest.mark.parametrize(
    ("tags", "words"),
    [
        ({"profile": SRGB}, "the profile in it is not the planned one"),
        ({"profile": None}, "the profile in it is not the planned one"),
        ({"resolution": (72, 72)}, "its resolution tags say 72 and 72 ppi, not 300"),
        ({"resolution": (300, 299)}, "its resolution tags say 300 and 299 ppi, not 300"),
    ],
)
def test_wrong_tags_are_found(tags: dict[str, object], words: str, tmp_path: Path) -> None:
    """Another profile, none, or another resolution is told in those words."""
    task = made_print(tmp_path)
    rewrite(task, same, **tags)
    assert check(task).reasons == (words,)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda p: p[:-1], "it has 600 × 399 px, not 600 × 400"),
        (lambda p: np.dstack([p, p[..., :1]]), "it has 4 channels, not 3"),
        (lambda p: (p // 257).astype(np.uint8), "its samples have [8] bits, not 16"),
    ],
)
def test_another_shape_is_found(
    change: Callable[[Pixels], Pixels], words: str, tmp_path: Path
) -> None:
    """A lost row, an alpha channel and a lost depth are told with both figures."""
    task = made_print(tmp_path)
    rewrite(task, change)
    assert check(task).reasons == (words,)


def test_another_form_is_found(tmp_path: Path) -> None:
    """A JPEG where a TIFF was planned does not pass."""
    task = made_print(tmp_path, bits=8)
    with Image.open(task.print_file) as opened:
        opened.convert("RGB").save(task.print_file, "JPEG", icc_profile=ADOBE, dpi=(300, 300))
    assert check(task).reasons[0] == "it is a jpeg file, not tiff"


@pytest.mark.parametrize(
    "form",
    [
        {"compression": "none"},
        {"compression": "lzw"},
        {"compression": "deflate"},
        {"format": "jpeg", "bits": 8, "jpeg_quality": 95},
    ],
)
def test_a_cut_file_is_found(form: dict[str, object], tmp_path: Path) -> None:
    """A print file whose samples end early does not pass, in any form."""
    task = made_print(tmp_path, **form)
    path = Path(task.print_file)
    data = path.read_bytes()
    if form.get("format") == "jpeg":
        path.write_bytes(data[: len(data) // 2])
    else:
        # The directory is at the end, so samples are lost where they lie.
        with tifffile.TiffFile(path) as file:
            offsets = file.pages[0].dataoffsets
        rewritten = bytearray(data)
        if form["compression"] == "none":
            rewritten[offsets[3] : offsets[12]] = bytes(offsets[12] - offsets[3])
        else:
            rewritten[offsets[3] : offsets[4]] = b"\xff" * (offsets[4] - offsets[3])
        path.write_bytes(rewritten)
    checked = check(task)
    assert not checked.passed, checked


def test_a_stained_border_is_found(tmp_path: Path) -> None:
    """A border that is not bare paper in one place does not pass."""
    task = made_print(tmp_path, placed=Box(20, 20, 600, 400))

    def stain(pixels: Pixels) -> Pixels:
        pixels[5, 300] = 65000
        return pixels

    rewrite(task, stain)
    assert check(task).reasons == ("its border is not bare paper",)


MIRRORED = {
    "mirror": True,
    "slug": "MIRRORED ALREADY · NOT AGAIN · 600x400mm c0ffee00",
    "bleed_px": 60,
    "edge": EdgeChoice("mirror"),
    "placed": Box(60, 60, 600, 400),
}
READS_RIGHT = {**MIRRORED, "mirror": False, "slug": "READS RIGHT · MIRROR ONCE"}
IN_JPEG = {"format": "jpeg", "bits": 8, "jpeg_quality": 90}
FORMS = pytest.mark.parametrize("form", [{"bits": 16}, {"bits": 8}, IN_JPEG])


def turn(task: CheckTask) -> None:
    """Turn a print file left for right, in its own form."""
    if task.plan.format == "tiff":
        rewrite(task, turned)
        return
    with Image.open(task.print_file) as opened:
        other_way = opened.transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    other_way.save(
        task.print_file, "JPEG", icc_profile=ADOBE, dpi=(300, 300), quality=95, subsampling=0
    )


@FORMS
@pytest.mark.parametrize("how", [MIRRORED, READS_RIGHT])
def test_a_wrongly_mirrored_print_is_found(
    how: dict[str, object], form: dict[str, object], tmp_path: Path
) -> None:
    """A print that was mirrored twice or not at all fails, by its picture and by its line."""
    task = made_print(tmp_path, **how, **form)
    assert check(task).passed
    turn(task)
    checked = check(task)
    assert not checked.passed
    assert any("is not in its bleed as planned" in reason for reason in checked.reasons)
    assert len(checked.reasons) == 2


@pytest.mark.parametrize("mirror", [True, False])
def test_a_wrongly_mirrored_jpeg_is_found_without_a_line(mirror: bool, tmp_path: Path) -> None:
    """Where no line has room, a JPEG that was turned shows by its picture."""
    task = made_print(tmp_path, mirror=mirror, **IN_JPEG)
    assert check(task).passed
    turn(task)
    assert check(task).reasons == ("it is turned left for right",)


@FORMS
def test_a_lost_line_is_found(form: dict[str, object], tmp_path: Path) -> None:
    """A print whose line of text was painted over does not pass, in any form."""
    task = made_print(tmp_path, **READS_RIGHT, **form)

    def paint(pixels: Pixels) -> Pixels:
        pixels = pixels.copy()
        pixels[-40:] = pixels[-80:-40]
        return pixels

    if task.plan.format == "tiff":
        rewrite(task, paint)
    else:
        with Image.open(task.print_file) as opened:
            painted = Image.fromarray(paint(np.asarray(opened)))
        painted.save(
            task.print_file, "JPEG", icc_profile=ADOBE, dpi=(300, 300), quality=95, subsampling=0
        )
    (reason,) = check(task).reasons
    assert reason == "the line “READS RIGHT · MIRROR ONCE” is not in its bleed as planned"


def test_another_face_is_found(tmp_path: Path) -> None:
    """A face of another size than planned does not pass."""
    task = made_print(tmp_path)
    other = replace(task.plan, placed=Box(0, 0, 601, 400))
    assert "the face is not of the planned size" in check(replace(task, plan=other)).reasons


def test_a_jpeg_is_judged_before_its_coding(tmp_path: Path) -> None:
    """A coarse JPEG passes with its coding told: the colours before it are judged."""
    checked = check(made_print(tmp_path, format="jpeg", bits=8, jpeg_quality=30))
    assert checked.passed
    assert float(checked.p99) <= 0.5
    assert float(checked.container.split("p99 ")[1].split(",")[0]) > 2


def test_profiles_must_be_there(tmp_path: Path) -> None:
    """Without the planned profile nothing is judged; the picture is to be planned again."""
    task = made_print(tmp_path)
    with pytest.raises(PictureFault, match="plan the picture again"):
        check(replace(task, profiles=()))
    wrong = (sha256(ADOBE), task.original)
    with pytest.raises(PictureFault, match="plan the picture again"):
        check(replace(task, profiles=(wrong,)))


def test_resolution_is_exact(tmp_path: Path) -> None:
    """A resolution that is no whole number is written and read to a hundredth."""
    task = made_print(tmp_path, ppi=Fraction(8688 * 10, 300))
    assert check(task).passed
    assert not check(replace(task, plan=replace(task.plan, ppi=Fraction(290)))).passed


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda seen: seen * 0, id="black"),
        pytest.param(lambda seen: seen[::-1], id="upside down"),
        pytest.param(lambda seen: seen[..., ::-1], id="red and blue exchanged"),
        pytest.param(lambda seen: np.where(np.indices(seen.shape)[0] < 200, seen, 128), id="half"),
    ],
)
def test_a_jpeg_of_another_picture_is_found(
    tmp_path: Path, spoil: Callable[[Pixels], Pixels]
) -> None:
    """A JPEG keeps the means of small squares, so nothing else passes for the planned picture."""
    task = made_print(tmp_path, format="jpeg", bits=8, jpeg_quality=95)
    assert check(task).passed
    with Image.open(task.print_file) as opened:
        kept = {"icc_profile": opened.info["icc_profile"], "dpi": opened.info["dpi"]}
        seen = np.asarray(opened)
    spoilt = np.ascontiguousarray(spoil(seen).astype(np.uint8))
    Image.fromarray(spoilt).save(task.print_file, "JPEG", quality=95, subsampling=0, **kept)
    report = check(task)
    assert not report.passed
    assert "is not the planned one" in " ".join(report.reasons)
