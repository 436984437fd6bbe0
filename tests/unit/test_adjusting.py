"""Tonal adjustments: how they are typed, what is refused, and what they do to codes."""

import hashlib
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from given import PAPER, facts, known, product, profile_facts
from hypothesis import given, settings
from hypothesis import strategies as st
from made_measures import measure_task, measures_of
from made_plans import picture, plan_for, render_task

from platemark.checks import adjust_earlier, adjust_possible, colour_intent_settled, colour_intents
from platemark.imaging.adjust import adjust_face
from platemark.imaging.adjust_codes import Adjusting
from platemark.imaging.icc import build_grey_profile, build_matrix_profile, parse_profile
from platemark.imaging.overview import look_over
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.imaging.render import render
from platemark.imaging.source import Profile
from platemark.imaging.steps import PictureFault
from platemark.model.adjusting import (
    LARGEST_STEP,
    Adjustment,
    BadAdjustment,
    curve_of,
    parse_adjustment,
)
from platemark.model.known import Known, ProfileStanding, Settled, SettledBefore
from platemark.model.lab import ProfileUse
from platemark.model.plain import from_plain, to_plain
from platemark.model.plan import Plan, Sharpening, plan_hash, seeded
from platemark.model.planning import intent_of, make_plan, measuring_of
from platemark.model.surface import Suits
from platemark.model.terms import Box, EdgeChoice

SPACES = ("srgb", "adobe-rgb", "display-p3", "romm")
HASHES = {space: hashlib.sha256(build_matrix_profile(space)).hexdigest() for space in SPACES}
GREYS = np.repeat(np.arange(65536, dtype=np.uint16)[:, np.newaxis], 3, axis=1)


def asked(text: str) -> Adjustment:
    made = parse_adjustment(text)
    assert made is not None
    return made


def profile_of(data: bytes) -> Profile:
    return Profile(data, hashlib.sha256(data).hexdigest(), parse_profile(data))


def space_of(name: str) -> Profile:
    return profile_of(build_matrix_profile(name))


@pytest.fixture(scope="module")
def printer() -> Profile:
    """A profile that works by tables both ways."""
    return profile_of(make_printer_profile(MATTE_RAG))


def photograph(name: str = "coffee", high: int = 200, wide: int = 300) -> np.ndarray:
    """A piece of a photograph, 16 bit."""
    return getattr(skimage.data, name)()[:high, :wide].astype(np.uint16) * np.uint16(257)


# --- typed ----------------------------------------------------------------------------------


def test_what_people_type_is_read_exactly() -> None:
    """Any order and spacing, a typographic minus, stars on the axes; written back tidied."""
    made = asked(" Chroma 1.05 ,a* \N{MINUS SIGN}0.5;  lightness 0:0 20:26  50:53.0, B 1 ")
    assert made == Adjustment(
        ((Fraction(20), Fraction(26)), (Fraction(50), Fraction(53))),
        Fraction(21, 20),
        Fraction(-1, 2),
        Fraction(1),
    )
    assert str(made) == "lightness 20:26 50:53, chroma 1.05, a -0.5, b 1"
    assert made.words == (
        "lightness L* 20 to 26 and 50 to 53, chroma × 1.05, colour balance −0.5 a* and +1 b*"
    )
    assert parse_adjustment(" None ") is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "“” is no part of an adjustment: write it like “lightness 20:26"),
        ("brightness 5", "“brightness 5” is no part of an adjustment"),
        ("chroma 1,05", "“05” is no part of an adjustment"),
        ("chroma", "“” after chroma is no number"),
        ("chroma 1e0", "“1e0” after chroma is no number"),
        ("chroma 1.05 a 1", "“1.05 a 1” after chroma is no number"),
        ("a 1, a 2", "a is said twice"),
        ("chroma 0.4", "chroma 0.4 is beyond what is a correction: 0.5 to 1.5"),
        ("b -10.5", "b -10.5 is beyond what is a correction: -10 to 10"),
        ("lightness", "lightness needs at least one point"),
        ("lightness 20:26 chroma 1.05", "put a comma before “chroma”"),
        ("lightness 20", "“20” is no point of the lightness curve"),
        ("lightness 20:101", "20:101: L* goes from 0 (black) to 100 (white)"),
        ("lightness 50:53 20:26", "50:53 and 20:26: write the points from dark to light"),
        ("lightness 20:26 20:27", "write the points from dark to light, each L* once"),
        ("lightness 20:40 30:35", "what was lighter would come out darker"),
        ("lightness 20:51", "moves a tone by 31.7 L*; more than 30 is another picture"),
        ("lightness " + " ".join(f"{n}:{n}" for n in range(1, 19)), "at most 16 points"),
        ("lightness 30:30 70:70", "changes nothing; to undo an adjustment say “none”"),
        ("chroma 1.000, a 0", "changes nothing"),
    ],
)
def test_what_cannot_be_meant_is_refused_with_the_reason(text: str, said: str) -> None:
    """Each mistake is named in the words that were typed."""
    with pytest.raises(BadAdjustment) as refused:
        parse_adjustment(text)
    assert said in str(refused.value)


