"""Sharpening: how much is planned, and what it may and may not do to pixels."""

import tracemalloc
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skimage.data
import tifffile
from given import FIXED_300, PAPER, SHARPENED, asked, facts, known, product
from made_plans import Pixels, check_task, picture, plan_for, render_task, sha256
from numpy.typing import NDArray

from platemark.engine.workshop import space_hashes
from platemark.imaging import sharpen as sharpening
from platemark.imaging.check import check
from platemark.imaging.icc import build_grey_profile, build_matrix_profile, parse_profile
from platemark.imaging.print_model import BARYTA, make_printer_profile
from platemark.imaging.render import render
from platemark.imaging.source import Profile
from platemark.model.lab import PpiRange
from platemark.model.plain import from_plain, to_plain
from platemark.model.plan import Plan, Sharpening
from platemark.model.planning import make_plan
from platemark.model.surface import SharpenNumbers
from platemark.model.terms import Box, EdgeChoice
from platemark.model.work import RenderReport

HOW = Sharpening("Smooth cotton rag", Fraction(3, 2), Fraction(13, 10), Fraction(2), Fraction(5))
SRGB = build_matrix_profile("srgb")


def planned(ppi: int = 300, surface: Any = None, **request: str) -> Sharpening | None:
    """What is planned for a picture that has `ppi` at 16 × 20 in."""
    seen = known(
        surface=surface or SHARPENED,
        facts=facts(width=16 * ppi, height=20 * ppi),
        resolved=asked(size="16x20in", **request),
    )
    return make_plan(seen, "ab" * 32, space_hashes()).sharpen


class TestPlan:
    """How surface, distance and enlargement decide (rules of the trade, common practice)."""

    def test_only_when_asked(self) -> None:
        """A picture is sharpened only where its request says so and its surface says how."""
        assert planned() is None
        assert planned(sharpen="none") is None
        assert planned(sharpen="surface", surface=PAPER) is None
        assert planned(sharpen="surface") is not None

    def test_millimetres_become_pixels(self) -> None:
        """0.10 mm at 300 ppi is 1.181 px (arithmetic: mm × ppi ÷ 25.4)."""
        how = planned(sharpen="surface")
        assert how is not None
        assert how.radius_px == Fraction(150, 127)
        assert round(float(how.radius_px), 3) == 1.181
        assert (how.amount, how.threshold_l, how.overshoot_l) == (Fraction(13, 10), 2, 5)
        assert (how.surface, how.seen_from) == ("Smooth rag", "")

    @pytest.mark.parametrize(
        ("viewing", "ppi", "radius"),
        [("12in", 300, "1.44"), ("24in", 300, "2.88"), ("60in", 200, "4.8"), ("3in", 300, None),
         ("80in", 300, "5")],
    )  # fmt: skip
    def test_distance(self, viewing: str, ppi: int, radius: str | None) -> None:
        """0.0004 of the distance, at most 5 px, where that is more than the surface's."""
        how = planned(ppi, sharpen="surface", viewing=viewing)
        assert how is not None
        assert how.radius_px == (Fraction(radius) if radius else Fraction(150, 127))
        assert how.seen_from == (viewing if radius else "")

    @pytest.mark.parametrize(("ppi", "amount"), [(190, "1"), (200, "1.3"), (310, "1.3")])
    def test_enlarged(self, ppi: int, amount: str) -> None:
        """Enlarged by more than 1.5 ×, the amount is at most 1."""
        seen = known(
            surface=SHARPENED,
            facts=facts(width=16 * ppi, height=20 * ppi),
            product=product(ppi=FIXED_300),
            resolved=asked(size="16x20in", sharpen="surface"),
        )
        how = make_plan(seen, "ab" * 32, space_hashes()).sharpen
        assert how is not None
        assert how.amount == Fraction(amount)
        numbers = SharpenNumbers(Decimal("0.1"), Decimal("0.5"), Decimal(2), Decimal(5))
        weak = replace(PAPER, sharpen=numbers)
        how = make_plan(replace(seen, surface=weak), "ab" * 32, space_hashes()).sharpen
        assert how is not None
        assert how.amount == Fraction(1, 2)

    def test_plans_of_before(self) -> None:
        """A recorded plan that knows of no sharpening is read; one that does comes back."""
        seen = known(
            surface=SHARPENED,
            product=product(ppi=PpiRange(1, 300, 100_000)),
            resolved=asked(size="16x20in", sharpen="surface"),
        )
        plan = make_plan(seen, "ab" * 32, space_hashes())
        assert from_plain(Plan, to_plain(plan)) == plan
        assert isinstance(hash(plan), int)
        old = to_plain(plan)
        del old["sharpen"]
        assert from_plain(Plan, old) == replace(plan, sharpen=None)


