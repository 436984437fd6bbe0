"""Measures of pictures whose answer is known because of how they were made."""

from dataclasses import fields, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import tifffile
from made_measures import measure_task, measures_of
from made_plans import LIMITS, Made, picture, sha256
from numpy.typing import NDArray

from platemark.imaging import print_model
from platemark.imaging.child import Children
from platemark.imaging.icc import build_grey_profile, build_matrix_profile
from platemark.imaging.measure import measure
from platemark.imaging.measure_edge import edge_lines
from platemark.imaging.overview import Overview
from platemark.model.measures import Measures
from platemark.model.terms import Box
from platemark.model.work import Failure, MeasureReport

RNG = np.random.default_rng(11)
PX_MM = 300 / 25.4


def codes_of(lightness: NDArray[np.float64]) -> NDArray[np.uint16]:
    """16-bit sRGB greys of L* (ISO/CIE 11664-4 and IEC 61966-2-1, turned round)."""
    lightness = np.clip(lightness, 0, 100)
    y = np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness * 27 / 24389)
    encoded = np.where(y > 0.0031308, 1.055 * y ** (1 / 2.4) - 0.055, 12.92 * y)
    return np.round(encoded * 65535).astype(np.uint16)


def grey(lightness: NDArray[np.float64]) -> NDArray[np.uint16]:
    """Those greys as equal red, green and blue."""
    return np.repeat(codes_of(np.asarray(lightness, float))[..., np.newaxis], 3, axis=-1)


def near(text: str | None, value: float, by: float) -> bool:
    """Whether a figure is a number that near."""
    assert text is not None
    return abs(float(text) - value) <= by


def test_a_plain_grey(tmp_path: Path) -> None:
    """8-bit sRGB 119 has an L* of 50.034; nothing else is to be seen in a plain picture."""
    found = measures_of(tmp_path, np.full((300, 400, 3), 119, np.uint8))
    assert near(found.lightness_median, 50.034, 0.01)
    assert found.lightness_p5 == found.lightness_p95 == found.lightness_median
    assert found.tone == "neutral"
    nothing = ("shadow_percent", "white_percent", "blown_patch_percent", "white_edge_percent",
               "skin_percent", "gradient_p99", "fine_detail_percent", "grain", "busy_edge",
               "empty_levels_percent", "plateau_percent", "gamut_loss_percent")  # fmt: skip
    assert {getattr(found, name) for name in nothing} == {"0.00"}
    assert (found.edge_lines, found.halo, found.skin_shift) == (0, None, None)


def test_key_of_a_ramp(tmp_path: Path) -> None:
    """An even ramp of L* from 0 to 80 has its percentiles at 4, 40 and 76."""
    ramp = np.broadcast_to(np.linspace(0, 80, 2000), (200, 2000))
    found = measures_of(tmp_path, grey(ramp))
    assert near(found.lightness_p5, 4, 0.05)
    assert near(found.lightness_median, 40, 0.05)
    assert near(found.lightness_p95, 76, 0.05)


def test_whites(tmp_path: Path) -> None:
    """Shares of white, of the largest patch and of the ring are those that were painted.

    Of 1,000 × 800 px, the left 200 columns are L* 96 (20 %); patches of 100 × 200 (2.5 %) and
    100 × 100 px are pure white; a cream of C* 6 is not white. The ring is 24 px wide.
    """
    lightness = np.full((800, 1000), 40.0)
    lightness[:, :200] = 96
    lightness[300:400, 400:600] = 100
    lightness[600:700, 400:500] = 100
    pixels = grey(lightness)
    pixels[100:200, 700:900] = (65535, 64200, 61000)
    found = measures_of(tmp_path, pixels)
    assert near(found.white_percent, 20 + 2.5 + 1.25, 0.01)
    assert near(found.blown_patch_percent, 2.5, 0.03)
    assert found.white_edge_percent == "0.00"
    rimmed = grey(np.pad(lightness[24:-24, 24:-24], 24, constant_values=98))
    assert measures_of(tmp_path, rimmed).white_edge_percent == "100.00"


