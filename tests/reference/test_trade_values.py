"""The trade's check values, each through our own code.

Every value stands with where it comes from and with the tolerance that it is held to. *Published*
names the standard whose formula or table gives it; *common practice* is what the trade does without
a standard; the arithmetic itself (1 in = 25.4 mm, trigonometry, powers of ten) was worked out
apart from this code. Colour values take primaries and curves of the working spaces' standards, the
linear Bradford adaptation from D65 to D50 (ICC.1, annex E) and CIELAB (ISO/CIE 11664-4).

The 34 published pairs of CIEDE2000 are in `tests/unit/test_delta_e.py`; here is what a wrong
formula would do to them.
"""

from __future__ import annotations

import hashlib
import math
import struct
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
import tifffile
from given import ANY_PPI, CANVAS, FIXED_300, LUSTRE, PAPER, asked, canvas_product, known, product
from made_plans import picture, plan_for, render_task
from numpy.typing import NDArray
from test_delta_e import pairs

from made_tickets import made_items, made_parcel
from platemark import durable
from platemark.checks.size_ppi import PPI_INCHES, floors
from platemark.engine.schedule import last_closing
from platemark.engine.ticketing import weigh
from platemark.imaging import delta_e
from platemark.imaging.convert import Conversion
from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.depth import TILE, dither_rows, dither_tile, rounded_codes
from platemark.imaging.icc import (
    PCS_WHITE,
    ToneCurve,
    build_grey_profile,
    build_matrix_profile,
    pack_xyz,
    parse_profile,
)
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.imaging.render import render
from platemark.imaging.source import Profile
from platemark.model.geometry import Layout, aspect_error, lay_out
from platemark.model.hours import DayTime
from platemark.model.lab import PpiRange
from platemark.model.surface import Layer
from platemark.model.terms import Box, EdgeChoice
from platemark.model.units import Length, parse_full_size, round_half_up
from platemark.model.work import RenderReport
from platemark.parcel.bag import build_parcel

Values = NDArray[Any]


# --- Sizes: arithmetic on published sizes and common practice -------------------------------


def canvas(size: str, wrap: str, ppi: int) -> Layout:
    """A canvas whose picture has just the pixels of its face."""
    face = parse_full_size(size)
    pixels = (face.w.px(Fraction(ppi)), face.h.px(Fraction(ppi)))
    bars = canvas_product(ppi=PpiRange(ppi, ppi, ppi), wrap=Length.parse(wrap))
    return lay_out(*pixels, asked(size=size, wrap=wrap).request, CANVAS, bars)


@pytest.mark.parametrize(
    ("size", "wrap", "ppi", "document"),
    [
        ("16x20in", "1.5in", 300, (6000, 7200)),
        ("16x20in", "0.75in", 300, (5550, 6750)),
        ("16x20in", "2in", 300, (6300, 7500)),
        ("24x36in", "1.5in", 200, (5600, 8000)),
    ],
)
def test_canvas_document(size: str, wrap: str, ppi: int, document: tuple[int, int]) -> None:
    """Face + 2 × (wrap + ½ in tuck), exact (common practice)."""
    layout = canvas(size, wrap, ppi)
    assert (layout.width, layout.height) == document


@pytest.mark.parametrize(
    ("size", "ppi", "pixels"),
    [
        ("A4", 300, (2480, 3508)),
        ("A2", 300, (4961, 7016)),
        ("A0", 300, (9933, 14043)),
        ("A4", 360, (2976, 4209)),
    ],
)
def test_iso_sizes_in_pixels(size: str, ppi: int, pixels: tuple[int, int]) -> None:
    """Millimetres of ISO 216 (published) at 25.4 mm to the inch, rounded half up; exact."""
    sheet = parse_full_size(size)
    assert (sheet.w.px(Fraction(ppi)), sheet.h.px(Fraction(ppi))) == pixels


