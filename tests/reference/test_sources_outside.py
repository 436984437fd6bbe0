"""Pictures in Lab, pictures that state their space, and greys, against computations from outside.

colour-science, iccdev, tifffile and scikit-image are from PyPI; the photographs are scikit-image's.
The encodings of Lab in TIFF are those of TIFF 6.0 (section 23) for CIELab and of ICC.1:2001-04
(annex A) for ICCLab, where L* 100 is 0xFF00; the factor for ICCLab in TIFF is from memory.
"""

import hashlib
import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import iccdev
import imagecodecs
import numpy as np
import pytest
import pyvips
import skimage.data
import tifffile
from given import facts, known, product, profile_facts
from made_plans import Made, check_task, picture, plan_for, render_task
from numpy.typing import NDArray
from PIL import ImageCms

from platemark.engine.workshop import space_hashes
from platemark.imaging.check import check
from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.icc import build_grey_profile, build_matrix_profile, parse_profile
from platemark.imaging.print_model import BARYTA, MATTE_RAG, make_printer_profile
from platemark.imaging.render import render
from platemark.model.plan import Plan
from platemark.model.planning import make_plan
from platemark.model.terms import Box
from platemark.model.work import RenderReport

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # that it cannot plot
    import colour

Floats = NDArray[np.float64]
Codes = NDArray[np.uint16]

SRGB, ROMM = build_matrix_profile("srgb"), build_matrix_profile("romm")
D50 = np.array([0.9642, 1.0, 0.8249])
D50_XY = colour.XYZ_to_xy(D50)


def changes_of(report: RenderReport) -> dict[str, str]:
    """The change log by code."""
    return {change.code: change.text for change in report.changes}


# --- Lab ------------------------------------------------------------------------------------


def photograph_in_lab() -> Floats:
    """A photograph's L*a*b* (D50), with a patch of white, black and greys in its corner."""
    light = colour.cctf_decoding(skimage.data.coffee()[:120, :200] / 255, "sRGB")
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    matrix = colour.matrix_RGB_to_RGB(srgb, colour.RGB_COLOURSPACES["ROMM RGB"], "Bradford")
    romm = colour.RGB_COLOURSPACES["ROMM RGB"]
    lab = colour.XYZ_to_Lab(light @ matrix.T @ romm.matrix_RGB_to_XYZ.T, D50_XY)
    lab[:10, :60] = np.repeat([[100, 0, 0], [0, 0, 0], [50, 0, 0]], 20, axis=0)
    return lab


def lab_file(path: Path, lab: Floats, form: str, bits: int, **more: Any) -> Floats:
    """Write Lab as tifffile does, and return what the rounded codes stand for."""
    lightness, ab = lab[..., :1], lab[..., 1:]
    if form == "cielab":
        l_scale, ab_scale, raised = 65535 / 100, 256, 0
    else:
        l_scale, ab_scale, raised = (
            (655.35 * 65280 / 65535, 256, 128) if bits == 16 else (2.55, 1, 128)
        )
    codes = np.concatenate([lightness * l_scale, (ab + raised) * ab_scale], axis=-1).round()
    kind = np.uint16 if bits == 16 else np.uint8
    tifffile.imwrite(path, codes.astype(np.int64).astype(kind), photometric=form, **more)
    return np.concatenate([codes[..., :1] / l_scale, codes[..., 1:] / ab_scale - raised], axis=-1)


def lab_plan(made: Made, output: bytes, **more: Any) -> Plan:
    """A plan for a Lab file: it is read as our ROMM RGB."""
    conversion = "working-space" if output != ROMM else "keep"
    return plan_for(made, output, source_profile_from="lab", conversion=conversion, **more)


