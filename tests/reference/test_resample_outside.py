"""Resampling against double-precision arithmetic that is written here, on a photograph and edges.

Both filters are from the literature: the Lanczos window of three lobes (C. Duchon, "Lanczos
Filtering in One and Two Dimensions", J. Appl. Meteor. 18, 1979), stretched by the factor for a
reduction, and cubic convolution with a = -0.5 (R. Keys, IEEE Trans. ASSP 29, 1981). Pixels are
squares: the middle of the first of n is at half a pixel. Beyond the picture lies its outermost
pixel again. The photograph is scikit-image's (PyPI).
"""

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from made_plans import picture, plan_for, render_task
from numpy.typing import NDArray

from platemark.imaging.icc import build_matrix_profile, parse_profile
from platemark.imaging.render import render
from platemark.model.terms import Box

Floats = NDArray[np.float64]
Codes = NDArray[np.uint16]

CODES = np.arange(65536)


def lanczos(x: Floats) -> Floats:
    """Three lobes of the windowed sinc."""
    return np.where(np.abs(x) < 3, np.sinc(x) * np.sinc(x / 3), 0.0)


def cubic(x: Floats) -> Floats:
    """Cubic convolution with a = -0.5."""
    x = np.abs(x)
    near = 1.5 * x**3 - 2.5 * x**2 + 1
    far = -0.5 * x**3 + 2.5 * x**2 - 4 * x + 2
    return np.where(x < 1, near, np.where(x < 2, far, 0.0))


def filtered(
    values: Floats, count: int, kernel: Callable[[Floats], Floats], reach: int, phases: int = 0
) -> Floats:
    """Resample the first axis to `count`, in the middle of each new pixel.

    Args:
        values: Shape (n, ...).
        count: Wanted.
        kernel: Weight at a distance, in pixels of whichever side is coarser.
        reach: Where it ends.
        phases: Positions between two pixels that are told apart; all where 0.
    """
    step = len(values) / count
    stretch = max(step, 1.0)
    middles = (np.arange(count) + 0.5) * step - 0.5
    if phases:
        middles = np.floor(middles * phases + 0.5) / phases
    offsets = np.arange(-int(reach * stretch) - 2, int(reach * stretch) + 3)
    taken = np.floor(middles)[:, None].astype(int) + offsets
    weights = kernel((taken - middles[:, None]) / stretch)
    weights /= weights.sum(axis=1, keepdims=True)
    return np.einsum("ij,ij...->i...", weights, values[np.clip(taken, 0, len(values) - 1)])


def both_ways(
    values: Floats, width: int, height: int, kernel: Callable[[Floats], Floats], reach: int,
    phases: int = 0,
) -> Floats:  # fmt: skip
    """Resample down and across."""
    down = filtered(values, height, kernel, reach, phases)
    return filtered(down.swapaxes(0, 1), width, kernel, reach, phases).swapaxes(0, 1)


def resampled(folder: Path, pixels: Codes, width: int, height: int, profile: bytes) -> Codes:
    """A face that is made larger or smaller, nothing else."""
    made = picture(folder, pixels, profile)
    resample = "reduce" if width < pixels.shape[1] else "enlarge"
    plan = plan_for(made, profile, placed=Box(0, 0, width, height), resample=resample)
    task = render_task(made, plan)
    render(task)
    return np.fromfile(task.face, np.uint16).reshape(height, width, -1)


def light_of(profile: bytes) -> Floats:
    """Linear light of each code, by the profile's own curve."""
    curve = parse_profile(profile).curves[0]
    return np.array([curve.value(code / 65535) for code in range(65536)])