def test_bleed_is_rounded_up() -> None:
    """3 mm at 300 ppi (35.433) is 36 px, ⅛ in (37.5) is 38; A4 with 3 mm is 2552 × 3580 px."""
    assert Length.parse("3mm").px_up(Fraction(300)) == 36
    assert Length.parse("0.125in").px_up(Fraction(300)) == 38
    layout = lay_out(2480, 3508, asked(size="A4").request, LUSTRE, product(ppi=FIXED_300))
    assert (layout.width, layout.height, layout.bleed_px) == (2552, 3580, 36)


def test_half_a_pixel_is_not_lost_in_a_float() -> None:
    """1.005 in at 100 ppi is exactly 100.5, so 101; in binary it is 100.4999… (arithmetic)."""
    assert Length.parse("1.005in").px(Fraction(100)) == 101
    assert round_half_up(Fraction(1.005) * 100) == 100


def test_ppi_for_a_viewing_distance() -> None:
    """One minute of arc: 1/tan(1/60°) = 3437.7467, used as 3438; 24 in ask for 143.25 ppi ± .01."""
    minute = 1 / math.tan(math.radians(1 / 60))
    assert minute == pytest.approx(3437.7467, abs=1e-3)
    assert round(minute) == PPI_INCHES
    signed = asked(size="16x20in", viewing="24in", by="Mira")
    _, caution = floors(known(resolved=signed, photographers=frozenset({"Mira"})))
    assert float(caution) == pytest.approx(143.25, abs=0.01)


def test_enlargement() -> None:
    """6000 × 4000 px at 36 × 24 in: 166.67 ppi, and a factor of 1.80 to 300 (arithmetic), ± .01."""
    layout = lay_out(6000, 4000, asked(size="36x24in").request, PAPER, product(ppi=FIXED_300))
    assert float(layout.native_ppi) == pytest.approx(166.67, abs=0.01)
    assert layout.factor == Fraction(9, 5)


def test_proportions() -> None:
    """3:2 against √2 (ISO 216) is off by 6.066 %, ± .001; 3:2 cut to 5:4 keeps 5000 of 6000 px."""
    # A size of the A series' ideal proportion, to seven figures.
    ideal = parse_full_size("141.421356x100mm")
    assert float(100 * aspect_error(3000, 2000, ideal)) == pytest.approx(6.066, abs=0.001)
    layout = lay_out(6000, 4000, asked(size="20x16in").request, PAPER, product(ppi=ANY_PPI))
    assert layout.crop == Box(500, 0, 5000, 4000)
    assert layout.native_ppi == 250


def test_mirrored_edge(tmp_path: Path) -> None:
    """2 px around 1 2 3 4 5 are 2 1 | 1 2 3 4 5 | 5 4: the edge pixel is repeated (house rule)."""
    line = np.arange(1, 6, dtype=np.uint16)
    made = picture(tmp_path, np.stack([np.tile(line, (5, 1))] * 3, -1))
    plan = plan_for(
        made, made.profile, placed=Box(2, 2, 5, 5), edge=EdgeChoice("mirror"), bleed_px=2
    )
    task = render_task(made, plan)
    assert isinstance(render(task), RenderReport)
    assert tifffile.imread(task.print_file)[4, :, 0].tolist() == [2, 1, 1, 2, 3, 4, 5, 5, 4]


# --- Light ----------------------------------------------------------------------------------


def grey_curve() -> ToneCurve:
    """Our curve from lightness, 0 … 1 for L* 0 … 100, to luminance."""
    return parse_profile(build_grey_profile("grey-lightness", version=4)).curves[0]


def lightness_of(luminance: float) -> float:
    """L* that our curve has for a luminance, found by halving."""
    curve, low, high = grey_curve(), 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if curve.value(middle) < luminance else (low, middle)
    return 100 * low


@pytest.mark.parametrize(
    ("luminance", "lightness"),
    [
        # Density 1.60 is 2.5119 % of the light: Y = 10^-D.
        (10**-1.60, 17.972),
        (10**-2.00, 8.991),
        (10**-2.30, 4.527),
        (0.18418652, 50.000),
        (0.900078, 96.000),
        # Black of the perceptual reference medium, .34731 % (ICC.1, annex D).
        (0.0034731, 3.1372),
    ],
)
def test_lightness_of_light(luminance: float, lightness: float) -> None:
    """CIE 1976 L* (published: ISO/CIE 11664-4) of a luminance, ± .0015.

    The formula's values are given to .001; a profile keeps its numbers to 1/65,536, which moves
    L* by up to half of that again.
    """
    assert lightness_of(luminance) == pytest.approx(lightness, abs=0.0015)