@pytest.mark.parametrize(("form", "bits"), [("cielab", 16), ("icclab", 16), ("icclab", 8)])
def test_lab_becomes_romm(form: str, bits: int, tmp_path: Path) -> None:
    """A Lab file's ROMM RGB is what double precision gives, and colour-science's own ROMM RGB.

    By our profile's matrix and curves it is within one code of 16 bit; of CIELab within three,
    because libvips keeps 15 bits of its L*. Against ISO 22028-2 as colour-science has it, whose
    matrix is rounded to four places and whose curve is no table, within .05 ΔE00.
    """
    path = tmp_path / "original.tiff"
    meant = lab_file(path, photograph_in_lab(), form, bits)
    made = Made(tmp_path, path, 200, 120, "tiff", ROMM)
    task = render_task(made, lab_plan(made, ROMM), ROMM)
    report = render(task)
    ours = tifffile.imread(task.print_file)
    profile, romm = parse_profile(ROMM), colour.RGB_COLOURSPACES["ROMM RGB"]
    xyz = colour.Lab_to_XYZ(meant, D50_XY)
    light = xyz @ np.linalg.inv(np.array(profile.colorants).T).T
    inside = np.all((light > 0) & (light < 1), axis=-1)
    assert inside.mean() > 0.8
    table = [profile.curves[0].value(code / 65535) for code in range(65536)]
    codes = np.interp(light, table, np.arange(65536))
    assert np.abs(ours - codes)[inside].max() <= (1 if form == "icclab" else 3)
    back = colour.cctf_decoding(ours / 65535, "ROMM RGB") @ romm.matrix_RGB_to_XYZ.T
    difference = delta_e_2000(colour.XYZ_to_Lab(back, D50_XY), meant)[inside]
    assert difference.max() <= 0.05
    assert np.unique(ours[2:8, 2:18]).tolist() == [65535]
    assert np.unique(ours[2:8, 22:38]).tolist() == [0]
    assert np.ptp(ours[2:8, 42:58].astype(int), axis=-1).max() <= 1
    assert changes_of(report)["from-lab"].startswith("Brought from Lab into ROMM RGB at 16 bit")
    assert "promoted" not in changes_of(report)
    assert check(check_task(task)).passed


def test_lab_in_a_printers_profile(tmp_path: Path) -> None:
    """Converted on to a printer's profile, it is LittleCMS's own Lab to printer (.5 and 2 ΔE00).

    The profile that a Lab file carries says nothing about its numbers and is left aside.
    """
    path = tmp_path / "original.tiff"
    printer = make_printer_profile(BARYTA)
    carried = (34675, 7, len(SRGB), SRGB, True)
    meant = lab_file(path, photograph_in_lab(), "icclab", 16, extratags=[carried])
    made = Made(tmp_path, path, 200, 120, "tiff", ROMM)
    task = render_task(made, lab_plan(made, printer), ROMM, printer)
    render(task)
    lab_profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    flags = int(imagecodecs.CMS.FLAGS.NOOPTIMIZE)
    theirs = imagecodecs.cms_transform(
        meant.astype(np.float32), lab_profile, printer, colorspace="lab", outcolorspace="rgb",
        outdtype="u2", intent=1, flags=flags,
    )  # fmt: skip
    one, other = (
        imagecodecs.cms_transform(
            np.ascontiguousarray(codes), printer, lab_profile, colorspace="rgb",
            outcolorspace="lab", outdtype="f4", intent=1, flags=flags,
        )
        for codes in (tifffile.imread(task.print_file), theirs)
    )  # fmt: skip
    difference = delta_e_2000(one, other)
    assert np.percentile(difference, 99) <= 0.5
    assert difference.max() <= 2
    assert check(check_task(task)).passed


