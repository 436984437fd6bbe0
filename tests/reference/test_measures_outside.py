"""Measures against general-purpose libraries: colour-science, SciPy and NumPy.

Photographs are those of scikit-image (PyPI; public domain or CC0 by its own list).
"""

import warnings
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy.fft
import scipy.ndimage
import scipy.signal
import scipy.stats
import skimage.data
from made_measures import measures_of
from made_plans import sha256
from numpy.typing import NDArray

from platemark.imaging import print_model
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.measure_colour import colour_of
from platemark.imaging.measure_detail import detail_of
from platemark.imaging.measure_tone import percentiles, tone_of
from platemark.imaging.overview import Overview
from platemark.imaging.print_model import BARYTA, MATTE_RAG, make_printer_profile
from platemark.imaging.source import find_profile
from platemark.imaging.to_lab import LabOf
from platemark.model.measures import Measures
from platemark.model.terms import Box

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # that it cannot plot
    import colour

SPACES = {
    "srgb": "sRGB",
    "adobe-rgb": "Adobe RGB (1998)",
    "display-p3": "Display P3",
    "romm": "ROMM RGB",
}
D50 = np.array([0.9642, 0.8249]) / (0.9642 + 1 + 0.8249)
"""x of the connection space's white (ICC.1:2010), and its z."""
WHITE = (D50[0], 1 - D50.sum())
RNG = np.random.default_rng(5)


def lab_by_colour(codes: NDArray[np.uint16], space: str) -> NDArray[np.float64]:
    """L*a*b* of 16-bit codes by colour-science, adapted to D50 by Bradford."""
    own = colour.RGB_COLOURSPACES[SPACES[space]].copy()
    # Published matrices are cut to four decimals.
    own.use_derived_transformation_matrices(True)
    xyz = colour.RGB_to_XYZ(codes / 65535, own, WHITE, "Bradford", apply_cctf_decoding=True)
    return np.asarray(colour.XYZ_to_Lab(xyz, WHITE))


def profile_of(space: str) -> object:
    """Our own profile of a working space."""
    data = build_matrix_profile(space)
    return find_profile(sha256(data), {}, data)


@pytest.mark.parametrize("space", SPACES)
def test_lab_of_four_spaces(space: str) -> None:
    """A million random codes, and every grey, are within .05 of colour-science in L*, a* and b*.

    Profiles hold their colorants in steps of 1/65,536, which alone is up to .03.
    """
    codes = RNG.integers(0, 65536, (1_000_000, 3), dtype=np.uint16)
    greys = np.repeat(np.arange(65536, dtype=np.uint16)[:, np.newaxis], 3, axis=1)
    codes = np.concatenate([codes, greys])
    found = np.stack(LabOf(profile_of(space))(codes), axis=-1)
    assert np.abs(found - lab_by_colour(codes, space)).max() < 0.05


def test_a_profile_of_tables_goes_through_the_engine() -> None:
    """Device colours of an invented printer mean what its model says, within the table's error."""
    data = make_printer_profile(BARYTA)
    device = RNG.random((2000, 3))
    codes = np.round(device * 65535).astype(np.uint16)
    found = np.stack(LabOf(find_profile(sha256(data), {}, data))(codes), axis=-1)
    true = print_model.printed_lab(BARYTA, codes / 65535, relative=True)
    assert np.percentile(colour.delta_E(found, true, method="CIE 2000"), 99) < 1


def photograph(name: str) -> NDArray[np.float32]:
    """L* of a photograph by colour-science."""
    pixels = getattr(skimage.data, name)()
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[..., np.newaxis], 3, axis=-1)
    return lab_by_colour(pixels.astype(np.uint16) * 257, "srgb")[..., 0].astype(np.float32)


def overview(lightness: NDArray[np.float32], **planes: NDArray[np.float32]) -> Overview:
    """A picture without colour, unless it is given."""
    nothing = np.zeros_like(lightness)
    high, wide = lightness.shape
    return Overview(
        np.zeros((3, high, wide), np.uint16), lightness, planes.get("a", nothing),
        planes.get("b", nothing), (0.1, 0.1), Box(0, 0, wide, high),
    )  # fmt: skip


