"""Sharpening against SciPy's Gaussian and colour-science's L*a*b*, in double precision.

scipy, colour-science and scikit-image are from PyPI; the photographs are those of scikit-image.
CIE 1976 L*a*b* is that of CIE 15 (ISO/CIE 11664-4), its white the profile connection space's
(ICC.1, D50).
"""

import warnings
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from made_plans import picture, plan_for, render_task
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from platemark.imaging.icc import build_matrix_profile, parse_profile
from platemark.imaging.render import render
from platemark.model.plan import Sharpening

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # that it cannot plot
    import colour

Floats = NDArray[np.float64]
Codes = NDArray[np.uint16]

D50_XY = colour.XYZ_to_xy(np.array([0.9642, 1.0, 0.8249]))
THRESHOLD, LIMIT = 2, 5


def how(radius: str = "1.5", amount: str = "1.3") -> Sharpening:
    """Smooth paper's threshold and limit with any radius and amount."""
    return Sharpening(
        "Paper", Fraction(radius), Fraction(amount), Fraction(THRESHOLD), Fraction(LIMIT)
    )


def sharpened(folder: Path, pixels: Codes, profile: bytes, wanted: Sharpening) -> Codes:
    """The face of a picture that is only sharpened."""
    made = picture(folder, pixels, profile)
    task = render_task(made, plan_for(made, profile, sharpen=wanted))
    render(task)
    return np.fromfile(task.face, np.uint16).reshape(pixels.shape)


def light_of(codes: Codes, profile: bytes) -> Floats:
    """Linear light by the profile's own curves, each code by itself."""
    curve = parse_profile(profile).curves[0]
    table = np.array([curve.value(code / 65535) for code in range(65536)])
    return table[codes]


def lab_of(codes: Codes, profile: bytes) -> Floats:
    """L*a*b* of codes through the profile's curves and colorants."""
    matrix = np.array(parse_profile(profile).colorants).T
    return colour.XYZ_to_Lab(light_of(codes, profile) @ matrix.T, D50_XY)


def wanted_lab(lab: Floats, wanted: Sharpening) -> Floats:
    """What the rule makes of colours, a* and b* as they were."""
    lightness, radius = lab[..., 0], float(wanted.radius_px)
    blurred = gaussian_filter(lightness, radius, mode="nearest", radius=int(np.ceil(3 * radius)))
    detail = lightness - blurred
    strength = np.clip((np.abs(detail) - THRESHOLD) / THRESHOLD, 0, 1)
    change = np.clip(float(wanted.amount) * strength * detail, -LIMIT, LIMIT)
    return np.stack([lightness + change, lab[..., 1], lab[..., 2]], -1)


def photograph(name: str, space: str) -> tuple[Codes, bytes]:
    """A photograph as its numbers stand, read as being in a space."""
    pixels = getattr(skimage.data, name)()[:300, :400]
    return pixels.astype(np.uint16) * np.uint16(257), build_matrix_profile(space)


@pytest.mark.parametrize(
    ("name", "space", "radius"),
    [("coffee", "srgb", "1.5"), ("astronaut", "adobe-rgb", "1.181"), ("chelsea", "romm", "2.88")],
)
def test_photograph_as_the_rule_says(name: str, space: str, radius: str, tmp_path: Path) -> None:
    """Each colour that the space holds becomes what the rule makes of it, within .05 ΔE*ab.

    .05 because lightness is taken from a table whose steps are up to .003 apart and the result
    is rounded to 16 bit, where a code near black of a gamma space is up to .03.
    """
    pixels, profile = photograph(name, space)
    wanted = how(radius)
    ours = sharpened(tmp_path, pixels, profile, wanted)
    rule = wanted_lab(lab_of(pixels, profile), wanted)
    matrix = np.array(parse_profile(profile).colorants).T
    light = colour.Lab_to_XYZ(rule, D50_XY) @ np.linalg.inv(matrix).T
    inside = np.all((light >= 0) & (light <= 1), axis=-1)
    assert inside.mean() > 0.9
    difference = np.linalg.norm(lab_of(ours, profile) - rule, axis=-1)[inside]
    assert difference.max() <= 0.05
    assert np.any(ours != pixels, axis=-1).mean() > 0.05


@pytest.mark.parametrize("space", ["srgb", "adobe-rgb", "display-p3", "romm"])
def test_no_drift_of_hue_or_chroma(space: str, tmp_path: Path) -> None:
    """A* and b* stay, also where a colour is at the rim of its space, and L* goes the right way.

    The photographs have many pixels with a channel at 0 or 65535. Mean drift is far under 0.1
    (house rule); the largest is that of one code in the dark, where L*a*b* is steepest.
    """
    pixels, profile = photograph("astronaut", space)
    ours = sharpened(tmp_path, pixels, profile, how(amount="3"))
    before, after = lab_of(pixels, profile), lab_of(ours, profile)
    drift = np.hypot(*(after - before)[..., 1:].transpose(2, 0, 1))
    assert drift.mean() <= 0.005
    assert np.percentile(drift, 99.9) <= 0.05
    assert drift.max() <= 0.1
    moved = after[..., 0] - before[..., 0]
    way = wanted_lab(before, how(amount="3"))[..., 0] - before[..., 0]
    assert np.all((moved * way >= 0) | (np.abs(moved) < 0.01))
    assert np.all(np.abs(moved) <= np.abs(way) + 0.01)


def test_below_the_threshold_every_bit_stays(tmp_path: Path) -> None:
    """Pixels whose detail is under 2 L* by the double-precision rule are not touched at all."""
    pixels, profile = photograph("chelsea", "adobe-rgb")
    ours = sharpened(tmp_path, pixels, profile, how())
    lab = lab_of(pixels, profile)
    detail = lab[..., 0] - gaussian_filter(lab[..., 0], 1.5, mode="nearest", radius=5)
    calm = np.abs(detail) < THRESHOLD - 0.005
    assert 0.2 < calm.mean() < 0.999
    assert np.array_equal(ours[calm], pixels[calm])
    assert np.any(ours != pixels)


@pytest.mark.parametrize("amount", ["1", "5"])
def test_halo_of_an_edge(amount: str, tmp_path: Path) -> None:
    """However strong, a step from L* 30 to 70 is overshot by 5 L* on either side and no more."""
    profile = build_matrix_profile("srgb")
    dark, bright = (
        round(65535 * float(colour.cctf_encoding(colour.Lab_to_XYZ([at, 0, 0], D50_XY)[1], "sRGB")))
        for at in (30, 70)
    )
    pixels = np.full((40, 80, 3), dark, np.uint16)
    pixels[:, 40:] = bright
    after = lab_of(sharpened(tmp_path, pixels, profile, how(amount=amount)), profile)[..., 0]
    assert abs(after.min() - 25) <= 0.05
    assert abs(after.max() - 75) <= 0.05
    assert np.abs(after[:, [0, -1]] - [30, 70]).max() <= 0.05