def test_lab_is_turned_cropped_and_sharpened_like_any(tmp_path: Path) -> None:
    """What is done to a Lab picture is what is done to the same picture in ROMM RGB."""
    path = tmp_path / "original.tiff"
    lab_file(path, photograph_in_lab(), "icclab", 16)
    made = Made(tmp_path, path, 200, 120, "tiff", ROMM)
    task = render_task(made, lab_plan(made, ROMM), ROMM)
    render(task)
    same = picture(tmp_path / "romm", tifffile.imread(task.print_file), ROMM)
    change = {
        "orientation": 6,
        "crop": Box(10, 20, 90, 160),
        "placed": Box(0, 0, 45, 80),
        "resample": "reduce",
    }
    one = render_task(made, lab_plan(made, ROMM, **change), ROMM)
    other = render_task(same, plan_for(same, ROMM, **change))
    render(one)
    render(other)
    assert np.array_equal(tifffile.imread(one.print_file), tifffile.imread(other.print_file))


@pytest.mark.parametrize("wanted", [("romm",), ("adobe-rgb", "srgb")])
def test_lab_is_planned_as_romm(wanted: tuple[str, ...]) -> None:
    """A Lab picture is planned as ROMM RGB: kept where the lab takes that, else converted."""
    seen = known(
        facts=facts(mode="lab", profile=profile_facts(colour_space="Lab", working_space=None)),
        product=product(profile=None, working_spaces=wanted),
    )
    plan = make_plan(seen, "ab" * 32, space_hashes())
    spaces = space_hashes()
    assert (plan.source_profile_sha256, plan.source_profile_from) == (spaces["romm"], "lab")
    assert plan.output_profile_sha256 == spaces[wanted[0]]
    assert plan.conversion == ("keep" if wanted == ("romm",) else "working-space")
    assert plan.output_space == {"romm": "ROMM RGB", "adobe-rgb": "Adobe RGB (1998)"}[wanted[0]]


# --- Stated spaces --------------------------------------------------------------------------


@pytest.mark.parametrize(("space", "name"), [("srgb", "sRGB"), ("display-p3", "Display P3")])
def test_a_stated_space_is_planned(space: str, name: str) -> None:
    """A PNG that names its space is read with our own profile of it, kept where a lab takes it."""
    said = profile_facts(sha256="", bytes=0, description="", working_space=space)
    for wanted, conversion in (((space,), "keep"), (("adobe-rgb",), "working-space")):
        seen = known(
            facts=facts(format="png", profile=said),
            product=product(profile=None, working_spaces=wanted),
        )
        plan = make_plan(seen, "ab" * 32, space_hashes())
        assert plan.source_profile_from == "stated"
        assert plan.source_profile_sha256 == space_hashes()[space]
        assert plan.conversion == conversion
        if conversion == "keep":
            assert (plan.output_space, plan.output_profile_sha256) == (name, space_hashes()[space])


def test_a_stated_space_is_rendered(tmp_path: Path) -> None:
    """Without a profile in the file, ours is used: sRGB of a Display P3 PNG is colour-science's."""
    p3 = build_matrix_profile("display-p3")
    pixels = skimage.data.astronaut()[:150, :150].astype(np.uint16) * np.uint16(257)
    path = tmp_path / "original.png"
    pyvips.Image.new_from_array(pixels).copy(interpretation="rgb16").pngsave(str(path))
    made = Made(tmp_path, path, 150, 150, "png", p3)
    plan = plan_for(made, SRGB, source_profile_from="stated", conversion="working-space")
    task = render_task(made, plan, p3, SRGB)
    report = render(task)
    assert (
        changes_of(report)["profile-stated"]
        == "Read the colours as Display P3 compatible, which the PNG states by a chunk."
    )
    assert "profile-assumed" not in changes_of(report)
    theirs = colour.RGB_to_RGB(
        pixels / 65535, "Display P3", "sRGB", apply_cctf_decoding=True, apply_cctf_encoding=True
    )
    inside = np.all((theirs > 0.02) & (theirs < 1), axis=-1)
    off = np.abs(tifffile.imread(task.print_file) / 65535 - theirs)[inside]
    # A thousandth is a quarter of a step of 8 bit; version 2 profiles have curves of 1,021 steps.
    assert off.max() <= 0.001
    kept = replace(plan, conversion="keep", output_profile_sha256=plan.source_profile_sha256)
    task = render_task(made, kept, p3)
    render(task)
    assert np.array_equal(tifffile.imread(task.print_file), pixels)
    assert check(check_task(task)).passed


