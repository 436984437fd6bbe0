"""Prints read back from their own files: drawn as when they were made, compared as others do.

Outside: CIEDE2000 by colour-science (ISO/CIE 11664-6), the way to L*a*b* by LittleCMS unoptimised.
"""

import sys
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import skimage.data
from PIL import Image

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))

from made_plans import Made, picture, plan_for, render_task

from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.imaging.render import render
from platemark.imaging.steps import PictureFault
from platemark.imaging.then_and_now import compare_prints, draw_from_print
from platemark.model.terms import Box, EdgeChoice
from platemark.model.work import DrawTask, Line, PrintSeen, RenderTask, ThenNowTask

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

RAG = make_printer_profile(MATTE_RAG)
ADOBE = build_matrix_profile("adobe-rgb")
SLUG = "MIRRORED ALREADY · NOT AGAIN · 2x3in 12345678"
FORMS: dict[str, dict[str, Any]] = {
    "16-bit TIFF": {},
    "8-bit TIFF": {"bits": 8, "compression": "lzw"},
    "JPEG": {"format": "jpeg", "bits": 8, "jpeg_quality": 95, "compression": "none"},
}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """A photograph."""
    return picture(tmp_path_factory.mktemp("photograph"), skimage.data.chelsea())


def printed(made: Made, name: str, output: bytes = RAG, **changes: Any) -> RenderTask:
    """Render it with a bleed, under a name of its own."""
    whole = Box(30, 30, made.width, made.height)
    around: dict[str, Any] = {"placed": whole, "bleed_px": 30, "edge": EdgeChoice("mirror")}
    plan = plan_for(made, output, **{**around, **changes})
    lines = (Line("trim", plan.trim_box), Line("bleed", Box(0, 0, plan.width_px, plan.height_px)))
    task = render_task(made, plan, made.profile, output, lines=lines)
    ending = Path(task.print_file).suffix
    task = replace(
        task,
        print_file=str(made.folder / f"{name}{ending}"),
        drawing=str(made.folder / f"{name}-drawing.jpg"),
    )
    render(task)
    return task


def seen(task: RenderTask) -> PrintSeen:
    """A print to be looked at, its front as the file has it."""
    plan = task.plan
    face = plan.face_box
    if plan.mirror:
        face = replace(face, left=plan.width_px - face.left - face.width)
    return PrintSeen(task.print_file, plan.format, face, plan.mirror, "A print", "")


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("mirror", [False, True])
def test_it_is_drawn_as_when_it_was_made(made: Made, form: str, mirror: bool) -> None:
    """The ticket's picture of an archived file is that of its first print, lines and all."""
    task = printed(made, f"drawn-{form[:5]}-{mirror}", mirror=mirror, slug=SLUG, **FORMS[form])
    again = str(made.folder / "again.jpg")
    report = draw_from_print(DrawTask(task.plan, task.print_file, again, task.lines))
    assert (report.width, report.height) == (task.plan.width_px, task.plan.height_px)
    first, second = (np.asarray(Image.open(path)).astype(float) for path in (task.drawing, again))
    assert first.shape == second.shape
    # Drawn from what the printer can print, not from the picture: colours come near, places fit.
    assert np.abs(first - second).mean() < 12
    turned = np.abs(first - second[:, ::-1]).mean()
    assert turned > 2 * np.abs(first - second).mean()


def test_another_file_is_not_drawn(made: Made) -> None:
    """What is not as large as its plan says, or in another profile, is no print of it."""
    task = printed(made, "plain")
    for wrong in (
        replace(task.plan, width_px=task.plan.width_px + 1),
        replace(task.plan, output_profile_sha256="ab" * 32),
    ):
        with pytest.raises(PictureFault, match="not what its plan says"):
            draw_from_print(DrawTask(wrong, task.print_file, "/nowhere", ()))


def test_the_same_print_does_not_differ(made: Made) -> None:
    """Turned or not, 16 bit, dithered to 8 or a fine JPEG: one picture differs by its coding."""
    first = printed(made, "first")
    limits = {"16-bit TIFF": 0.0, "8-bit TIFF": 0.6, "JPEG": 1.5}
    for form, most in limits.items():
        other = printed(made, f"other-{form[:5]}", mirror=True, **FORMS[form])
        task = ThenNowTask("Both", seen(first), seen(other), str(made.folder / "side.jpg"))
        report = compare_prints(task)
        assert float(report.mean) <= most, form
        assert report.absolute
    with Image.open(task.drawing) as drawing:
        assert drawing.width > drawing.height


def test_by_how_much_two_prints_differ(made: Made) -> None:
    """Mean, 95th percentile and share are those of colour-science and LittleCMS; one by one."""
    one = printed(made, "one", ADOBE, bleed_px=0, placed=Box(0, 0, made.width, made.height))
    lighter = picture(made.folder / "lighter", np.clip(skimage.data.chelsea() * 1.06, 0, 255)
                      .astype(np.uint8))  # fmt: skip
    two = printed(lighter, "two", ADOBE, bleed_px=0, placed=Box(0, 0, made.width, made.height))
    report = compare_prints(ThenNowTask("Both", seen(one), seen(two), str(made.folder / "s.jpg")))
    assert not report.absolute
    labs = []
    for task in (one, two):
        codes = imagecodecs.imread(task.print_file)
        labs.append(
            imagecodecs.cms_transform(
                np.ascontiguousarray(codes), ADOBE, imagecodecs.cms_profile("lab4"),
                colorspace="rgb", outcolorspace="lab", outdtype="f4", intent=1,
                flags=int(imagecodecs.CMS.FLAGS.NOOPTIMIZE),
            )
        )  # fmt: skip
    apart = colour.delta_E(labs[0], labs[1], method="CIE 2000")
    assert float(report.mean) == pytest.approx(float(apart.mean()), abs=0.006)
    assert float(report.p95) == pytest.approx(float(np.percentile(apart, 95)), abs=0.006)
    assert float(report.above) == pytest.approx(100 * float((apart > 2).mean()), abs=0.06)
    assert float(report.mean) > 0.5


def test_two_shapes_are_shown_and_not_compared(made: Made) -> None:
    """A print of another proportion has no like points: drawn beside it, without figures."""
    one = printed(made, "whole")
    narrow = seen(one)
    assert narrow.face is not None
    narrow = replace(narrow, face=replace(narrow.face, width=narrow.face.width // 2))
    target = made.folder / "shapes.jpg"
    report = compare_prints(ThenNowTask("Both", seen(one), narrow, str(target)))
    assert (report.mean, report.p95, report.above) == ("", "", "")
    assert target.stat().st_size > 0
