"""The proof sheet and the panel: what is on them, whichever way up and however odd the picture."""

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skimage.data
from made_measures import measure_task, measures_of
from made_plans import LIMITS, picture, sha256
from numpy.typing import NDArray
from PIL import Image

from platemark.imaging.child import Children
from platemark.imaging.icc import build_grey_profile, build_matrix_profile, parse_profile
from platemark.imaging.measure import measure
from platemark.imaging.print_model import BARYTA, MATTE_RAG, make_printer_profile
from platemark.imaging.proof_chart import RAMP, STEPS, change_map, lightness_chart
from platemark.imaging.proof_drawing import SHEET_PX
from platemark.imaging.source import find_profile
from platemark.imaging.to_lab import LabOf
from platemark.model.measures import Measures
from platemark.model.terms import Box
from platemark.model.work import MeasureReport

MAT = 118
RAG = make_printer_profile(MATTE_RAG)


def tags_of(data: bytes) -> dict[str, tuple[int, int]]:
    """Where the parts of a profile are."""
    return {tag.signature: (tag.offset, tag.length) for tag in parse_profile(data).tags}


def with_other_perceptual() -> bytes:
    """The profile of one printer with the perceptual table of another, so that the two differ."""
    made, other = bytearray(RAG), make_printer_profile(BARYTA)
    start, length = tags_of(RAG)["B2A0"]
    taken, as_long = tags_of(other)["B2A0"]
    assert length == as_long
    made[start : start + length] = other[taken : taken + length]
    made[84:100] = bytes(16)  # no profile ID: it would be that of the other bytes
    return bytes(made)


def drawn(
    folder: Path, pixels: NDArray[Any], *profiles: bytes, profile: bytes | None = None, **more: Any
) -> tuple[Image.Image, Image.Image, Measures]:
    """The sheet and the panel of a picture, and its measures."""
    made = picture(folder, pixels, profile)
    sheet, panel = folder / "sheet.jpg", folder / "panel.png"
    task = replace(measure_task(made, *profiles, **more), proof=str(sheet), panel=str(panel))
    measures = measure(task).measures
    assert sheet.stat().st_size <= 500_000
    return opened(sheet), opened(panel), measures


def opened(path: Path) -> Image.Image:
    """A picture, read and closed."""
    with Image.open(path) as image:
        image.load()
    return image


def has_colour(sheet: Image.Image, colour: tuple[int, int, int], by: int = 10) -> int:
    """How many pixels are that near to a colour."""
    apart = np.abs(np.asarray(sheet).astype(int) - colour).max(axis=-1)
    return int((apart <= by).sum())


def test_a_photograph(tmp_path: Path) -> None:
    """An upright sheet of 1,600 px in sRGB that says so, on mid grey, with the map's first step."""
    sheet, panel, measures = drawn(tmp_path, skimage.data.astronaut(), RAG)
    assert (sheet.format, sheet.width) == ("JPEG", SHEET_PX)
    assert sheet.info["icc_profile"] == build_matrix_profile("srgb")
    assert (panel.format, panel.size) == ("PNG", (700, 700))
    assert panel.info["icc_profile"] == build_matrix_profile("srgb")
    corner = np.asarray(sheet)[:8, :8]
    assert np.abs(corner.astype(int) - MAT).max() <= 2
    assert float(measures.changed_percent) > 1
    scale_alone = 2_000
    assert has_colour(sheet, RAMP[0]) > scale_alone


def panel_alone(folder: Path, pixels: NDArray[Any], **more: Any) -> NDArray[np.int16]:
    """The panel, and no sheet."""
    made = picture(folder, pixels)
    path = folder / "panel.png"
    measure(replace(measure_task(made, RAG, **more), panel=str(path)))
    return np.asarray(opened(path)).astype(np.int16)


def test_whichever_way_up(tmp_path: Path) -> None:
    """A picture that is stored turned or mirrored has the same panel as one that is not."""
    upright, whole = skimage.data.coffee()[:200, :300], Box(0, 0, 300, 200)
    plain = panel_alone(tmp_path / "plain", upright)
    assert plain.shape == (467, 700, 3)
    flips = {2: (1,), 3: (0, 1), 4: (0,), 6: (0,), 7: (0, 1), 8: (1,)}
    for orientation in range(2, 9):
        turned = upright.swapaxes(0, 1) if orientation >= 5 else upright
        stored = np.ascontiguousarray(np.flip(turned, flips.get(orientation, ())))
        found = panel_alone(tmp_path / str(orientation), stored, orientation=orientation,
                            crop=whole, placed=whole)  # fmt: skip
        assert found.shape == plain.shape
        assert np.abs(found - plain).mean() < 1, orientation


def test_the_other_intent_is_shown_where_it_differs(tmp_path: Path) -> None:
    """Beside the planned one from the stated share on; below it the sheet is a drawing shorter."""
    pixels = skimage.data.chelsea()[::2, ::2]
    odd = with_other_perceptual()
    shown, _, measures = drawn(tmp_path / "shown", pixels, odd, show_other_intent_from="5")
    assert float(measures.other_intent_percent or "") > 10
    assert float(measures.other_intent_mean or "") > 1
    silent, _, _ = drawn(tmp_path / "silent", pixels, odd, show_other_intent_from="100")
    assert shown.height > silent.height
    planned = measures_of(
        tmp_path / "other", pixels, odd, intent="perceptual", black_point_compensation=False
    )
    assert planned.other_intent_percent == measures.other_intent_percent
    lab = measures_of(tmp_path / "lab", pixels)
    assert (lab.other_intent_percent, lab.other_intent_mean) == (None, None)