def test_a_curve_may_not_bulge_further_than_its_points() -> None:
    """Between points that are within the bound the curve is held to it too."""
    bulging = Adjustment(((Fraction(5), Fraction(35)), (Fraction(60), Fraction(65))))
    curve = curve_of(bulging)
    assert max(curve.at(at / 4) - at / 4 for at in range(400)) > LARGEST_STEP
    with pytest.raises(BadAdjustment, match="another picture"):
        parse_adjustment(str(bulging))


_TENTHS = st.integers(0, 1000).map(lambda tenths: Fraction(tenths, 10))


@st.composite
def _adjustments(draw: st.DrawFn) -> Adjustment:
    before = sorted(draw(st.sets(_TENTHS, max_size=6)))
    after = sorted(draw(st.lists(_TENTHS, min_size=len(before), max_size=len(before))))
    near = [max(x - 15, min(x + 15, y)) for x, y in zip(before, after, strict=True)]
    return Adjustment(
        tuple(zip(before, near, strict=True)),
        draw(st.integers(50, 150).map(lambda percent: Fraction(percent, 100))),
        *(draw(st.integers(-100, 100).map(lambda tenths: Fraction(tenths, 10))) for _ in "ab"),
    )


@given(_adjustments())
@settings(max_examples=100, deadline=None)
def test_whatever_is_read_is_in_bounds_and_written_back_the_same(made: Adjustment) -> None:
    """The curve never falls and moves no tone too far; words and record give the same numbers."""
    try:
        read = parse_adjustment(str(made))
    except BadAdjustment:
        return
    if read is None:
        assert made.is_nothing
        return
    assert parse_adjustment(str(read)) == read
    assert from_plain(Adjustment, to_plain(read)) == read
    curve = curve_of(read)
    values = [curve.at(at / 5) for at in range(501)]
    assert all(0 <= value <= 100 for value in values)
    assert all(right >= left - 1e-9 for left, right in pairwise(values))
    assert max(abs(value - at / 5) for at, value in enumerate(values)) <= LARGEST_STEP + 0.05


# --- what codes become ----------------------------------------------------------------------


@pytest.mark.parametrize("space", SPACES)
def test_what_is_not_moved_keeps_every_code(space: str) -> None:
    """A straight curve leaves all greys and any colour as they are, to the last bit."""
    still = Adjusting(space_of(space), Adjustment(((Fraction(40), Fraction(40)),)))
    rng = np.random.default_rng(5)
    codes = rng.integers(0, 65536, (60_000, 3)).astype(np.uint16)
    codes[:20_000] //= 200
    assert np.array_equal(still(GREYS), GREYS)
    assert np.array_equal(still(codes), codes)