def test_shadows_count_where_something_is_seen(tmp_path: Path) -> None:
    """On a black of L* 16, what lies at L* 10 counts with detail (25 %), and plain it does not."""
    lightness = np.full((400, 800), 60.0)
    lightness[:, :400] = 10
    lightness[:, :200] += RNG.normal(0, 1.5, (400, 200))
    found = measures_of(tmp_path, grey(lightness), black_l="16")
    assert near(found.shadow_percent, 25, 0.5)
    assert measures_of(tmp_path, grey(lightness), black_l="1").shadow_percent == "0.00"


def waves(cycles_mm: float, amplitude: float = 10) -> NDArray[np.float64]:
    """L* of waves across, so fine at 300 ppi."""
    across = np.sin(2 * np.pi * cycles_mm / PX_MM * np.arange(1000)) * amplitude
    return np.broadcast_to(50 + across, (800, 1000))


def test_fine_detail(tmp_path: Path) -> None:
    """Waves of 3 a millimetre are fine, of 1 are not, and half of the energy of both together."""
    assert near(measures_of(tmp_path, grey(waves(3))).fine_detail_percent, 100, 1)
    assert near(measures_of(tmp_path, grey(waves(1))).fine_detail_percent, 0, 0.2)
    both = waves(3) + waves(1) - 50
    assert near(measures_of(tmp_path, grey(both)).fine_detail_percent, 50, 1)
    board = np.indices((400, 400)).sum(axis=0) % 2 * 50.0
    assert near(measures_of(tmp_path, grey(board)).fine_detail_percent, 100, 1)


def test_steepness(tmp_path: Path) -> None:
    """A ramp of .2 L* a pixel is as steep; printed at half its size, twice as steep."""
    ramp = grey(np.broadcast_to(np.arange(400) * 0.2, (400, 400)))
    assert near(measures_of(tmp_path, ramp).gradient_p99, 0.2, 0.02)
    half = measures_of(tmp_path, ramp, placed=Box(0, 0, 200, 200))
    assert near(half.gradient_p99, 0.4, 0.02)
    larger = measures_of(tmp_path, ramp, placed=Box(0, 0, 800, 800))
    assert near(larger.gradient_p99, 0.1, 0.02)


def test_grain_grows_with_noise(tmp_path: Path) -> None:
    """Noise is found, in proportion, beside a drawing of hard edges, which is no grain."""
    lightness = np.full((900, 900), 55.0)
    lightness[:450] = np.kron(RNG.integers(20, 90, (30, 60)), np.ones((15, 15)))
    noise = np.vstack([np.zeros((450, 900)), RNG.normal(0, 1, (450, 900))])
    found = [
        float(measures_of(tmp_path, grey(lightness + sd * noise)).grain or "nan") for sd in (1, 3)
    ]
    assert 0.7 <= found[0] <= 1
    assert found[1] == pytest.approx(3 * found[0], rel=0.1)


def test_halo_is_the_overshoot(tmp_path: Path) -> None:
    """Hard edges from L* 30 to 70 with a rim of 12 on either side; without it, none."""
    edge = np.concatenate([np.full(20, 30.0), np.full(20, 70.0)])
    rimmed = edge.copy()
    rimmed[16:20] -= 12
    rimmed[20:24] += 12
    plain = measures_of(tmp_path, grey(np.tile(edge, (400, 20))))
    assert near(plain.halo, 0, 0.01)
    assert near(measures_of(tmp_path, grey(np.tile(rimmed, (400, 20)))).halo, 12, 0.05)


def test_what_lies_beside_an_edge_is_no_halo(tmp_path: Path) -> None:
    """A rim on one side alone is a thin line; beside white and black sharpening shows none."""
    edge = np.concatenate([np.full(20, 30.0), np.full(20, 70.0)])
    lined = edge.copy()
    lined[20:24] += 15
    assert near(measures_of(tmp_path, grey(np.tile(lined, (400, 20)))).halo, 0, 0.05)
    hard = np.concatenate([np.full(20, 2.0), np.full(20, 98.0)])
    assert measures_of(tmp_path, grey(np.tile(hard, (400, 20)))).halo is None


