"""Drawings for people: what any picture looks like, with the lines and choices on it.

Pictures are made with Pillow and tifffile (PyPI) from a photograph of scikit-image.
"""

import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import skimage.data
import tifffile
from made_plans import picture, plan_for, render_task
from PIL import Image, ImageOps

from platemark.imaging.drawing import STYLES
from platemark.imaging.icc import build_grey_profile, build_matrix_profile
from platemark.imaging.preview import preview
from platemark.imaging.render import render
from platemark.imaging.steps import PictureFault
from platemark.model.terms import Box, EdgeChoice
from platemark.model.work import Choice, Line, PreviewTask

with warnings.catch_warnings():
    # It misses a library for plots, which nobody here draws.
    warnings.simplefilter("ignore")
    import colour

COFFEE = skimage.data.coffee()
SRGB = build_matrix_profile("srgb")


def rgb(path: Path) -> Image.Image:
    """The photograph, to be saved by Pillow."""
    return Image.fromarray(COFFEE)


def write_cmyk(path: Path) -> None:
    rgb(path).convert("CMYK").save(path, "JPEG", quality=95)


def write_grey_alpha(path: Path) -> None:
    rgb(path).convert("LA").save(path, "PNG")


def write_palette(path: Path) -> None:
    rgb(path).quantize(64).save(path, "PNG")


def write_bilevel(path: Path) -> None:
    rgb(path).convert("1").save(path, "TIFF")


def write_broken_profile(path: Path) -> None:
    rgb(path).save(path, "JPEG", icc_profile=b"this is no profile" * 30, quality=95)


def write_profile_for_grey(path: Path) -> None:
    rgb(path).save(path, "JPEG", icc_profile=build_grey_profile(), quality=95)


def write_16_bit(path: Path) -> None:
    tifffile.imwrite(path, COFFEE.astype(np.uint16) * np.uint16(257), photometric="rgb")


def write_16_bit_alpha(path: Path) -> None:
    opaque = np.full((*COFFEE.shape[:2], 1), 65535, np.uint16)
    wide = COFFEE.astype(np.uint16) * np.uint16(257)
    tifffile.imwrite(
        path, np.dstack([wide, opaque]), photometric="rgb", extrasamples=["unassalpha"]
    )


def write_planes(path: Path) -> None:
    planes = np.ascontiguousarray(np.moveaxis(COFFEE, -1, 0))
    tifffile.imwrite(path, planes, photometric="rgb", planarconfig="separate")


def write_progressive(path: Path) -> None:
    rgb(path).save(path, "JPEG", progressive=True, quality=95)


KINDS: dict[str, Callable[[Path], None]] = {
    "cmyk": write_cmyk,
    "grey with alpha": write_grey_alpha,
    "palette": write_palette,
    "bilevel": write_bilevel,
    "broken profile": write_broken_profile,
    "profile for grey": write_profile_for_grey,
    "16 bit": write_16_bit,
    "16 bit with alpha": write_16_bit_alpha,
    "planes": write_planes,
    "progressive": write_progressive,
}


def drawn(task: PreviewTask) -> Image.Image:
    """Draw, and open what was drawn."""
    report = preview(task)
    with Image.open(task.drawing) as opened:
        opened.load()
        assert opened.size == (report.width, report.height)
        assert max(opened.size) <= 1200
        assert (opened.format, opened.mode) == ("JPEG", "RGB")
        return opened.copy()


@pytest.mark.parametrize("kind", KINDS)
def test_any_picture_can_be_shown(kind: str, tmp_path: Path) -> None:
    """Pictures that would never be printed are drawn too, and look like themselves."""
    path = tmp_path / "picture"
    KINDS[kind](path)
    shown = drawn(PreviewTask(str(path), 1, "", (), str(tmp_path / "drawing.jpg")))
    assert shown.size == (648, 448)
    small = (150, 100)
    seen = np.asarray(shown.crop((24, 24, 624, 424)).convert("L").resize(small), float)
    wanted = np.asarray(Image.fromarray(COFFEE).convert("L").resize(small), float)
    assert np.corrcoef(seen.ravel(), wanted.ravel())[0, 1] > 0.95
    # Pillow's CMYK is plain arithmetic, and the drawing shows what inks would make of it.
    assert abs(seen.mean() - wanted.mean()) < (20 if kind == "cmyk" else 6)