@pytest.mark.parametrize("space", SPACES)
def test_white_black_and_greys_stay_what_they_are(space: str) -> None:
    """A shift fades out at both ends; a curve alone makes no grey coloured, and never falls."""
    source = space_of(space)
    shifted = Adjusting(source, asked("lightness 50:60, chroma 1.4, a 10, b -10"))(GREYS)
    assert shifted[0].tolist() == [0, 0, 0]
    assert shifted[-1].tolist() == [65535] * 3
    curved = Adjusting(source, asked("lightness 20:26 50:53, chroma 1.4"))(GREYS)
    assert (curved[:, 0] == curved[:, 1]).all()
    assert (curved[:, 1] == curved[:, 2]).all()
    # Of a pure power, whose slope at black has no end, a few of the darkest lie one beside.
    assert np.diff(curved[:, 0].astype(int)).min() >= (-1 if space == "adobe-rgb" else 0)
    assert (np.diff(curved[32:, 0].astype(int)) >= 0).all()
    lifted = Adjusting(source, asked("lightness 0:5 100:98"))(GREYS)
    assert lifted[0, 0] > 0
    assert lifted[-1, 0] < 65535


def test_a_grey_of_one_channel_takes_a_curve_alone() -> None:
    """Its codes go where those of the same grey in three channels go; colour is refused."""
    single = profile_of(build_grey_profile("grey-gamma-2.2"))
    how = asked("lightness 20:26 50:53")
    one, three = Adjusting(single, how)(GREYS[:, :1]), Adjusting(space_of("adobe-rgb"), how)(GREYS)
    # A pure 2.2 lies beside Adobe RGB's 563/256 by at most 10 codes (Adobe RGB (1998), 4.3.1.2).
    assert np.abs(one[:, 0].astype(int) - three[:, 1]).max() <= 12
    still = Adjusting(single, Adjustment(((Fraction(40), Fraction(40)),)))
    assert np.array_equal(still(GREYS[:, :1]), GREYS[:, :1])
    with pytest.raises(PictureFault, match="one channel"):
        Adjusting(single, asked("b 1"))


def test_a_profile_of_tables_is_worked_there_and_back(printer: Profile) -> None:
    """What is not moved keeps its codes; a curve moves L* as it says, within the tables' grid."""
    codes = photograph()[::4, ::4]
    still = Adjusting(printer, Adjustment(((Fraction(40), Fraction(40)),)))(codes)
    assert np.array_equal(still, codes)
    from platemark.imaging.to_lab import LabOf

    how = asked("lightness 40:45 70:72")
    before = LabOf(printer)(codes)[0]
    after = LabOf(printer)(Adjusting(printer, how)(codes))[0]
    wanted = np.vectorize(curve_of(how).at)(before.astype(float))
    off = np.abs(after - wanted)
    assert np.median(off) < 0.15
    assert np.percentile(off, 95) < 1


def test_a_profile_with_no_way_back_is_told(printer: Profile) -> None:
    """Tables that lead only from codes to colours cannot be adjusted in; the reason is said."""
    data = printer.data
    for number in range(3):
        data = data.replace(f"B2A{number}".encode(), f"was{number}".encode())
    with pytest.raises(PictureFault, match="not which numbers a colour has"):
        Adjusting(profile_of(data), asked("lightness 50:53"))(photograph()[:4, :4])


def test_a_face_is_adjusted_the_same_by_any_number_of_threads(tmp_path: Path) -> None:
    """Strip by strip in its place; the figures too."""
    codes = np.concatenate([photograph("astronaut", 512, 512)] * 6, axis=1)
    how = asked("lightness 20:26 50:53, chroma 1.2, a -0.5")
    made = []
    for threads in (1, 2):
        face = tmp_path / f"{threads}.face"
        codes.tofile(face)
        size = (codes.shape[1], codes.shape[0])
        done = adjust_face(str(face), size, space_of("srgb"), how, threads)
        made.append((face.read_bytes(), done))
    assert made[0] == made[1]
    whole = Adjusting(space_of("srgb"), how)(codes)
    assert made[0][0] == whole.tobytes()
    assert made[0][1].mean_after > made[0][1].mean_before