def test_bands(tmp_path: Path) -> None:
    """Steps of 2 L* every 5 mm are bands all over; of .4, of 12, or 1.5 mm wide they are none."""

    def stairs(step: float, wide_mm: float) -> NDArray[np.uint16]:
        treads = np.arange(20).repeat(round(wide_mm * PX_MM))
        return grey(np.broadcast_to(20 + treads * step % 60, (300, len(treads))))

    assert near(measures_of(tmp_path, stairs(2, 5)).plateau_percent, 100, 1)
    turned = stairs(2, 5).swapaxes(0, 1)
    assert near(measures_of(tmp_path, turned).plateau_percent, 100, 1)
    for few in (stairs(0.4, 5), stairs(12, 5), stairs(2, 1.5)):
        assert measures_of(tmp_path, few).plateau_percent == "0.00"
    smooth = grey(np.broadcast_to(np.linspace(20, 80, 1200), (300, 1200)))
    assert measures_of(tmp_path, smooth).plateau_percent == "0.00"


def test_empty_levels(tmp_path: Path) -> None:
    """Every second level of one channel is missing; of noise over all levels none is."""
    pixels = RNG.integers(0, 256, (500, 500, 3), dtype=np.uint8)
    assert measures_of(tmp_path, pixels).empty_levels_percent == "0.00"
    pixels[..., 1] &= 0xFE
    assert near(measures_of(tmp_path, pixels).empty_levels_percent, 50, 0.5)


def test_a_busy_edge(tmp_path: Path) -> None:
    """With all detail in the outer 12 mm, they have the share of the whole to the ring."""
    high, wide, ring = 1200, 1500, round(12 * PX_MM)
    lightness = 50 + RNG.normal(0, 8, (high, wide))
    lightness[ring:-ring, ring:-ring] = 50
    within = (high - 2 * ring) * (wide - 2 * ring)
    found = measures_of(tmp_path, grey(lightness))
    assert near(found.busy_edge, high * wide / (high * wide - within), 0.03)
    even = measures_of(tmp_path, grey(50 + RNG.normal(0, 8, (high, wide))), around_mm=Fraction(30))
    assert near(even.busy_edge, 1, 0.03)


def line(angle: float, length_mm: float, width_px: float = 6) -> NDArray[np.float64]:
    """L* of a dark line from the middle of the top edge, so many degrees off square."""
    y, x = np.mgrid[0:1200, 0:2000].astype(float)
    x -= 1000
    inward, aside = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    along, beside = x * aside + y * inward, x * inward - y * aside
    drawn = (np.abs(beside) < width_px / 2) & (along < length_mm * PX_MM)
    return np.where(drawn, 20.0, 70.0)


def lines_of(lightness: NDArray[np.float64]) -> int:
    """Long lines of L* at 300 ppi, all of it face."""
    plane = np.ascontiguousarray(lightness, np.float32)
    high, wide = plane.shape
    plain = np.zeros_like(plane)
    codes = np.zeros((1, high, wide), np.uint16)
    return edge_lines(
        Overview(codes, plane, plain, plain, (1 / PX_MM, 1 / PX_MM), Box(0, 0, wide, high))
    )


@pytest.mark.parametrize("angle", [-70, -40, -11, 0, 25, 45, 60, 74])
def test_a_long_line_reaches_the_edge(angle: float) -> None:
    """One line of 70 mm is one line, at every angle; on every side of the picture."""
    drawn = line(angle, 70)
    assert [lines_of(np.rot90(drawn, turns)) for turns in range(4)] == [1] * 4


def test_a_line_of_a_file(tmp_path: Path) -> None:
    """It is found in a picture that is decoded, reduced and measured too."""
    assert measures_of(tmp_path, grey(line(25, 70))).edge_lines == 1


def test_what_is_no_line() -> None:
    """Lines that are short, too flat or elsewhere, noise, and a soft change."""
    beside = np.roll(line(0, 70), 200, axis=0)
    noise = 50 + np.kron(RNG.normal(0, 15, (100, 167)), np.ones((12, 12)))
    soft = np.broadcast_to(50 + 30 * np.sin(np.arange(2000) / 250), (1200, 2000))
    for lightness in (line(0, 30), line(85, 70), beside, noise, soft):
        assert lines_of(lightness) == 0
    horizon = np.where(np.arange(1200)[:, np.newaxis] < 500, 80.0, np.full((1200, 2000), 30.0))
    assert lines_of(horizon) == 2