def test_light_of_a_lightness() -> None:
    """L* 50 is Y .18418652 and L* 96 is .900078, density .04572 (ISO/CIE 11664-4), ± 2e-5."""
    curve = grey_curve()
    assert curve.value(0.5) == pytest.approx(0.18418652, abs=2e-5)
    assert curve.value(0.96) == pytest.approx(0.900078, abs=2e-5)
    assert -math.log10(curve.value(0.96)) == pytest.approx(0.04572, abs=2e-5)


@pytest.mark.parametrize(
    ("space", "linear"),
    [
        ("srgb", 0.2158605),  # published: IEC 61966-2-1
        ("adobe-rgb", 0.2196380),  # published: Adobe RGB (1998) Color Image Encoding
        ("romm", 0.2892049),  # published: ISO 22028-2
    ],
)
def test_linear_light_of_code_128(space: str, linear: float) -> None:
    """Code 128 of 255 is that much light, ± 1e-5: a profile keeps numbers to 1/65,536."""
    curve = parse_profile(build_matrix_profile(space, version=4)).curves[0]
    assert curve.value(128 / 255) == pytest.approx(linear, abs=1e-5)


# --- Colour: our profiles and our conversion ------------------------------------------------


def space(name: str) -> Profile:
    """One of our working spaces, with its exact curve."""
    data = build_matrix_profile(name, version=4)
    return Profile(data, hashlib.sha256(data).hexdigest(), parse_profile(data))


def codes(*rgb: int) -> Values:
    """8-bit codes with 16 bits."""
    return np.array([rgb], np.uint16) * np.uint16(257)


def convert(source: Profile, output: Profile, *, compensated: bool = False) -> Conversion:
    return Conversion(source, output, "relative", compensated)


def lab_of(name: str, *rgb: int) -> Values:
    """L*a*b* that 8-bit codes of a working space mean, D50."""
    lab: Values = convert(space(name), space(name)).lab(codes(*rgb))[0]
    return lab


@pytest.mark.parametrize(
    ("name", "rgb", "lab"),
    [
        ("srgb", (255, 0, 0), (54.290, 80.814, 69.890)),
        ("srgb", (0, 255, 0), (87.819, -79.275, 80.993)),
        ("srgb", (0, 0, 255), (29.566, 68.286, -112.033)),
        ("srgb", (119, 119, 119), (50.034, 0, 0)),
        ("srgb", (200, 120, 40), (58.456, 27.829, 54.588)),
        ("adobe-rgb", (200, 120, 40), (61.882, 36.902, 64.077)),
    ],
)
def test_rgb_means_lab(name: str, rgb: tuple[int, ...], lab: tuple[float, ...]) -> None:
    """Formulas of IEC 61966-2-1 and of the Adobe RGB (1998) encoding, in CIELAB, ± .05."""
    assert lab_of(name, *rgb) == pytest.approx(lab, abs=0.05)


def test_adobe_rgb_becomes_srgb() -> None:
    """Adobe RGB (200, 120, 40) is sRGB (224, 121, 25) by both published encodings, ± 1."""
    found = convert(space("adobe-rgb"), space("srgb")).exact(codes(200, 120, 40))
    assert found[0] / 257 == pytest.approx((224, 121, 25), abs=1)


@pytest.mark.parametrize(("meant", "error"), [("adobe-rgb", 4.835), ("romm", 12.66)])
def test_cost_of_a_wrong_profile(meant: str, error: float) -> None:
    """(200, 120, 40) of another space read as sRGB: ΔE00 by ISO/CIE 11664-6, ± .01."""
    right, wrong = lab_of(meant, 200, 120, 40), lab_of("srgb", 200, 120, 40)
    assert float(delta_e_2000(right, wrong)) == pytest.approx(error, abs=0.01)