@pytest.mark.parametrize("name", ["astronaut", "rocket", "camera", "coffee"])
def test_tone_by_numpy_and_scipy(name: str) -> None:
    """Percentiles by NumPy; shadows by SciPy's mean of nine; the largest patch by its labels."""
    lightness = np.clip(photograph(name), 0, 100)
    found = tone_of(overview(lightness), 14)
    assert np.allclose((found.p5, found.median, found.p95),
                       np.percentile(lightness, (5, 50, 95)), atol=0.02)  # fmt: skip
    assert percentiles(lightness, 99)[0] == pytest.approx(np.percentile(lightness, 99), abs=0.02)
    exact = lightness.astype(np.float64)
    mean = scipy.ndimage.uniform_filter(exact, 3, mode="nearest")
    variance = scipy.ndimage.uniform_filter(exact**2, 3, mode="nearest") - mean**2
    shadow = np.mean((exact < 16) & (variance > 0.25))
    assert found.shadow == pytest.approx(shadow, abs=2e-4)
    brighter = lightness * np.float32(1.6)
    labels, _ = scipy.ndimage.label(brighter > 99.5)
    largest = np.bincount(labels[labels > 0]).max() / labels.size
    assert tone_of(overview(brighter), 14).blown_patch == pytest.approx(largest, abs=2e-4)


def test_hue_spread_by_scipy() -> None:
    """Of hues that are all as strong, the spread is SciPy's circular standard deviation."""
    for spread in (5, 20, 60):
        hue = np.radians(RNG.normal(70, spread, (300, 300)))
        planes = {"a": 8 * np.cos(hue), "b": 8 * np.sin(hue)}
        grey = np.full((300, 300), 50, np.float32)
        found = colour_of(overview(grey, **{k: v.astype(np.float32) for k, v in planes.items()}))
        expected = np.degrees(scipy.stats.circstd(hue))
        assert found.hue_spread == pytest.approx(expected, abs=0.05)