@pytest.mark.parametrize(("radius_mm", "lines"), [(100, 0), (120, 0), (180, 0), (900, 2)])
def test_an_arc_is_no_line(radius_mm: float, lines: int) -> None:
    """The rim of a globe that runs out left and right bows; a horizon of 900 mm does not."""
    y, x = np.mgrid[0:1200, 0:2000]
    globe = np.hypot(x - 1000, y - 300 - radius_mm * PX_MM) < radius_mm * PX_MM
    drawn = np.where(globe, 30.0, 75.0)
    assert lines_of(drawn) == lines
    assert lines_of(np.rot90(drawn)) == lines


def test_gamut_loss_in_a_working_space(tmp_path: Path) -> None:
    """A fifth of a ROMM picture is a green that sRGB does not have; nothing of it is lost in ROMM.

    ROMM blacks and greys survive, so they do not count.
    """
    romm, srgb = build_matrix_profile("romm"), build_matrix_profile("srgb")
    pixels = np.repeat(np.linspace(0, 65535, 500).astype(np.uint16)[:, np.newaxis], 500, axis=1)
    pixels = np.repeat(pixels[..., np.newaxis], 3, axis=-1)
    pixels[:, :100] = (10000, 50000, 6000)
    assert near(measures_of(tmp_path, pixels, srgb, profile=romm).gamut_loss_percent, 20, 0.3)
    kept = measures_of(tmp_path, pixels, profile=romm)
    assert kept.gamut_loss_percent == "0.00"


def test_gamut_loss_on_a_matte_paper(tmp_path: Path) -> None:
    """Blacks that the paper does not have are no loss, pure sRGB blue (a quarter) is."""
    rag = print_model.make_printer_profile(print_model.MATTE_RAG)
    pixels = grey(np.broadcast_to(np.linspace(0, 100, 400), (400, 400)).copy())
    assert near(measures_of(tmp_path, pixels, rag).gamut_loss_percent, 0, 0.01)
    pixels[:100] = (0, 0, 65535)
    assert near(measures_of(tmp_path, pixels, rag).gamut_loss_percent, 25, 0.3)


def test_skin(tmp_path: Path) -> None:
    """Three tones of skin are three tenths; foliage, sky and brick red are none of it."""
    tones = [(240, 200, 180), (200, 150, 120), (140, 95, 70), (110, 150, 200), (80, 110, 50),
             (180, 40, 40), (128, 128, 128), (20, 20, 20), (250, 250, 250),
             (40, 60, 120)]  # fmt: skip
    pixels = np.repeat(np.array(tones, np.uint8)[np.newaxis], 400, axis=0).repeat(40, axis=1)
    found = measures_of(tmp_path, pixels)
    assert near(found.skin_percent, 30, 0.01)
    assert found.skin_shift == "0.00"
    matte = print_model.make_printer_profile(print_model.MATTE_RAG)
    assert 0.5 < float(measures_of(tmp_path, pixels, matte).skin_shift or "nan") < 5


def test_tones(tmp_path: Path) -> None:
    """Grey is neutral, one brown at every lightness is a tone, and a brown beside a blue is not."""
    ramp = np.linspace(0.1, 0.9, 300)[np.newaxis, :, np.newaxis]
    brown = np.broadcast_to(ramp * (65535, 62500, 58500), (300, 300, 3)).astype(np.uint16)
    split = brown.copy()
    split[:150] = brown[:150, :, ::-1]
    even = brown.copy()
    even[...] = brown[..., :1]
    assert measures_of(tmp_path, even).tone == "neutral"
    toned = measures_of(tmp_path, brown)
    assert (toned.tone, toned.converted_hue_shift) == ("toned", "0.00")
    assert float(toned.hue_spread) < 10
    sepia = np.broadcast_to(ramp * (65535, 56000, 44000), (300, 300, 3)).astype(np.uint16)
    strong = measures_of(tmp_path, sepia)
    assert 12 < float(strong.chroma_p99) < 30
    assert strong.tone == "toned"
    assert measures_of(tmp_path, split).tone == "coloured"


def noisy(high: int, wide: int) -> NDArray[np.uint16]:
    """Colours with a top, a bottom, a left and a right."""
    ramp = np.linspace(8000, 50000, high * wide).reshape(high, wide, 1)
    wave = 5000 * np.sin(np.arange(wide) / 7)[np.newaxis, :, np.newaxis]
    return (ramp * (1, 0.8, 0.6) + wave).astype(np.uint16)