def test_a_print_is_made_from_the_adjusted_face_and_says_so(tmp_path: Path) -> None:
    """The change log has the numbers; the plan without one has no such line and other pixels."""
    pixels = photograph()
    made = picture(tmp_path, pixels)
    how = asked("lightness 20:30 50:58, chroma 1.1")
    faces = {}
    for adjust in (None, how):
        plan = plan_for(made, made.profile, adjust=adjust)
        task = render_task(made, plan)
        report = render(task)
        faces[adjust] = np.fromfile(task.face, np.uint16).reshape(pixels.shape)
        said = [change for change in report.changes if change.code == "adjusted"]
        assert len(said) == (adjust is not None)
    assert np.array_equal(faces[None], pixels)
    assert np.array_equal(faces[how], Adjusting(space_of("srgb"), how)(pixels))
    assert said[0].after == str(how)
    assert "lightness L* 20 to 30 and 50 to 58, chroma × 1.1" in said[0].text
    assert "mean lightness" in said[0].text


def test_measures_speak_of_the_adjusted_picture(tmp_path: Path) -> None:
    """The small picture and the tiles are adjusted; the codes as they came are kept beside."""
    from platemark.imaging.opening import open_picture

    made = picture(tmp_path, photograph())
    seen = {}
    for adjust in (None, asked("lightness 40:52")):
        measuring = measure_task(made, adjust=adjust).measuring
        original = open_picture(str(made.original), "tiff")
        seen[adjust is None] = look_over(original, measuring, space_of("srgb"))
    plain, adjusted = seen[True].overview, seen[False].overview
    assert plain.as_came is None
    assert np.array_equal(adjusted.as_came, plain.codes)
    assert np.array_equal(seen[True].levels, seen[False].levels)
    lifted = adjusted.lightness.mean() - plain.lightness.mean()
    assert 4 < lifted < 12
    assert abs((seen[False].tiles.mean() - seen[True].tiles.mean()) - lifted) < 3


# --- plans ----------------------------------------------------------------------------------


def settled(text: str | None = None, **changes: object) -> Settled:
    plain = Settled(1, parse_adjustment(text) if text else None, None, known().today)
    return replace(plain, **changes)  # type: ignore[arg-type]


BOTH = ProfileStanding("good", "rag.icc", "cd" * 32, "cd" * 32, intents=("perceptual", "relative"))


def test_a_plan_without_an_adjustment_has_the_hash_that_it_always_had() -> None:
    """The very hash and seed that the version before adjustments gave; each of those has another.

    Both figures were written down from that version, so that a print of then can be made again.
    """
    whole = Box(0, 0, 4800, 3600)
    plan = Plan(
        original_sha256="ab" * 32, original_format="tiff", orientation=6, crop=whole,
        width_px=4800, height_px=3600, placed=whole, face_box=whole, trim_box=whole,
        safe_box=whole, bleed_px=0, wrap_px=0, tuck_px=0, edge=EdgeChoice("none"),
        ppi=Fraction(300), resample="reduce", mirror=False, source_profile_sha256="cd" * 32,
        source_profile_from="embedded", conversion="lab-profile",
        output_profile_sha256="ef" * 32, output_space="Rag", intent="relative",
        black_point_compensation=True, format="tiff", bits=16, compression="lzw", jpeg_quality=0,
        creator="", rights="",
        sharpen=Sharpening("Rag", Fraction(3, 2), Fraction(1, 2), Fraction(1), Fraction(6)),
    )  # fmt: skip
    assert plan_hash(plan) == "87516bcb14548dba6cdd6415001c92f286789c08278ddc4216d41706e2163c70"
    assert seeded(plan).dither_seed == 1442500726228017785
    older = to_plain(plan)
    del older["adjust"]
    assert from_plain(Plan, older) == plan
    hashes = {
        plan_hash(replace(plan, adjust=parse_adjustment(text)))
        for text in ("none", "chroma 1.1", "chroma 1.2")
    }
    assert len(hashes) == 3
    read = from_plain(Plan, to_plain(replace(plan, adjust=asked("chroma 1.1"))))
    assert read.adjust == asked("chroma 1.1")