def photograph(name: str = "astronaut") -> NDArray[np.uint16]:
    """A photograph of scikit-image, taken to 16 bit."""
    return getattr(skimage.data, name)().astype(np.uint16) * np.uint16(257)


def face_of(
    folder: Path, pixels: Pixels, profile: bytes = SRGB, how: Sharpening | None = HOW, **more: Any
) -> tuple[Pixels, RenderReport]:
    """The face that a render writes, and its report."""
    made = picture(folder, pixels, profile)
    output = build_matrix_profile("srgb") if more.pop("to_srgb", False) else profile
    task = render_task(made, plan_for(made, output, sharpen=how, **more), output)
    report = render(task)
    placed = task.plan.placed
    face = np.fromfile(task.face, np.uint16).reshape(placed.height, placed.width, -1)
    assert check(check_task(task)).passed
    assert not list(folder.glob("*.plain"))
    return face, report


def test_flat_and_small_differences_are_left_alone(tmp_path: Path) -> None:
    """What differs from its surroundings by less than the threshold keeps every bit."""
    rng = np.random.default_rng(5)
    # Within ±300 codes of a middle grey nothing differs by 2 L* (100 codes are about .15).
    calm = (30000 + rng.integers(-300, 301, (200, 300, 3))).astype(np.uint16)
    face, report = face_of(tmp_path, calm)
    assert np.array_equal(face, calm)
    (change,) = [each for each in report.changes if each.code == "sharpened"]
    assert "; 0 % of the pixels changed" in change.text


def test_change_log(tmp_path: Path) -> None:
    """The log says what was done in the words and figures of the trade."""
    _, report = face_of(tmp_path, photograph()[:80, :90], how=replace(HOW, seen_from="12in"))
    (change,) = [each for each in report.changes if each.code == "sharpened"]
    assert change.text.startswith(
        "Sharpened lightness for Smooth cotton rag, seen from 12in: radius 0.13 mm (1.5 px), "
        "amount 1.3, differences under 2 L* left alone, halo at most 5 L*; "
    )
    assert change.after == "radius 1.5 px, amount 1.3"


@pytest.mark.parametrize("space", ["srgb", "adobe-rgb", "display-p3", "romm"])
def test_white_and_black_stay(space: str, tmp_path: Path) -> None:
    """Beside a hard edge white stays 65535 and black 0, and a grey stays a grey."""
    bars = np.zeros((60, 120, 3), np.uint16)
    bars[:, 30:60] = 65535
    bars[:, 60:90] = 40000
    face, _ = face_of(tmp_path, bars, build_matrix_profile(space))
    assert np.unique(face[:, 30:60]).tolist() == [65535]
    assert np.unique(face[:, :30]).tolist() == [0]
    assert np.array_equal(face[..., 0], face[..., 1])
    assert np.array_equal(face[..., 0], face[..., 2])
    assert face[30, 60, 0] < 40000 < face[30, 89, 0]


def test_a_grey_picture_has_one_channel(tmp_path: Path) -> None:
    """Grey is sharpened on its one channel, and its ends stay."""
    grey = photograph("astronaut")[..., 1]
    grey[:40, :40], grey[:40, 40:80] = 0, 65535
    face, report = face_of(tmp_path, grey, build_grey_profile(), to_srgb=True)
    assert face.shape == (512, 512, 1)
    assert np.unique(face[:40, :20]).tolist() == [0]
    assert np.unique(face[4:30, 50:70]).tolist() == [65535]
    assert not np.array_equal(face[..., 0], grey)
    assert any(each.code == "sharpened" for each in report.changes)