def test_display_p3_reaches_beyond_srgb() -> None:
    """Its red is linear sRGB 1.2249 −.0421 −.0196 (published: CSS Color 4 derives it), ± 5e-4."""
    red = np.array(space("display-p3").parsed.colorants)[0]
    to_xyz = np.array(space("srgb").parsed.colorants).T
    assert np.linalg.solve(to_xyz, red) == pytest.approx((1.2249, -0.0421, -0.0196), abs=5e-4)


def test_black_point_compensation() -> None:
    """On a black of L* 18 neutral L* 50 and 20 become 52.368 and 27.931, and black becomes 18.

    Published: ISO 18619, linear in XYZ; ± .2 through a printer profile's tables, ± 1 at black.
    The engine finds the paper's black by a fit through its greys, and so .64 above the true one.
    """
    spec = replace(MATTE_RAG, white=(100.0, 0.0, 0.0), black=(18.0, 0.0, 0.0))
    data = make_printer_profile(spec)
    printer = Profile(data, hashlib.sha256(data).hexdigest(), parse_profile(data))
    light = grey_curve()
    source = space("adobe-rgb")
    gamma = source.parsed.curves[0].parameters[0]
    greys = np.array([light.value(each) ** (1 / gamma) for each in (0.5, 0.2, 0.0)])
    pixels = np.repeat((greys * 65535 + 0.5).astype(np.uint16)[:, np.newaxis], 3, axis=1)
    printed = convert(source, printer, compensated=True)
    lab = printed.lab(printed.exact(pixels))
    assert lab[:2, 0] == pytest.approx((52.368, 27.931), abs=0.2)
    assert lab[2, 0] == pytest.approx(18.0, abs=1)
    plain = convert(source, printer)
    # Without it the two lighter greys stay what they were: so it is this that moved them.
    assert plain.lab(plain.exact(pixels))[:2, 0] == pytest.approx((50, 20), abs=0.5)


def test_d50_in_a_profile() -> None:
    """.9642, 1, .8249 are F6D6, 10000, D32D as s15Fixed16 (published: ICC.1, 4.8); exact."""
    assert pack_xyz(PCS_WHITE)[8:] == struct.pack(">3I", 0xF6D6, 0x10000, 0xD32D)


# --- Depth ----------------------------------------------------------------------------------


def test_sixteen_to_eight_bit() -> None:
    """(v × 255 + 32767) // 65535 (arithmetic); dithered, a plain 32768 keeps its mean.

    That is 127.502 over a million pixels, ± .002 (house rule).
    """
    codes_16 = np.array([0, 128, 129, 257, 32767, 32768, 65406, 65407, 65535], np.uint16)
    assert rounded_codes(codes_16).tolist() == [0, 0, 1, 1, 127, 128, 254, 255, 255]
    plain = np.full((1000, 1000, 1), 32768, np.uint16)
    made = dither_rows(plain, 0, dither_tile(7, bands=1))
    assert TILE < 1000
    assert float(made.mean()) == pytest.approx(127.502, abs=0.002)


# --- Weight ---------------------------------------------------------------------------------


def test_weight_of_acrylic() -> None:
    """24 × 36 in of 6 mm PMMA at 1190 kg/m³ (density tables) are 3.980 kg, ± .001.

    A ticket has one decimal; a thousand times as thick shows the other three.
    """
    panel = replace(LUSTRE, layers=(Layer("acrylic", Decimal(6000), 1190),))
    weight = weigh(panel, "24x36in")
    assert weight is not None
    assert float(weight.kilograms) == pytest.approx(3980, abs=1)
    thin = weigh(replace(panel, layers=(Layer("acrylic", Decimal(6), 1190),)), "24x36in")
    assert thin is not None
    assert (thin.kilograms, thin.two_people) == ("4", False)


# --- Time -----------------------------------------------------------------------------------