@pytest.mark.parametrize("orientation", range(2, 9))
def test_turned_pictures_measure_the_same(orientation: int, tmp_path: Path) -> None:
    """A crop of the upright picture gives the same figures, however the pixels are stored.

    Samples and tiles lie a little elsewhere, so what is told from them is near, the rest equal.
    """
    up = noisy(600, 800)
    romm = build_matrix_profile("romm")
    inverse = {
        2: lambda p: p[:, ::-1], 3: lambda p: p[::-1, ::-1], 4: lambda p: p[::-1],
        5: lambda p: p.swapaxes(0, 1), 6: lambda p: np.rot90(p, 1),
        7: lambda p: p[::-1, ::-1].swapaxes(0, 1), 8: lambda p: np.rot90(p, -1),
    }  # fmt: skip
    crop = Box(50, 20, 600, 500)
    where = {"crop": crop, "placed": Box(0, 0, 600, 500), "face_box": Box(40, 10, 500, 400)}
    plain = measures_of(tmp_path, up, romm, **where)
    stored = np.ascontiguousarray(inverse[orientation](up))
    turned = measures_of(tmp_path, stored, romm, orientation=orientation, **where)
    sampled = ("gradient_p99", "fine_detail_percent", "grain", "halo", "empty_levels_percent",
               "gamut_loss_percent", "skin_shift", "converted_chroma",
               "converted_hue_shift")  # fmt: skip
    for field in fields(Measures):
        one, other = getattr(plain, field.name), getattr(turned, field.name)
        if field.name not in sampled:
            assert one == other, field.name
        elif one is not None:
            assert near(other, float(one), max(0.3, 0.1 * float(one))), field.name
    assert measures_of(tmp_path, up[20:520, 50:650].copy(), romm, **{
        **where, "crop": Box(0, 0, 600, 500)}) == plain  # fmt: skip


def test_a_picture_of_several_strips_is_reduced(tmp_path: Path) -> None:
    """Of 9 Mpx, 30 % are white to the pixel, though they are seen on less than 2 Mpx."""
    lightness = np.full((3001, 3001), 50.0)
    lightness[:, :900] = 100
    found = measures_of(tmp_path, grey(lightness))
    assert near(found.white_percent, 900 / 30.01, 0.1)
    assert near(found.blown_patch_percent, 900 / 30.01, 0.2)
    assert near(found.lightness_median, 50, 0.01)


EXTREMES = {
    "one pixel": np.full((1, 1, 3), 40000, np.uint16),
    "a row": np.full((1, 5000, 3), 40000, np.uint16),
    "a column": RNG.integers(0, 65536, (5000, 1, 3), dtype=np.uint16),
    "two by two": np.array([[[0] * 3, [65535] * 3], [[65535] * 3, [0] * 3]], np.uint16),
    "black": np.zeros((300, 300, 3), np.uint16),
    "white": np.full((300, 300, 3), 65535, np.uint16),
    "lines": np.repeat(np.tile([[0, 65535]], (300, 150))[..., np.newaxis], 3, -1).astype(np.uint16),
    "any code": RNG.integers(0, 65536, (300, 300, 3), dtype=np.uint16),
    "corners": RNG.choice(np.array([0, 65535], np.uint16), (300, 300, 3)),
    "very wide": np.full((2, 60000, 3), 100, np.uint8),
}  # fmt: skip


