"""Gamut volumes and shares against published values, colour-science and the printers' models."""

from __future__ import annotations

import functools
import warnings
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from scipy.spatial import ConvexHull

from platemark.imaging.gamut import Solid, section_of, share_of, solid_of, volume_of
from platemark.imaging.gamut_drawing import draw_gamut
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import (
    BARYTA,
    CANVAS,
    MATTE_ETCHING,
    MATTE_RAG,
    _nearest_device,
    make_printer_profile,
    printed_lab,
)
from platemark.imaging.steps import PictureFault
from platemark.model.work import GamutTask

with warnings.catch_warnings():
    # It warns of plotting libraries that it could not find.
    warnings.simplefilter("ignore")
    import colour

Floats = NDArray[np.float64]

SPECS = {"rag": MATTE_RAG, "etching": MATTE_ETCHING, "baryta": BARYTA, "canvas": CANVAS}
SPACES = {"srgb": "sRGB", "adobe-rgb": "Adobe RGB (1998)"}
D50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]


@functools.cache
def printer(name: str) -> bytes:
    return make_printer_profile(SPECS[name])


def lattice(steps: int) -> Floats:
    """RGB of a lattice in the cube, shape (steps, steps, steps, 3)."""
    axis = np.linspace(0, 1, steps)
    return np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1)


def lab_by_colour_science(rgb: Floats, name: str) -> Floats:
    """Lab, D50, of encoded RGB, by colour-science alone."""
    xyz = colour.RGB_to_XYZ(
        rgb, SPACES[name], D50, chromatic_adaptation_transform="Bradford",
        apply_cctf_decoding=True,
    )  # fmt: skip
    return np.asarray(colour.XYZ_to_Lab(xyz, D50))


def filled_volume(lab: Floats) -> float:
    """Volume of what a lattice becomes: six tetrahedra for each of its cells, added up.

    It looks at every inner cell, and so shares nothing with a surface's signed volume.
    """

    def corner(i: int, j: int, k: int) -> Floats:
        n = len(lab) - 1
        return lab[i : i + n, j : j + n, k : k + n]

    total = 0.0
    for path in ((0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)):
        at, walk = [0, 0, 0], [corner(0, 0, 0)]
        for axis in path:
            at[axis] = 1
            walk.append(corner(*at))
        a, b, c = (point - walk[0] for point in walk[1:])
        total += float(np.abs(np.sum(a * np.cross(b, c), axis=-1)).sum()) / 6
    return total


@pytest.mark.parametrize(
    ("name", "published"),
    [("srgb", 832_870), ("adobe-rgb", 1_208_631), ("romm", 2_879_568)],
)
def test_working_spaces_have_their_published_volume(name: str, published: int) -> None:
    """Within 0.1 % of RGB Working Space Information, brucelindbloom.com, column “Volume (ΔE3)”.

    Adobe RGB was read there; sRGB and ROMM (there under its maker's name) are from memory.
    """
    assert volume_of(solid_of(build_matrix_profile(name))) == pytest.approx(published, rel=1e-3)


@pytest.mark.parametrize("name", SPACES)
def test_working_spaces_by_colour_science(name: str) -> None:
    """Within 0.2 % of all inner cells by colour-science, which knows nothing of our profiles."""
    whole = filled_volume(lab_by_colour_science(lattice(49), name))
    assert volume_of(solid_of(build_matrix_profile(name))) == pytest.approx(whole, rel=2e-3)


@pytest.mark.parametrize("name", SPECS)
def test_printers_by_their_true_model(name: str) -> None:
    """Within 1 % of the model's own inner cells, and below the hull of all its colours."""
    device = lattice(41)
    lab = printed_lab(SPECS[name], device.reshape(-1, 3), relative=True)
    volume = volume_of(solid_of(printer(name)))
    assert volume == pytest.approx(filled_volume(lab.reshape(device.shape)), rel=1e-2)
    assert 0.85 * ConvexHull(lab).volume < volume < ConvexHull(lab).volume


def test_a_ball_is_a_ball() -> None:
    """Volume, sections and shares of a ball of radius 40 about Lab 50, 0, 0: school geometry."""
    ball, half = ball_of(40), ball_of(20)
    assert volume_of(ball) == pytest.approx(4 / 3 * np.pi * 40**3, rel=5e-3)
    for level, radius in ((50, 40.0), (26, 32.0), (74, 32.0)):
        (outline,) = section_of(ball, level)
        # ConvexHull calls the area of a plane figure its volume.
        assert ConvexHull(outline).volume == pytest.approx(np.pi * radius**2, rel=5e-3)
        assert np.hypot(*outline.T) == pytest.approx(radius, rel=1e-2)
    assert section_of(ball, 95) == []
    assert share_of(ball, (ball, half)) == pytest.approx((1.0, 1.0), abs=1e-3)
    assert share_of(half, (ball,)) == pytest.approx((1 / 8,), rel=2e-2)