def test_a_profile_is_followed(tmp_path: Path) -> None:
    """Adobe RGB values are shown as the colours that they mean: 200 120 40 is sRGB 224 121 25.

    The values are from the definitions of both spaces (arithmetic), within 4 for JPEG.
    """
    flat = np.full((90, 120, 3), (200, 120, 40), np.uint8)
    for how in ("embedded", "given", "none"):
        made = picture(tmp_path / how, flat, build_matrix_profile("adobe-rgb"))
        if how != "embedded":
            tifffile.imwrite(made.original, flat, photometric="rgb")
        given = str(made.folder / "given.icc") if how == "given" else ""
        task = PreviewTask(str(made.original), 1, given, (), str(made.folder / "drawing.jpg"))
        seen = drawn(task).getpixel((80, 70))
        wanted = (200, 120, 40) if how == "none" else (224, 121, 25)
        assert max(abs(a - b) for a, b in zip(seen, wanted, strict=True)) <= 4, how


@pytest.mark.parametrize("orientation", range(1, 9))
def test_pictures_stand_upright(orientation: int, tmp_path: Path) -> None:
    """Each EXIF orientation is shown as Pillow turns it."""
    tagged = Image.fromarray(COFFEE)
    tagged.getexif()[274] = orientation
    wanted = ImageOps.exif_transpose(tagged).convert("RGB")
    path = tmp_path / "picture.png"
    Image.fromarray(COFFEE).save(path)
    shown = drawn(PreviewTask(str(path), orientation, "", (), str(tmp_path / "drawing.jpg")))
    middle = shown.crop((24, 24, 24 + wanted.width, 24 + wanted.height))
    assert np.abs(np.asarray(middle, float) - np.asarray(wanted, float)).mean() < 6


def test_damage_is_shown_as_it_decodes(tmp_path: Path) -> None:
    """Half a JPEG is drawn as far as it goes; what is no picture at all is told as that."""
    whole, half = tmp_path / "whole.jpg", tmp_path / "half.jpg"
    rgb(whole).save(whole, "JPEG", quality=90)
    half.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    shown = drawn(PreviewTask(str(half), 1, "", (), str(tmp_path / "drawing.jpg")))
    assert shown.size == (648, 448)
    half.write_bytes(b"\xff\xd8\xff\xe0 and nothing more")
    with pytest.raises(PictureFault, match="cannot be decoded"):
        preview(PreviewTask(str(half), 1, "", (), str(tmp_path / "drawing.jpg")))


def test_choices_are_side_by_side(tmp_path: Path) -> None:
    """What a crop takes away is dimmed, what it keeps is not, and a border is white paper."""
    flat = np.full((400, 600, 3), 200, np.uint8)
    made = picture(tmp_path, flat)
    whole = Box(0, 0, 600, 400)
    choices = (
        Choice("a", Box(100, 0, 400, 400), False, 0, 0),
        Choice("b", whole, True, 5, 4),
    )
    shown = drawn(PreviewTask(str(made.original), 1, "", choices, str(tmp_path / "drawing.jpg")))
    # Two panels of (1200 - 3 × 24) / 2 = 564 px, 24 px apart.
    scale = 564 / 600
    assert shown.width == 1200
    top = 24 + (round(564 * 4 / 5) - round(400 * scale)) // 2
    across = [shown.getpixel((24 + round(x * scale), top + 180))[0] for x in (50, 300, 550)]
    assert across[0] == pytest.approx(70, abs=4)
    assert across[1] == pytest.approx(200, abs=4)
    assert across[2] == pytest.approx(70, abs=4)
    left = 24 + 564 + 24
    down = [shown.getpixel((left + 282, 24 + y))[0] for y in (10, 225, 440)]
    assert down[0] == pytest.approx(255, abs=4)
    assert down[1] == pytest.approx(200, abs=4)
    assert down[2] == pytest.approx(255, abs=4)