@pytest.mark.parametrize("space", ["romm", "srgb"])
@pytest.mark.parametrize("name", EXTREMES)
def test_extremes_have_figures(name: str, space: str, tmp_path: Path) -> None:
    """Every figure of an extreme picture is a finite number in its range."""
    made = picture(tmp_path, EXTREMES[name], build_matrix_profile(space))
    rag = print_model.make_printer_profile(print_model.MATTE_RAG)
    placed = Box(0, 0, made.width, made.height)
    part = (max(1, made.width // 3), max(1, made.height // 3))
    for task in (
        measure_task(made, rag),
        measure_task(made, rag, ppi=Fraction(20)),
        measure_task(made, rag, places_px=part),
    ):
        found = measure(task).measures
        assert bool(found.places) == (task.measuring.places_px == part)
        for place in found.places:
            assert 0 <= place.left <= placed.width - part[0]
            assert 0 <= place.top <= placed.height - part[1]
        for field in fields(Measures):
            value = getattr(found, field.name)
            if field.name in ("tone", "places") or value is None:
                continue
            assert 0 <= float(value) < 1000, field.name
            assert "percent" not in field.name or float(value) <= 100, field.name
    if name == "black":
        assert (found.lightness_p95, found.shadow_percent, found.tone) == (
            "0.00",
            "0.00",
            "neutral",
        )
    if name == "white":
        whites = (found.white_percent, found.blown_patch_percent, found.white_edge_percent)
        assert whites == ("100.00", "100.00", "100.00")


def test_grey_pictures(tmp_path: Path) -> None:
    """A grey profile, and one channel under a profile for RGB, are neutral."""
    ramp = np.tile(np.linspace(0, 65535, 400).astype(np.uint16), (300, 1))
    srgb = build_matrix_profile("srgb")
    own = measures_of(tmp_path, ramp, srgb, profile=build_grey_profile())
    shared = measures_of(tmp_path, ramp, profile=srgb)
    assert (own.tone, shared.tone) == ("neutral", "neutral")
    assert (own.gamut_loss_percent, shared.gamut_loss_percent) == ("0.00", "0.00")


def test_every_form_of_a_file_measures_the_same(tmp_path: Path) -> None:
    """Strips, one strip, tiles, planes, compression, PNG and an extra channel change nothing."""
    pixels = noisy(700, 900)
    profile = build_matrix_profile("srgb")
    plain = measures_of(tmp_path, pixels)
    for number, (shown, how) in enumerate((
        (pixels, {"rowsperstrip": 700}), (pixels, {"rowsperstrip": 3}),
        (pixels, {"tile": (64, 64)}), (pixels, {"compression": "zlib", "predictor": True}),
        (np.moveaxis(pixels, -1, 0), {"planarconfig": "separate"}),
        (np.dstack([pixels, pixels[..., :1] | 65535]), {"extrasamples": ["unassalpha"]}),
    )):  # fmt: skip
        path = tmp_path / f"{number}.tif"
        tifffile.imwrite(path, shown, photometric="rgb", iccprofile=profile, **how)
        made = Made(tmp_path, path, 900, 700, "tiff", profile)
        assert measure(measure_task(made)).measures == plain, how
    png = picture(tmp_path / "png", pixels, profile, "png")
    assert measure(measure_task(png)).measures == plain
    jpeg = measure(measure_task(picture(tmp_path / "jpeg", (pixels // 257).astype(np.uint8),
                                        profile, "jpeg", Q=98))).measures  # fmt: skip
    assert near(jpeg.lightness_median, float(plain.lightness_median), 0.5)


def test_a_picture_in_lab(tmp_path: Path) -> None:
    """A TIFF in L*a*b* is measured by way of our ROMM RGB, as it will be printed."""
    romm = build_matrix_profile("romm")
    codes = np.empty((300, 400, 3), np.uint16)
    codes[...] = (round(60 * 652.8), 32768 + 20 * 256, 32768 + 30 * 256)
    path = tmp_path / "lab.tif"
    tifffile.imwrite(path, codes, photometric="icclab")
    made = Made(tmp_path, path, 400, 300, "tiff", romm)
    found = measure(measure_task(made, source_profile_from="lab")).measures
    assert near(found.lightness_median, 60, 0.02)
    assert near(found.chroma_p99, 1300**0.5, 0.05)
    assert found.skin_percent == "100.00"


def test_a_child_measures_within_its_limits(tmp_path: Path) -> None:
    """The same figures come from a confined process; a profile that is gone is said."""
    rag = print_model.make_printer_profile(print_model.MATTE_RAG)
    made = picture(tmp_path, noisy(400, 500))
    task = measure_task(made, rag)
    report = Children().run(task, LIMITS)
    assert report == MeasureReport(measure(task).measures)
    gone = replace(task, profiles=((sha256(rag), str(tmp_path / "nothing.icc")),))
    assert isinstance(Children().run(gone, LIMITS), Failure)
    larger = replace(task.measuring, crop=Box(0, 0, 501, 400))
    refused = Children().run(replace(task, measuring=larger), LIMITS)
    assert isinstance(refused, Failure)
    assert refused.kind == "picture"
    assert "plan the picture again" in refused.sentence