def ball_of(radius: float) -> Solid:
    """A fine ball; its triangles turn the same way."""
    turn = np.arange(4000) * np.pi * (3 - np.sqrt(5))
    height = np.linspace(1, -1, 4000)
    ring = np.sqrt(1 - height**2)
    unit = np.stack([height, ring * np.cos(turn), ring * np.sin(turn)], axis=-1)
    triangles = ConvexHull(unit).simplices.copy()
    a, b, c = np.moveaxis(unit[triangles], 1, 0)
    inwards = np.sum(a * np.cross(b, c), axis=-1) < 0
    triangles[inwards] = triangles[inwards][:, ::-1]
    return Solid(unit * radius + (50, 0, 0), triangles)


@pytest.mark.parametrize("name", ["rag", "baryta"])
def test_share_of_srgb_by_solving_the_model(name: str) -> None:
    """Within 1 point of a count: sRGB's Lab points that the model's own solver can print."""
    axes = np.meshgrid(
        np.arange(1, 100, 3), np.arange(-90, 110, 4), np.arange(-115, 100, 4), indexing="ij"
    )
    lab = np.stack(axes, axis=-1).reshape(-1, 3).astype(np.float64)
    rgb = colour.XYZ_to_RGB(
        colour.Lab_to_XYZ(lab, D50), "sRGB", D50, chromatic_adaptation_transform="Bradford",
        apply_cctf_encoding=False,
    )  # fmt: skip
    inside = lab[np.all((rgb >= 0) & (rgb <= 1), axis=-1)]
    _, distance = _nearest_device(SPECS[name], inside)
    counted = float(np.mean(distance < 0.1))
    (share,) = share_of(solid_of(printer(name)), (solid_of(build_matrix_profile("srgb")),))
    assert share == pytest.approx(counted, abs=0.01)


@pytest.mark.parametrize("name", SPECS)
def test_drawing_shows_the_true_gamut(name: str, tmp_path: Path) -> None:
    """At L* 50 the sheet is shaded where the model prints, white where it does not."""
    profile = tmp_path / "p.icc"
    profile.write_bytes(printer(name))
    target = tmp_path / "p.png"
    report = draw_gamut(GamutTask(str(profile), "a profile", str(target)))
    assert float(report.volume) < float(report.srgb_volume) < float(report.adobe_rgb_volume)
    assert float(report.white[0]) == pytest.approx(SPECS[name].white[0], abs=0.06)
    assert float(report.black[0]) == pytest.approx(SPECS[name].black[0], abs=0.1)
    with Image.open(target) as opened:
        assert opened.info["dpi"] == pytest.approx((200, 200), abs=0.1)
        drawn = np.asarray(opened.convert("RGB")).astype(int)
    device = lattice(61).reshape(-1, 3)
    lab = printed_lab(SPECS[name], device, relative=True)
    level = lab[np.abs(lab[:, 0] - 50) < 0.4][:, 1:]
    panel = drawn[262 : 262 + 641, 900 : 900 + 641]
    hull = ConvexHull(level).equations
    a, b = np.meshgrid(np.arange(-115, 120, 10.0) + 3, np.arange(-115, 120, 10.0) + 3)
    spots = np.stack([a.ravel(), b.ravel()], axis=-1)
    depth = (spots @ hull[:, :2].T + hull[:, 2]).max(axis=1)
    x, y = (spots[:, 0] + 120) / 240 * 640, (120 - spots[:, 1]) / 240 * 640
    seen = panel[np.rint(y).astype(int), np.rint(x).astype(int)]
    # Outlines, dashes and the panel's name lie on some of the spots.
    plain = np.ptp(seen, axis=1) == 0
    shaded = np.all(seen == 232, axis=1)
    deep, clear = plain & (depth < -5), plain & (depth > 5)
    assert deep.sum() >= 20
    assert shaded[deep].mean() > 0.97
    assert not shaded[clear].any()


def test_drawing_of_a_name_in_other_letters(tmp_path: Path) -> None:
    """Accents and other scripts in a name do not stop the drawing."""
    name = "Fine é paper № 7, 紙, Ölfarbe " * 9
    profile = tmp_path / "p.icc"
    profile.write_bytes(printer("rag"))
    target = tmp_path / "p.png"
    draw_gamut(GamutTask(str(profile), name, str(target)))
    assert target.stat().st_size > 10_000


def test_a_refused_profile_is_not_drawn(tmp_path: Path) -> None:
    """The reasons of its admission are the answer."""
    profile = tmp_path / "p.icc"
    profile.write_bytes(build_matrix_profile("srgb"))
    with pytest.raises(PictureFault, match="not a printer's profile"):
        draw_gamut(GamutTask(str(profile), "a display", str(tmp_path / "p.png")))