def test_ticket_drawing_shows_the_whole_document(tmp_path: Path) -> None:
    """The ticket's picture is the document in sRGB on grey, border and mirrored edge included."""
    flat = np.full((300, 400, 3), (200, 120, 40), np.uint8)
    adobe = build_matrix_profile("adobe-rgb")
    made = picture(tmp_path, flat, adobe)
    plan = plan_for(made, adobe, placed=Box(50, 50, 400, 300))
    task = render_task(made, plan, lines=(Line("safe", Box(60, 60, 380, 280)),))
    render(task)
    with Image.open(task.drawing) as shown:
        assert shown.size == (500 + 60, 400 + 92)
        assert shown.getpixel((5, 200)) == pytest.approx((118, 118, 118), abs=3)
        assert shown.getpixel((30 + 25, 46 + 200)) == pytest.approx((255, 255, 255), abs=3)
        assert shown.getpixel((30 + 250, 46 + 200)) == pytest.approx((224, 121, 25), abs=4)


@pytest.mark.parametrize("kind", STYLES)
@pytest.mark.parametrize("value", [0, 118, 255])
def test_lines_are_seen_on_any_picture(kind: str, value: int, tmp_path: Path) -> None:
    """Every kind of line has parts much lighter or darker than black, grey and white pictures."""
    flat = np.full((300, 400, 3), value, np.uint8)
    made = picture(tmp_path, flat)
    plan = plan_for(made, SRGB)
    task = render_task(made, plan, lines=(Line(kind, Box(80, 60, 240, 180)),))  # type: ignore[arg-type]
    render(task)
    with Image.open(task.drawing) as shown:
        around = shown.convert("L").crop((30 + 70, 46 + 50, 30 + 330, 46 + 250))
        off = np.abs(np.asarray(around, float) - value)
    assert (off > 60).sum() > 200


@pytest.mark.parametrize("kind", [kind for kind in STYLES if kind != "brush"])
@pytest.mark.parametrize("times", [1, 4])
@pytest.mark.parametrize("mirror", [False, True])
def test_lines_lie_where_the_numbers_say(
    kind: str, times: int, mirror: bool, tmp_path: Path
) -> None:
    """Each side of a box is drawn just inside it, at the drawing's own scale, and nowhere else."""
    made = picture(tmp_path, np.full((300 * times, 400 * times, 3), 118, np.uint8))
    box = Box(80 * times, 60 * times, 240 * times, 180 * times)
    task = render_task(made, plan_for(made, SRGB, mirror=mirror), lines=(Line(kind, box),))  # type: ignore[arg-type]
    render(task)
    with Image.open(task.drawing) as shown:
        seen = np.asarray(shown.convert("L"), float)
    # 1,200 px less 2 × 30 beside and 46 above and below.
    scale = min(1, 1140 / (400 * times), 1108 / (300 * times))
    off = np.abs(seen[46 : 46 + round(300 * times * scale), 30 : 30 + round(400 * times * scale)])
    off = np.abs(off - 118) > 40
    left, top, right, bottom = (
        round(edge * times * scale) for edge in (80, 60, 80 + 240, 60 + 180)
    )
    down, across = np.flatnonzero(off.any(axis=1)), np.flatnonzero(off.any(axis=0))
    assert [down[0], down[-1]] == pytest.approx([top, bottom - 1], abs=1.5)
    assert [across[0], across[-1]] == pytest.approx([left, right - 1], abs=1.5)
    assert not off[top + 6 : bottom - 6, left + 6 : right - 6].any()