def edges() -> Codes:
    """Upright, level and slanting edges between tones from black to white."""
    y, x = np.mgrid[0:240, 0:300]
    tones = np.array([0, 3000, 20000, 65535, 12000, 40000, 0, 65535])
    grey = tones[(x // 41 + y // 37 + (x + 2 * y) // 150) % len(tones)]
    return np.stack([grey, np.roll(grey, 5, 1), np.roll(grey, 9, 0)], -1).astype(np.uint16)


def photograph() -> Codes:
    """A photograph, taken to 16 bit."""
    return skimage.data.chelsea()[:240, :300].astype(np.uint16) * np.uint16(257)


PICTURES = {"photograph": photograph, "edges": edges}

PHASES = 64
"""Positions between two pixels that libvips tells apart (its documentation)."""


@pytest.mark.parametrize("space", ["srgb", "adobe-rgb"])
@pytest.mark.parametrize("name", PICTURES)
@pytest.mark.parametrize("factor", ["0.9", "0.69", "0.371"])
def test_reduction(name: str, space: str, factor: str, tmp_path: Path) -> None:
    """A reduction is Lanczos-3 in linear light, to a code and a half, up to the outermost pixel.

    Half a code is rounding; one is what a pure gamma's slope near black makes of single floats.
    So it is with positions rounded to the 64 that libvips has between two pixels. Against exact
    positions a tone can be off by what it changes over half of a 64th pixel: beside an edge from
    black to white up to 1 % of all light, on a photograph mostly under 70 codes.
    """
    pixels, profile = PICTURES[name](), build_matrix_profile(space)
    width, height = (round(side * Fraction(factor)) for side in (300, 240))
    ours = resampled(tmp_path, pixels, width, height, profile).astype(float)
    light = light_of(profile)
    theirs = both_ways(light[pixels], width, height, lanczos, 3, PHASES).clip(0, 1)
    assert np.abs(ours - np.interp(theirs, light, CODES)).max() <= 1.5
    exact = both_ways(light[pixels], width, height, lanczos, 3).clip(0, 1)
    assert np.abs(light[ours.astype(int)] - exact).max() <= 0.01
    if name == "photograph":
        off = np.abs(ours - np.interp(exact, light, CODES))
        assert np.percentile(off, 99) <= 70
        # Light is neither made nor lost.
        assert abs(light[ours.astype(int)].mean() - light[pixels].mean()) <= 2e-5


@pytest.mark.parametrize("name", PICTURES)
@pytest.mark.parametrize("factor", ["1.25", "1.5", "3.667"])
def test_enlargement(name: str, factor: str, tmp_path: Path) -> None:
    """An enlargement is cubic convolution of the codes, to one of them, with libvips' 64 positions.

    Against exact positions, a photograph is off by less than 100 codes in 99 of 100 pixels.
    """
    pixels, profile = PICTURES[name](), build_matrix_profile("srgb")
    width, height = (round(side * Fraction(factor)) for side in (300, 240))
    ours = resampled(tmp_path, pixels, width, height, profile).astype(float)
    theirs = both_ways(pixels.astype(float), width, height, cubic, 2, PHASES).clip(0, 65535)
    assert np.abs(ours - theirs).max() <= 1.01
    if name == "photograph":
        exact = both_ways(pixels.astype(float), width, height, cubic, 2).clip(0, 65535)
        assert np.percentile(np.abs(ours - exact), 99) <= 100
        assert abs(ours.mean() - pixels.mean()) <= 5


@pytest.mark.parametrize("factor", ["0.69", "0.73", "0.77", "0.81", "0.85", "0.9"])
def test_white_and_black_are_kept(factor: str, tmp_path: Path) -> None:
    """White beside black stays 65535 and 0 beyond the reach of the kernel, plain areas anywhere."""
    size = round(300 * Fraction(factor))
    halves = np.zeros((300, 300, 3), np.uint16)
    halves[:, 150:] = 65535
    made = resampled(tmp_path / "halves", halves, size, size, build_matrix_profile("adobe-rgb"))
    middle = size // 2
    assert np.unique(made[:, : middle - 5]).tolist() == [0]
    assert np.unique(made[:, middle + 5 :]).tolist() == [65535]
    for value in (0, 65535):
        plain = np.full((300, 300, 3), value, np.uint16)
        kept = resampled(tmp_path / str(value), plain, size, size, build_matrix_profile("romm"))
        assert np.unique(kept).tolist() == [value]