def closing(zone: str, at: time, now: str) -> datetime | None:
    moment = datetime.fromisoformat(now).replace(tzinfo=UTC)
    return last_closing([DayTime(at)], moment, ZoneInfo(zone))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_an_hour_that_comes_twice() -> None:
    """01:30 in New York on 1 November 2026 is 05:30Z and again 06:30Z (IANA): it counts once."""
    half_past_one = ZoneInfo("America/New_York")
    for fold, hour in ((0, 5), (1, 6)):
        local = datetime(2026, 11, 1, 1, 30, fold=fold, tzinfo=half_past_one)
        assert local.astimezone(UTC) == utc(f"2026-11-01T0{hour}:30")
    for now in ("2026-11-01T05:30", "2026-11-01T06:29", "2026-11-01T06:30", "2026-11-01T12:00"):
        assert closing("America/New_York", time(1, 30), now) == utc("2026-11-01T05:30")


@pytest.mark.parametrize(
    ("day", "hours"), [("2026-11-01", 25), ("2026-03-08", 23), ("2026-06-01", 24)]
)
def test_days_that_are_longer_and_shorter(day: str, hours: int) -> None:
    """From one midnight's closing to the next are 25, 23 and 24 hours in New York (IANA)."""
    noon = utc(f"{day}T16:00")
    began, ended = (
        last_closing([DayTime(time(0))], noon + timedelta(days=n), ZoneInfo("America/New_York"))
        for n in (0, 1)
    )
    assert began is not None
    assert ended is not None
    assert ended - began == timedelta(hours=hours)


def test_a_midnight_that_does_not_exist() -> None:
    """Cairo goes from 23:59:59 on 23 April 2026 to 01:00 (IANA); the day still has its closing."""
    cairo = ZoneInfo("Africa/Cairo")
    back = datetime(2026, 4, 24, 0, 0, tzinfo=cairo).astimezone(UTC).astimezone(cairo)
    assert back.hour == 1
    assert closing("Africa/Cairo", time(0), "2026-04-23T21:59") == utc("2026-04-22T22:00")
    assert closing("Africa/Cairo", time(0), "2026-04-23T22:00") == utc("2026-04-23T22:00")


# --- Hashes and parcels ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "digest"),
    [
        # Published: FIPS 180-4, examples of the standard's validation programme.
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    ],
)
def test_sha_256(content: bytes, digest: str, tmp_path: Path) -> None:
    """Hash of nothing and of “abc”, by both of our ways to hash a file."""
    path = tmp_path / "content"
    path.write_bytes(content)
    assert durable.hash_file(path) == durable.sync_and_hash(path) == digest


def test_payload_oxum(tmp_path: Path) -> None:
    """Two files of 100 and 250 bytes are 350.2 (published: RFC 8493, 2.2.2)."""
    items = made_items(tmp_path, {1: b"a" * 100, 2: b"b" * 250})
    build_parcel(tmp_path / "parcel", made_parcel(*(item.ticket for item in items)), items)
    assert "Payload-Oxum: 350.2" in (tmp_path / "parcel/bag-info.txt").read_text()


# --- What a wrong CIEDE2000 would give ------------------------------------------------------


def unwrapped_mean(h1: Values, h2: Values, grey: Values) -> Values:
    return np.where(grey, h1 + h2, (h1 + h2) / 2)


def unwrapped_step(h1: Values, h2: Values, grey: Values) -> Values:
    return np.where(grey, 0.0, h2 - h1)


@pytest.mark.parametrize(
    ("part", "wrong", "fails"),
    [
        ("_mean_hue", unwrapped_mean, [11, 12, 15, 16, 17, 19]),
        ("_hue_step", unwrapped_step, [16, 17, 19]),
    ],
)
def test_the_published_pairs_notice_a_wrong_hue(
    part: str, wrong: Any, fails: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hues that are not taken the short way round fail just these pairs, to 1e-4, and no other.

    Published: Sharma, Wu and Dalal (2005), table 1.
    """
    table = pairs()
    monkeypatch.setattr(delta_e, part, wrong)
    off = np.abs(delta_e_2000(table[:, :3], table[:, 3:6]) - table[:, 6])
    assert (np.flatnonzero(off > 1e-4) + 1).tolist() == fails
