"""Light, black and gamut against published arithmetic and against the printers' own models.

Photographs are those of scikit-image (PyPI; public domain or CC0 by its own list); their L*a*b* is
colour-science's.
"""

import struct
import warnings
from functools import cache

import numpy as np
import pytest
import skimage.data
from made_plans import sha256
from numpy.typing import NDArray
from scipy.interpolate import RegularGridInterpolator

from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.icc import parse_profile
from platemark.imaging.light import lab_of, light_of, lightness_of, over_black
from platemark.imaging.print_model import (
    BARYTA,
    MATTE_RAG,
    PrinterSpec,
    _nearest_device,
    make_printer_profile,
    printed_lab,
)
from platemark.imaging.proof import black_of, there_and_back
from platemark.imaging.source import Profile, find_profile

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # that it cannot plot
    import colour

Floats = NDArray[np.float64]

D50 = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
PHOTOGRAPHS = ("astronaut", "coffee", "chelsea", "rocket")
LIMIT = 5.0
"""A colour is lost where no print comes nearer, CIEDE2000."""


@pytest.mark.parametrize(
    ("density", "lightness"),
    [(1.45, 22.12), (1.5, 20.68), (1.6, 17.972), (1.7, 15.46), (1.8, 13.14), (2.0, 8.991),
     (2.2, 5.70), (2.3, 4.527), (2.4, 3.60), (2.5, 2.86)],
)  # fmt: skip
def test_lightness_of_a_density(density: float, lightness: float) -> None:
    """L* of Y = 10^-D (published: ISO/CIE 11664-4), to the decimals that are printed."""
    within = 0.001 if lightness in {17.972, 8.991, 4.527} else 0.005
    assert float(lightness_of(np.array(10**-density))) == pytest.approx(lightness, abs=within)


def test_lightness_of_other_lights() -> None:
    """D 1.6 over a paper of D .05 is L* 19.30; D 2.3 under .5 % of glare is 9.00 (arithmetic).

    Black of the perceptual reference medium, Y .0034731 (published: ICC.1, annex D), is 3.1372.
    """
    found = lightness_of(np.array([10**-1.55, 10**-2.3 + 0.005, 0.0034731, 0.18418652, 0.900078]))
    assert found == pytest.approx((19.30, 9.00, 3.1372, 50.0, 96.0), abs=0.005)


def test_black_point_compensation_of_greys() -> None:
    """To a black of L* 18, L* 50, 20, 0 and 100 become 52.368, 27.931, 18 and 100, ± .01.

    Published: ISO 18619, linear in XYZ, from a source whose black is none.
    """
    greys = np.array([[50.0, 0, 0], [20, 0, 0], [0, 0, 0], [100, 0, 0]])
    black = float(light_of(np.array([18.0, 0, 0]))[1])
    found = lab_of(over_black(light_of(greys), black))
    assert found[:, 0] == pytest.approx((52.368, 27.931, 18, 100), abs=0.01)
    assert np.abs(found[:, 1:]).max() < 1e-9


def test_black_point_compensation_of_colours() -> None:
    """A million colours: XYZ by colour-science, scaled to a black of L* 12, and back, ± 1e-6."""
    lab = np.random.default_rng(7).uniform((0, -90, -90), (100, 90, 90), (1_000_000, 3))
    black = float(light_of(np.array([12.0, 0, 0]))[1])
    white = colour.xy_to_XYZ(D50)
    xyz = colour.Lab_to_XYZ(lab, D50)
    expected = colour.XYZ_to_Lab(xyz * (1 - black) + black * white, D50)
    assert np.abs(lab_of(over_black(light_of(lab), black)) - expected).max() < 1e-6


@cache
def printer(spec: PrinterSpec) -> Profile:
    data = make_printer_profile(spec)
    return find_profile(sha256(data), {}, data)


def photographed(spec: PrinterSpec) -> Floats:
    """L*a*b* of 6,000 pixels of photographs, over the black that a printer has."""
    chosen = [getattr(skimage.data, name)().reshape(-1, 3) for name in PHOTOGRAPHS]
    random = np.random.default_rng(3)
    pixels = np.concatenate([random.choice(each, 1500, replace=False) for each in chosen])
    xyz = colour.RGB_to_XYZ(pixels / 255, "sRGB", D50, "Bradford", apply_cctf_decoding=True)
    lab = np.asarray(colour.XYZ_to_Lab(xyz, D50))
    return np.asarray(lab_of(over_black(light_of(lab), black_of(printer(spec)))), np.float64)


def out_by_tag(data: bytes, lab: Floats) -> NDArray[np.bool_]:
    """What a profile's `gamt` table says is out (ICC.1, 9.2 and 10.10), by SciPy."""
    tag = next(tag for tag in parse_profile(data).tags if tag.signature == "gamt")
    body = data[tag.offset : tag.offset + tag.length]
    nodes, (entries,) = body[10], struct.unpack_from(">H", body, 48)
    numbers = np.frombuffer(body, ">u2", offset=52).astype(float)
    curves = numbers[: 3 * entries].reshape(3, entries) / 65535
    grid = numbers[3 * entries :][: nodes**3].reshape(nodes, nodes, nodes)
    codes = (lab + np.array([0, 128, 128])) * np.array([652.8, 256, 256]) / 65535
    inputs = np.linspace(0, 1, entries)
    at = np.stack([np.interp(codes[:, n], inputs, curves[n]) for n in range(3)], axis=-1)
    return RegularGridInterpolator([np.linspace(0, 1, nodes)] * 3, grid)(at) > 0


@pytest.mark.parametrize("spec", [BARYTA, MATTE_RAG], ids=["baryta", "rag"])
def test_round_trip_decides_what_is_lost(spec: PrinterSpec) -> None:
    """Of four photographs, the round trip tells for 98 % of pixels whether a print shows them.

    The truth is the printer's own model, solved for each colour: one is printable where some
    device values come within the limit. Round trips through a profile's tables of 17 nodes are half
    a ΔE00 to one longer than the model's, so only what is that near the limit is told wrongly. The
    profile's own gamut table is wrong far more often.
    """
    wanted = photographed(spec)
    device, _ = _nearest_device(spec, wanted)
    nearest = delta_e_2000(printed_lab(spec, device, relative=True), wanted)
    truth = nearest > LIMIT
    told = delta_e_2000(there_and_back(wanted, printer(spec)), wanted) > LIMIT
    assert np.mean(told == truth) >= 0.98
    clear = np.abs(nearest - LIMIT) > 1.5
    assert np.mean(told[clear] == truth[clear]) >= 0.999
    if spec is MATTE_RAG:
        assert truth.any()
        assert not truth.all()
    assert np.mean(out_by_tag(printer(spec).data, wanted) == truth) < 0.75