def test_a_profile_of_tables_is_sharpened_as_encoded(tmp_path: Path) -> None:
    """Where a profile does not say what lightness is, all channels move alike, and it is said."""
    profile = make_printer_profile(BARYTA)
    before = photograph("coffee")[:200, :300]
    face, report = face_of(tmp_path, before, profile)
    moved = face.astype(int) - before
    assert moved.any()
    assert np.array_equal(moved[..., 0], moved[..., 1])
    assert np.array_equal(moved[..., 0], moved[..., 2])
    assert np.abs(moved).max() <= 0.05 * 65535 + 1
    (change,) = [each for each in report.changes if each.code == "sharpened"]
    assert "as encoded, because" in change.text


@pytest.mark.parametrize("radius", ["0.4", "1.5", "5"])
def test_same_bytes_for_any_number_of_threads_and_strips(
    radius: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither threads nor where a strip or a tile ends show in the result."""
    how = replace(HOW, radius_px=Fraction(radius))
    pixels = np.tile(photograph()[:160], (1, 3, 1))
    faces = []
    for threads, strip, tile in (("1", 12 << 20, 1024), ("3", 1 << 18, 1024), ("2", 9000, 77)):
        monkeypatch.setenv("VIPS_CONCURRENCY", threads)
        monkeypatch.setattr(sharpening, "_STRIP_BYTES", strip)
        monkeypatch.setattr(sharpening, "_TILE_COLUMNS", tile)
        faces.append(face_of(tmp_path / threads, pixels, how=how)[0])
    assert np.array_equal(faces[0], faces[1])
    assert np.array_equal(faces[0], faces[2])
    assert not np.array_equal(faces[0], pixels)


def test_a_wrap_has_no_halo_at_its_fold(tmp_path: Path) -> None:
    """The edge is filled from the sharpened face, so that a fold mirrors it to the code."""
    pixels = photograph("coffee")[:100, :140]
    made = picture(tmp_path, pixels)
    plan = plan_for(
        made, SRGB, sharpen=HOW, placed=Box(9, 9, 140, 100), edge=EdgeChoice("mirror"), wrap_px=9
    )
    task = render_task(made, plan)
    render(task)
    face = np.fromfile(task.face, np.uint16).reshape(100, 140, 3)
    printed = tifffile.imread(task.print_file)
    assert np.array_equal(printed, np.pad(face, ((9, 9), (9, 9), (0, 0)), mode="symmetric"))


def test_after_turning_and_resampling(tmp_path: Path) -> None:
    """A picture that is turned and reduced is sharpened at the size of its print."""
    pixels = photograph("coffee")
    made = picture(tmp_path, pixels)
    plain = plan_for(made, SRGB, orientation=6, crop=Box(0, 0, 400, 600),
                     placed=Box(0, 0, 200, 300), resample="reduce")  # fmt: skip
    task = render_task(made, plain)
    render(task)
    once = np.fromfile(task.face, np.uint16).reshape(300, 200, 3)
    alone, _ = face_of(tmp_path / "alone", once)
    render(render_task(made, replace(plain, sharpen=HOW)))
    assert np.array_equal(np.fromfile(task.face, np.uint16).reshape(300, 200, 3), alone)


def test_memory_does_not_grow_with_height(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four times the rows take no more memory, where a strip is half a megabyte."""
    monkeypatch.setattr(sharpening, "_STRIP_BYTES", 1 << 19)
    profile = Profile(SRGB, sha256(SRGB), parse_profile(SRGB))
    rows = np.tile(photograph("coffee"), (1, 2, 1))
    peaks = []
    for times in (2, 8):
        plain = tmp_path / "picture.plain"
        np.tile(rows, (times, 1, 1)).tofile(plain)
        size = (rows.shape[1], rows.shape[0] * times)
        tracemalloc.start()
        sharpening.sharpen_face(str(plain), str(tmp_path / "face"), size, profile, HOW, 2)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert (tmp_path / "face").stat().st_size == plain.stat().st_size
    assert peaks[1] <= 1.25 * peaks[0]
    assert peaks[1] < 20 << 20