@pytest.mark.parametrize("box", [Box(100, 200, 200, 1), Box(200, 50, 1, 200)])
def test_the_arrow_lies_along_the_surfaces_lines(box: Box, tmp_path: Path) -> None:
    """It runs along its box's longer side, as long as the box, with a head at both ends."""
    made = picture(tmp_path, np.full((300, 400, 3), 118, np.uint8))
    task = render_task(made, plan_for(made, SRGB), lines=(Line("brush", box),))
    render(task)
    with Image.open(task.drawing) as shown:
        seen = np.asarray(shown.convert("L"), float)[46:346, 30:430]
    off = np.abs(seen - 118) > 40
    down, across = np.flatnonzero(off.any(axis=1)), np.flatnonzero(off.any(axis=0))
    long, short = (across, down) if box.width > box.height else (down, across)
    start = box.left if box.width > box.height else box.top
    assert [long[0], long[-1]] == pytest.approx([start, start + 200], abs=5)
    assert 12 <= short[-1] - short[0] <= 22
    along = off.sum(axis=0 if box.width > box.height else 1)[start : start + 200]
    assert along[:14].max() > along[100] + 4 < along[-14:].max() + 4


def test_kinds_differ_without_their_colour() -> None:
    """Lines that can stand in one drawing differ by their dashes, for eyes that see no hue."""
    together = [STYLES[kind].dashes for kind in ("trim", "bleed", "fold", "safe")]
    assert len(set(together)) == len(together)


def test_mirrored_documents_say_so(tmp_path: Path) -> None:
    """A document that the studio mirrors is drawn mirrored."""
    made = picture(tmp_path, COFFEE)
    straight, turned = (
        render_task(made, plan_for(made, SRGB, mirror=mirror)) for mirror in (False, True)
    )
    seen = []
    for task in (straight, turned):
        render(task)
        with Image.open(task.drawing) as shown:
            seen.append(np.asarray(shown.crop((30, 46, 630, 446)), float))
    assert np.abs(seen[0] - seen[1][:, ::-1]).mean() < 4
    assert np.abs(seen[0] - seen[1]).mean() > 20


def test_a_wrap_is_mirrored_in_the_drawing(tmp_path: Path) -> None:
    """Beside the fold the drawing shows the picture's mirror, as the print has it."""
    made = picture(tmp_path, COFFEE)
    place = Box(60, 60, 600, 400)
    plan = plan_for(made, SRGB, placed=place, edge=EdgeChoice("mirror"), wrap_px=60)
    task = render_task(made, plan)
    render(task)
    with Image.open(task.drawing) as shown:
        document = np.asarray(shown.crop((30, 46, 750, 566)), float)
    wanted = np.pad(COFFEE, ((60, 60), (60, 60), (0, 0)), mode="symmetric")
    assert np.abs(document - wanted).mean() < 5


def test_drawings_fit_a_page(tmp_path: Path) -> None:
    """Drawings of large documents are 1,200 px a side and carry the sRGB profile."""
    made = picture(tmp_path, np.tile(COFFEE, (4, 6, 1)))
    task = render_task(made, plan_for(made, SRGB))
    render(task)
    with Image.open(task.drawing) as shown:
        assert max(shown.size) == 1200
        assert shown.info["icc_profile"] == SRGB


@pytest.mark.parametrize("bits", [8, 16])
def test_icc_lab_is_shown_in_its_colours(tmp_path: Path, bits: int) -> None:
    """A held picture in ICCLab is shown near what colour-science makes of its Lab (D50)."""
    codes = np.array([150, 178, 148]) * (256 if bits == 16 else 1)
    original, drawing = tmp_path / "lab.tif", tmp_path / "drawing.jpg"
    pixels = np.full((60, 90, 3), codes, np.uint16 if bits == 16 else np.uint8)
    tifffile.imwrite(original, pixels, photometric="icclab")
    preview(PreviewTask(str(original), 1, "", (), str(drawing), is_icc_lab=True))
    d50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    xyz = colour.Lab_to_XYZ([150 / 255 * 100, 50, 20], d50)
    wanted = colour.XYZ_to_sRGB(xyz, d50, chromatic_adaptation_transform="Bradford")
    with Image.open(drawing) as shown:
        found = np.array(shown.getpixel((shown.width // 2, shown.height // 2)))
    assert np.abs(found - wanted * 255).max() < 8