def test_a_profile_of_one_table_has_no_other_intent(tmp_path: Path) -> None:
    """Where perceptual and relative tables are the same bytes, there is nothing to compare."""
    made = bytearray(RAG)
    (start, length), (taken, _) = tags_of(RAG)["B2A0"], tags_of(RAG)["B2A1"]
    made[start : start + length] = RAG[taken : taken + length]
    made[84:100] = bytes(16)
    measures = measures_of(tmp_path, skimage.data.chelsea(), bytes(made))
    assert measures.other_intent_percent is None


@pytest.mark.parametrize(
    ("kind", "pixels"),
    [
        ("one pixel", np.full((1, 1, 3), 200, np.uint8)),
        ("a line", np.full((1, 900, 3), 90, np.uint8)),
        ("black", np.zeros((60, 90, 3), np.uint8)),
        ("white", np.full((90, 60, 3), 255, np.uint8)),
        ("a panorama", np.tile(np.arange(256, dtype=np.uint8)[:, None], (40, 8, 3))[:100]),
    ],
)
def test_odd_pictures(kind: str, pixels: NDArray[np.uint8], tmp_path: Path) -> None:
    """One pixel, a line, all black, all white: a sheet comes of each, by profile or without."""
    for number, profiles in enumerate(((RAG,), ())):
        sheet, panel, _ = drawn(tmp_path / str(number), pixels, *profiles)
        assert sheet.width == SHEET_PX, kind
        assert max(panel.size) == 700


def test_white_is_paper_and_black_is_ink(tmp_path: Path) -> None:
    """On the panel, white is the bare surface and black its deepest, where the lab converts.

    sRGB of L* 70 and 14, from IEC 61966-2-1 and ISO/CIE 11664-4 by hand: 171 and 36.
    """
    ends = np.zeros((40, 80, 3), np.uint8)
    ends[:, 40:] = 255
    _, panel, _ = drawn(tmp_path, ends, white_l="70", white_b="0", black_l="14", bare_metal=True)
    samples = np.asarray(panel)
    assert np.abs(samples[:, :300].astype(int) - 36).max() <= 1
    assert np.abs(samples[:, 400:].astype(int) - 171).max() <= 1


def test_a_grey_picture(tmp_path: Path) -> None:
    """A picture with one channel and a grey profile has its proof too."""
    grey = build_grey_profile()
    _, panel, _ = drawn(tmp_path, skimage.data.camera(), RAG, profile=grey)
    assert panel.mode == "RGB"
    assert panel.size == (700, 700)


def test_scale_is_told_by_lightness() -> None:
    """Each step is lighter than the one before by 10 L* and more, and all of the grey below."""
    ramp = np.array([RAMP], np.uint16) * np.uint16(257)
    data = build_matrix_profile("srgb")
    lab_of = LabOf(find_profile(sha256(data), {}, data))
    lightness = lab_of(ramp)[0][0]
    assert np.diff(lightness).min() > 10
    greys = change_map(
        np.linspace(0, 100, 400, dtype=np.float32).reshape(20, 20), np.zeros((20, 20))
    )
    assert lightness[0] - lab_of(greys.astype(np.uint16) * np.uint16(257))[0].max() > 10
    apart = np.array([[0, 4.9, *(step + 0.1 for step in STEPS)]])
    drawing = change_map(np.full((1, 6), 50, np.float32), apart)
    assert [tuple(int(v) for v in colour) for colour in drawing[0, 2:]] == list(RAMP)
    assert (drawing[0, 0] == drawing[0, 1]).all()


def test_chart_marks_black_and_white() -> None:
    """Dashed lines stand at the surface's black and white, and nowhere else."""
    plain = np.full((20, 20), 50, np.float32)
    card = lightness_chart((544, 300), plain, plain, 20, 90)
    left, width = 22, 500
    columns = np.asarray(card).max(axis=-1)[80:200] > 150
    marked = [x for x in range(544) if 0.3 < columns[:, x].mean() < 0.9]
    for lightness in (20, 90):
        assert any(abs(x - (left + width * lightness / 100)) <= 1.5 for x in marked)
    assert all(min(abs(x - (left + width * at / 100)) for at in (20, 90, 50)) < 12 for x in marked)


def test_a_child_draws_both(tmp_path: Path) -> None:
    """Through the sandbox, files and all."""
    made = picture(tmp_path / "made", skimage.data.coffee())
    out = tmp_path / "out"
    out.mkdir()
    task = replace(
        measure_task(made, RAG), proof=str(out / "sheet.jpg"), panel=str(out / "panel.png")
    )
    assert isinstance(Children().run(task, LIMITS), MeasureReport)
    assert sorted(os.listdir(out)) == ["panel.png", "sheet.jpg"]
    assert opened(out / "sheet.jpg").width == SHEET_PX