def tiles_of(lightness: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sixteen tiles from a picture of at least 512 × 512 px."""
    return np.stack([
        lightness[y : y + 128, x : x + 128] for y in range(0, 512, 128) for x in range(0, 512, 128)
    ])  # fmt: skip


@pytest.mark.parametrize("name", ["astronaut", "camera", "brick", "gravel"])
def test_detail_by_scipy(name: str) -> None:
    """Steepness by SciPy's convolution; fine detail by its whole, complex transform and window."""
    lightness = photograph(name)
    tiles = tiles_of(lightness)
    found = detail_of(tiles, 300 / 25.4)
    slopes = [scipy.ndimage.convolve1d(tiles, [0.5, 0, -0.5], axis=axis) for axis in (1, 2)]
    length = np.hypot(*slopes)[:, 1:-1, 1:-1]
    assert found.gradient_p99 == pytest.approx(np.percentile(length, 99), abs=0.05)
    hann = scipy.signal.windows.hann(129)[:-1]
    window = np.outer(hann, hann)
    plain = tiles - tiles.mean(axis=(1, 2), keepdims=True, dtype=np.float64)
    power = np.abs(scipy.fft.fft2(plain * window)) ** 2
    steps = scipy.fft.fftfreq(128, 25.4 / 300)
    cycles = np.hypot(*np.meshgrid(steps, steps))
    fine = power[:, cycles > 2].sum(axis=1).mean() / 128**2 / (window**2).sum() / tiles.var()
    assert found.fine == pytest.approx(fine, rel=0.03)


@pytest.mark.parametrize("sd", [0.5, 2, 5])
def test_grain_by_scipy(sd: float) -> None:
    """Gaussian noise on grey: SciPy's Gaussian filter and its median absolute deviation."""
    noise = RNG.normal(50, sd, (512, 512)).astype(np.float32)
    sigma = 0.15 * 300 / 25.4
    detail = noise - scipy.ndimage.gaussian_filter(noise, sigma)
    expected = scipy.stats.median_abs_deviation(detail, axis=None, scale="normal")
    assert detail_of(tiles_of(noise), 300 / 25.4).grain == pytest.approx(expected, rel=0.02)
    share = 1 - np.pi * 2**2 / (300 / 25.4) ** 2
    assert detail_of(tiles_of(noise), 300 / 25.4).fine == pytest.approx(share, abs=0.01)


@pytest.mark.parametrize("spec", [BARYTA, MATTE_RAG])
def test_what_a_print_can_show_is_not_lost(spec: print_model.PrinterSpec, tmp_path: Path) -> None:
    """Colours that the print's model itself makes are kept, and bright ROMM primaries are lost.

    A tenth of the picture is of such primaries, by construction; the rest are printed colours of a
    middle lightness, brought into ROMM RGB by colour-science.
    """
    lab = print_model.printed_lab(spec, RNG.random((40_000, 3)), relative=True)
    lab = lab[(lab[:, 0] > 45) & (lab[:, 0] < 90)][:8100]
    xyz = colour.Lab_to_XYZ(lab, WHITE)
    rgb = colour.XYZ_to_RGB(xyz, "ROMM RGB", WHITE, "Bradford", apply_cctf_encoding=True)
    codes = np.rint(np.clip(rgb, 0, 1) * 65535).astype(np.uint16)
    vivid = np.tile(np.array([[0, 65535, 0], [0, 0, 65535], [65535, 0, 0]], np.uint16), (300, 1))
    pixels = np.concatenate([codes, vivid]).reshape(90, 100, 3)
    romm, profile = build_matrix_profile("romm"), make_printer_profile(spec)
    found = measures_of(tmp_path, pixels, profile, profile=romm)
    assert float(found.gamut_loss_percent) == pytest.approx(10, abs=0.5)


def seen(name: str, tmp_path: Path) -> Measures:
    """A photograph at 120 ppi on the demonstration's matte rag, black L* 16.5."""
    return measures_of(
        tmp_path, getattr(skimage.data, name)(), make_printer_profile(MATTE_RAG),
        ppi=Fraction(120), black_l="16.5",
    )  # fmt: skip


def test_photographs_measure_as_they_look(tmp_path: Path) -> None:
    """Three photographs, looked at, and what a print-maker would say of each.

    `rocket`: a launch pad at dusk, almost all of it a dark even blue, with star-shaped lamps at
    the foot. A low key without a bright half; small hot lamps and no white area; lattice masts run
    out at the top, and their crossing girders make the edge busier than the plain sky. Nothing of
    it is skin, though the glow round the lamps has that colour.

    `coffee`: a red cup on reddish wood under one warm lamp. All hues lie together, so the spread
    is small, but it is far too strong to be a tone; the red of cup and saucer is beyond a matte
    paper. The wood is taken for skin: colour alone cannot tell them. One line, the table's far
    edge, runs out of the picture.

    `camera`: a man in a black coat bends to his camera on a tripod; pale plain sky, distant white
    buildings, grass like coarse grain. Black and white, and neutral. The coat is a sixth of the
    picture, and on rag its folds would close up. Crisp: the coat stands hard against the sky,
    without a rim. Nothing long and straight reaches the edge.
    """
    rocket = seen("rocket", tmp_path)
    assert float(rocket.lightness_median) < 30
    assert float(rocket.lightness_p95) < 60
    assert float(rocket.white_percent) < 1
    assert float(rocket.skin_percent) < 5
    assert rocket.edge_lines in (2, 3)
    assert float(rocket.busy_edge) > 1.3

    coffee = seen("coffee", tmp_path)
    assert (coffee.tone, coffee.edge_lines) == ("coloured", 1)
    assert float(coffee.hue_spread) < 15
    assert float(coffee.chroma_p99) > 70
    assert 5 < float(coffee.gamut_loss_percent) < 20
    assert float(coffee.skin_percent) > 5

    camera = seen("camera", tmp_path)
    assert (camera.tone, camera.edge_lines) == ("neutral", 0)
    assert 12 < float(camera.shadow_percent) < 25
    assert float(camera.gradient_p99) > 12
    assert camera.gamut_loss_percent == "0.00"