# --- Greys ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "grey_space", ["grey-gamma-2.2", "grey-gamma-1.8", "grey-srgb", "grey-lightness"]
)
@pytest.mark.parametrize("space", ["srgb", "adobe-rgb"])
def test_grey_stays_grey_in_a_working_space(grey_space: str, space: str, tmp_path: Path) -> None:
    """A grey picture becomes equal red, green and blue, and its ends stay 0 and 65535."""
    profile = build_grey_profile(grey_space)
    ramp = np.tile(np.linspace(0, 65535, 4096).round().astype(np.uint16), (16, 1))
    photo = skimage.data.camera()[:200].astype(np.uint16) * np.uint16(257)
    for name, pixels in (("ramp", ramp), ("photo", photo)):
        output = build_matrix_profile(space)
        made = picture(tmp_path / name, pixels, profile)
        task = render_task(made, plan_for(made, output, conversion="working-space"), output)
        render(task)
        printed = tifffile.imread(task.print_file).astype(int)
        assert np.ptp(printed, axis=-1).max() == 0
        assert check(check_task(task)).passed
    first, last = printed_ends(tmp_path / "ramp")
    assert (first, last) == (0, 65535)


def printed_ends(folder: Path) -> tuple[int, int]:
    """First and last green of the first row of a print."""
    row = tifffile.imread(folder / "print.tif")[0, :, 1]
    return int(row[0]), int(row[-1])


@pytest.mark.parametrize("paper", [BARYTA, MATTE_RAG], ids=["baryta", "rag"])
def test_grey_stays_neutral_on_paper(paper: Any, tmp_path: Path) -> None:
    """In a printer's profile a grey photograph has the neutrality that the profile gives to greys.

    Judged by iccdev (PyPI), the ICC's own engine: what it makes of R = G = B in sRGB is how
    neutral the profile's own greys are.
    """
    printer = make_printer_profile(paper)
    photo = skimage.data.camera()[:200].astype(np.uint16) * np.uint16(257)
    made = picture(tmp_path, photo, build_grey_profile())
    task = render_task(made, plan_for(made, printer, black_point_compensation=True), printer)
    render(task)
    ours = lab_by_iccdev(tifffile.imread(task.print_file), printer, tmp_path)
    own = picture(tmp_path / "rgb", np.stack([photo] * 3, -1), SRGB)
    same = render_task(own, plan_for(own, printer, black_point_compensation=True), printer)
    render(same)
    theirs = lab_by_iccdev(tifffile.imread(same.print_file), printer, tmp_path)
    chroma = np.hypot(ours[..., 1], ours[..., 2])
    assert chroma.max() <= max(1.0, np.hypot(theirs[..., 1], theirs[..., 2]).max() + 0.1)
    assert chroma.mean() <= 0.5
    assert check(check_task(task)).passed


def lab_by_iccdev(codes: Codes, profile: bytes, folder: Path) -> Floats:
    """Relative L*a*b* of printer codes by the ICC's engine."""
    path = folder / f"{hashlib.sha256(profile).hexdigest()}.engine.icc"
    path.write_bytes(profile)
    lab = folder / "lab.icc"
    lab.write_bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes())
    engine = iccdev.IccCmm()
    engine.attach(str(path), intent=1, interp=iccdev.Interpolation.Tetrahedral)
    engine.attach(str(lab), intent=1, interp=iccdev.Interpolation.Linear)
    engine.begin()
    out = np.asarray(engine.apply_ndarray((codes.reshape(-1, 3) / 65535).astype(np.float32)))
    return (out * [100, 255, 255] - [0, 128, 128]).reshape(codes.shape)