def test_what_is_settled_is_planned_and_measured() -> None:
    """Settled by a photographer comes before the lab's wish, and that before the surface's."""
    told = known(profile=BOTH)
    assert intent_of(told, told.product) == ("relative", True)
    wished = product(profile=ProfileUse("rag.icc", None, "perceptual", None))
    assert intent_of(told, wished) == ("perceptual", False)
    chosen = replace(told, settled=settled(intent="relative"))
    assert intent_of(chosen, wished) == ("relative", True)
    chosen = replace(told, settled=settled("chroma 1.1", intent="perceptual"))
    plan = make_plan(chosen, "ab" * 32, HASHES)
    assert (plan.intent, plan.black_point_compensation) == ("perceptual", False)
    assert plan.adjust == asked("chroma 1.1")
    measuring = measuring_of(chosen, HASHES)
    assert measuring is not None
    assert (measuring.intent, measuring.adjust) == ("perceptual", plan.adjust)


def test_an_intent_that_cannot_be_followed_is_not_and_that_is_said() -> None:
    """Without tables for it, or where the lab converts, the usual one is taken with a caution."""
    one = replace(BOTH, intents=("relative",))
    told = replace(known(profile=one), settled=settled(intent="perceptual"))
    assert intent_of(told, told.product)[0] == "relative"
    (found,) = colour_intent_settled.find(told)
    assert "has no tables for it; relative is used" in found.message
    itself = product(profile=None, working_spaces=("srgb",))
    told = replace(known(product=itself), settled=settled(intent="perceptual"))
    assert intent_of(told, itself)[0] == "relative"
    (found,) = colour_intent_settled.find(told)
    assert "Brindlewick converts to its own printer" in found.message
    assert not list(colour_intent_settled.find(replace(told, settled=None)))


# --- checks ---------------------------------------------------------------------------------


def test_a_picture_that_bears_no_adjustment_is_stopped() -> None:
    """Colour in one grey channel, and a profile of one way; a curve in grey is fine."""

    def codes(known_of: Known) -> list[str]:
        return [found.code for found in adjust_possible.find(known_of)]

    grey = facts(mode="grey", channels=1, profile=profile_facts(colour_space="GRAY"))
    told = known(facts=grey)
    assert codes(told) == []
    assert codes(replace(told, settled=settled("lightness 50:53"))) == []
    assert codes(replace(told, settled=settled("lightness 50:53, b 1"))) == ["adjust-not-possible"]
    assert codes(replace(known(), settled=settled("b 1"))) == []
    one_way = known(facts=facts(profile=profile_facts(one_way=True)))
    assert codes(replace(one_way, settled=settled("lightness 50:53"))) == ["adjust-not-possible"]


def test_what_was_settled_for_an_earlier_file_is_told_with_its_numbers() -> None:
    """Never carried over by itself; silent once anything is settled for the new bytes."""
    before = SettledBefore(14, settled("lightness 20:26", intent="perceptual"))
    told = known(settled_before=before)
    (found,) = adjust_earlier.find(told)
    assert "job 000014" in found.message
    assert "lightness L* 20 to 26, perceptual intent. It was not carried over." in found.message
    assert '--adjust "lightness 20:26" --intent perceptual' in found.next
    assert not list(adjust_earlier.find(replace(told, settled=settled())))
    assert not list(adjust_earlier.find(known()))


def test_intents_that_differ_are_said_with_both_until_one_is_settled(tmp_path: Path) -> None:
    """Above the surface's limit; with the numbers, and how to settle either; then never again."""
    measures = replace(
        measures_of(tmp_path, photograph()), other_intent_percent="23.41", other_intent_mean="2.06"
    )
    told = known(
        measures=measures,
        profile=BOTH,
        surface=replace(PAPER, suits=Suits(other_intent_percent=Decimal(5))),
    )
    (found,) = colour_intents.find(told)
    assert found.message.startswith(
        "23 % of heron.tif would look visibly different with the perceptual intent than with the "
        "planned relative one (2.1 ΔE00 on average): relative keeps what"
    )
    assert "--intent perceptual`, or `--intent relative` to keep it" in found.next
    for silent in (
        replace(told, settled=settled(intent="relative")),
        replace(told, measures=replace(measures, other_intent_percent="4.99")),
        replace(told, measures=replace(measures, other_intent_percent=None)),
        replace(told, surface=PAPER),
    ):
        assert not list(colour_intents.find(silent))
    assert list(colour_intents.find(replace(told, settled=settled("b 1"))))
