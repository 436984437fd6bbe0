"""The prints of a test: sizes, places, and that they show the very pixels of the final."""

from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import skimage.data
import tifffile
from given import CANVAS, LAB, PAPER, SHARPENED, asked, canvas_product, facts, known, product
from looked_at import look
from made_plans import Made, picture, sha256
from PIL import Image

from platemark.checks import approved_differs, test_possible
from platemark.engine.workshop import space_hashes
from platemark.imaging.face import make_face
from platemark.imaging.icc import build_grey_profile, build_matrix_profile
from platemark.imaging.opening import open_picture
from platemark.imaging.source import find_profile
from platemark.imaging.test_sheet import make_sheet
from platemark.model.adjusting import parse_adjustment
from platemark.model.approval import Approval
from platemark.model.as_approved import as_printed
from platemark.model.geometry import Misfit
from platemark.model.known import Known, ProfileStanding, Settled
from platemark.model.plain import from_plain, to_plain
from platemark.model.plan import Plan, plan_hash
from platemark.model.planning import make_plan
from platemark.model.testing import STEPS, half_layout, plan_test, steps_of, strip_px, why_not_test
from platemark.model.units import parse_full_size

HASHES = space_hashes()
ORIGINAL = "ab" * 32


def sold(*sizes: str) -> tuple[object, ...]:
    return tuple(parse_full_size(size) for size in sizes)


def on_test(sizes: tuple[str, ...] = (), **asked_for: str) -> Known:
    values = {"size": "16x20in", "purpose": "test", **asked_for}
    return known(resolved=asked(**values), product=product(sizes=sold(*sizes)))


# -- half the size -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sizes", "size", "sheet"),
    [
        ((), "8x10in", "8x10in"),
        (("16x20in", "10x8in"), "8x10in", "8x10in"),
        # The exact half with white around it, on the smallest that holds it.
        (("16x20in", "8x12in", "11x14in"), "8x10in", "8x12in"),
        # Nothing smaller holds it: as large as the largest smaller one takes.
        (("16x20in", "5x7in", "4x6in"), "5x6.25in", "5x7in"),
        (("16x20in",), "8x10in", "16x20in"),
    ],
)
def test_half_the_size_is_exact_where_it_can_be(
    sizes: tuple[str, ...], size: str, sheet: str
) -> None:
    layout = half_layout(on_test(sizes))
    assert (str(layout.size), str(layout.sheet)) == (size, sheet)
    assert layout.crop == on_test(sizes).layout.crop


def test_half_of_a_bordered_print_has_half_the_border() -> None:
    layout = half_layout(on_test(border="2in"))
    assert (str(layout.size), str(layout.sheet)) == ("8x10in", "10x12in")


def test_half_of_an_iso_size_is_the_next_but_one() -> None:
    """ISO 216 halves areas, so half of A3 on each side is A5 but for half a millimetre."""
    layout = half_layout(on_test(("A3", "A4", "A5"), size="A3"))
    assert str(layout.size) == "A5"


def test_round_a_bar_there_is_no_white() -> None:
    on_canvas = known(
        surface=CANVAS,
        resolved=asked(size="16x20in", purpose="test", surface="canvas-wrap"),
        product=canvas_product(sizes=sold("16x20in", "12x16in", "8x12in")),
    )
    layout = half_layout(on_canvas)
    assert str(layout.size) == "12x16in"
    assert layout.wrap_px
    alone = replace(on_canvas, product=canvas_product(sizes=sold("16x20in")))
    with pytest.raises(Misfit, match="no smaller"):
        half_layout(alone)
    (finding,) = test_possible.find(alone)
    assert "cannot be tested: Canvas is sold no smaller" in finding.message


# -- sheets ------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", ["4x5in", "16x20in", "40x50in"])
@pytest.mark.parametrize("sizes", [(), ("4x6in", "8x10in", "16x20in", "40x50in")])
@pytest.mark.parametrize("part", ["crops", "steps"])
def test_pieces_and_words_have_room_and_do_not_meet(
    part: str, sizes: tuple[str, ...], size: str
) -> None:
    plan = plan_test(on_test(sizes, size=size), part, ORIGINAL, HASHES).plan  # type: ignore[arg-type]
    assert plan.test is not None
    safe, face = plan.safe_box, plan.face_box
    left, right = safe.left - face.left, safe.left - face.left + safe.width
    spans = []
    for tile in plan.test.tiles:
        assert left <= tile.left
        assert tile.left + tile.box.width <= right
        assert tile.box.left + tile.box.width <= plan.test.width_px
        assert tile.box.top + tile.box.height <= plan.test.height_px
        spans.append((tile.top, tile.top + tile.box.height))
    spans += [(label.top, label.top + label.letter_px * 9 // 5) for label in plan.test.labels]
    spans.sort()
    assert all(above[1] <= below[0] for above, below in pairwise(spans))
    assert safe.top - face.top <= spans[0][0]
    assert spans[-1][1] <= safe.top - face.top + safe.height


def test_a_sheet_costs_no_more_than_the_final_and_is_at_its_resolution() -> None:
    on = on_test(("4x6in", "8x10in", "16x20in", "30x40in"))
    for part in ("crops", "steps"):
        test = plan_test(on, part, ORIGINAL, HASHES)  # type: ignore[arg-type]
        assert str(test.layout.size) in ("8x10in", "10x8in")
        assert test.plan.ppi == make_plan(on, ORIGINAL, HASHES).ppi


def test_no_sold_size_that_holds_a_sheet_is_told() -> None:
    """A banner of 1 inch has room for no strip."""
    on = on_test(("1x20in",), size="1x20in", fit="crop")
    assert "holds a sheet of test strips" in why_not_test(on)
    assert strip_px(on) == (0, 0)


def test_steps_lie_around_what_is_settled() -> None:
    """Each step is an adjustment that may be asked for; the third is the print as it would be."""
    assert [str(each) for each in steps_of("lightness", None)] == [
        "lightness 50:42", "lightness 50:46", "None", "lightness 50:54", "lightness 50:58",
    ]  # fmt: skip
    base = parse_adjustment("lightness 20:26 50:53, chroma 1.48, a 9")
    for step in STEPS:
        made = steps_of(step, base)
        assert made[2] == base
        assert all(parse_adjustment(str(each)) == each for each in made if each is not None)
    assert [str(each.chroma) for each in steps_of("chroma", base) if each][-1] <= "3/2"
    assert len({str(each) for each in steps_of("shadows", base)}) == 5
    with_colour = replace(facts(), mode="grey", channels=1)
    grey = known(facts=with_colour, resolved=asked(size="16x20in", purpose="test", steps="b"))
    assert "no steps of b" in why_not_test(grey)


# -- pixels ------------------------------------------------------------------------------------


def photograph(folder: Path, name: str, width: int, orientation: int = 1) -> Made:
    """A photograph enlarged and stored as its orientation says, so that upright it is itself."""
    whole = Image.fromarray(getattr(skimage.data, name)()[..., :3])
    upright = whole.resize((width, whole.height * width // whole.width), Image.Resampling.LANCZOS)
    # EXIF 6: the stored picture is turned a quarter to the right to be upright (CIPA DC-008).
    turned = {1: 0, 6: 1, 3: 2, 8: 3}[orientation]
    pixels = np.ascontiguousarray(np.rot90(np.asarray(upright), turned))
    icc = build_matrix_profile("srgb")
    path = folder / "original.tiff"
    tags = [(274, "H", 1, orientation, True)]
    tifffile.imwrite(path, pixels, photometric="rgb", iccprofile=icc, extratags=tags)
    return Made(folder, path, pixels.shape[1], pixels.shape[0], "tiff", icc)


def face_of(made: Made, plan: Plan) -> np.ndarray:
    """The samples of a face, as the renderer makes it."""
    path = made.folder / "one.face"
    source = find_profile(sha256(made.profile), {}, made.profile)
    make = make_face if plan.test is None else make_sheet
    make(open_picture(str(made.original), "tiff"), plan, source, str(path), 2)
    return np.fromfile(path, np.uint16).reshape(plan.placed.height, plan.placed.width, 3)


@pytest.mark.parametrize("orientation", [1, 6])
def test_a_sheet_shows_the_very_pixels_of_the_final(tmp_path: Path, orientation: int) -> None:
    """Reduced, adjusted, sharpened: each piece is what the whole print has there, to the code."""
    made = photograph(tmp_path, "rocket", 1200, orientation)
    asked_for = {"purpose": "test", "sharpen": "surface", "fit": "crop"}
    on = look(made, "smooth-rag", 450, **asked_for).known
    adjust = parse_adjustment("lightness 20:24, chroma 1.1")
    on = replace(on, settled=Settled(1, adjust, None, date(2026, 5, 1)))
    final = make_plan(on, ORIGINAL, HASHES)
    assert (final.orientation, final.resample) == (orientation, "reduce")
    assert final.sharpen is not None
    whole = face_of(made, final)
    for part in ("crops", "steps"):
        plan = plan_test(on, part, ORIGINAL, HASHES).plan  # type: ignore[arg-type]
        assert plan.test is not None
        sheet = face_of(made, plan)
        assert sorted(each.name for each in tmp_path.glob("*.face*")) == ["one.face"]
        for tile in plan.test.tiles:
            box, there = tile.box, whole
            if tile.adjust != final.adjust:
                there = face_of(made, replace(final, adjust=tile.adjust))
            on_sheet = np.s_[tile.top : tile.top + box.height, tile.left : tile.left + box.width]
            wanted = there[box.top : box.top + box.height, box.left : box.left + box.width]
            assert np.array_equal(sheet[on_sheet], wanted), (part, box)
            sheet[on_sheet] = 65535
        # All else is white and words, and each line of words is there.
        assert set(np.unique(sheet)) == {0, 65535}
        for label in plan.test.labels:
            assert (sheet[label.top : label.top + 2 * label.letter_px] == 0).any()


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_places_are_where_a_person_would_look(tmp_path: Path, orientation: int) -> None:
    """In a photograph of a launch at dusk: the lit platform, the sky above it, its dark rim."""
    made = photograph(tmp_path, "rocket", 900, orientation)
    on = look(made, "smooth-rag", 300, purpose="test", fit="crop").known
    assert on.measures is not None
    places = {each.what: each for each in on.measures.places}
    wide, high = strip_px(on)
    assert on.layout is not None
    width, height = on.layout.placed.width, on.layout.placed.height
    for place in places.values():
        assert 0 <= place.left <= width - wide
        assert 0 <= place.top <= height - high
    upright = np.asarray(
        Image.fromarray(skimage.data.rocket()).resize((width, height)).convert("L"), float
    )

    def under(what: str) -> np.ndarray:
        place = places[what]  # type: ignore[index]
        return upright[place.top : place.top + high, place.left : place.left + wide]

    assert places["detail"].top > height * 0.6
    assert places["sky"].top + high < height * 0.75
    assert np.abs(np.diff(under("sky"), axis=1)).mean() < 1.5
    assert np.abs(np.diff(under("detail"), axis=1)).mean() > 4
    assert under("shadow").mean() < np.median(upright)
    assert under("range").std() > 1.5 * upright.std() / 2


def test_skin_is_found_in_a_portrait_and_none_where_there_is_none(tmp_path: Path) -> None:
    """The astronaut's face is in the upper third of the photograph, right of its left edge."""
    made = photograph(tmp_path, "astronaut", 900)
    on = look(made, "smooth-rag", 300, purpose="test").known
    assert on.measures is not None
    (skin,) = (each for each in on.measures.places if each.what == "skin")
    wide, high = strip_px(on)
    assert skin.left < 900 * 0.45 < skin.left + wide
    assert skin.top < 900 * 0.25 < skin.top + 2 * high
    final = look(made, "smooth-rag", 300).measures
    assert final is not None
    assert final.places == ()
    grey = picture(tmp_path / "grey", skimage.data.camera(), build_grey_profile())
    measured = look(grey, "smooth-rag", 300, purpose="test").measures
    assert "skin" not in {each.what for each in measured.places}


# -- held against what was approved ------------------------------------------------------------


def final(**changes: object) -> Known:
    """A final of a picture, held against a test that was printed just so."""
    plain = known(original_sha256=ORIGINAL)
    printed = as_printed(plain)
    assert printed is not None
    approval = Approval(12, "Mira", date(2026, 5, 3), ORIGINAL, True, printed)
    return replace(plain, approval=approval, **changes)  # type: ignore[arg-type]


def test_a_final_like_its_test_goes_whatever_its_size() -> None:
    assert not list(approved_differs.find(final()))
    assert not list(approved_differs.find(replace(final(), approval=None)))
    smaller = known(original_sha256=ORIGINAL, resolved=asked(size="8x10in"))
    assert not list(approved_differs.find(replace(smaller, approval=final().approval)))


NEW = ProfileStanding("good", "rag.icc", "ef" * 32, "ef" * 32, "Rag")
DIFFERENT = {
    "picture": (
        {"original_sha256": "cd" * 32},
        "the picture is another version (cdcdcdcd, tested was abababab)",
    ),
    "profile": ({"profile": NEW}, "the profile is Rag efefefef, approved was Rag cdcdcdcd"),
    "surface": ({"surface": CANVAS}, "the surface is canvas-wrap, approved was smooth-rag"),
    "lab": ({"lab": replace(LAB, id="other")}, "the lab is other, approved was brindlewick"),
    "intent": (
        {"settled": Settled(1, None, "perceptual", date(2026, 5, 4))},
        "the intent is perceptual, approved was relative",
    ),
    "black point compensation": (
        {"surface": replace(PAPER, black_point_compensation=False)},
        "the black point compensation is off, approved was on",
    ),
    "adjustment": (
        {"settled": Settled(1, parse_adjustment("lightness 50:53"), None, date(2026, 5, 4))},
        "the adjustment is lightness 50:53, approved was none",
    ),
    "sharpening": (
        {"surface": SHARPENED, "resolved": asked(size="16x20in", sharpen="surface")},
        "the sharpening is radius 0.1 mm, amount 1.3, threshold 2 L*, halo 5 L*, approved was none",
    ),
}


@pytest.mark.parametrize("what", DIFFERENT)
def test_what_differs_from_the_approved_test_is_said(what: str) -> None:
    changes, sentence = DIFFERENT[what]
    on = final(**changes)
    on = replace(on, layout=final().layout)
    (finding,) = approved_differs.find(on)
    assert (finding.severity, finding.accept) == ("stop", "photographer")
    assert sentence in finding.message
    assert "Mira approved on 3 May 2026 (job 000012)" in finding.message
    assert set(dict(finding.figures)) >= {"test", what}


def test_a_plan_without_a_test_has_the_hash_that_it_had() -> None:
    """What was made before can be made again to the byte: a sheet alone changes the hash."""
    on = on_test()
    half = plan_test(on, "half", ORIGINAL, HASHES).plan
    crops = plan_test(on, "crops", ORIGINAL, HASHES).plan
    as_final = make_plan(known(resolved=asked(size="8x10in")), ORIGINAL, HASHES)
    assert plan_hash(half) == plan_hash(as_final)
    assert plan_hash(crops) != plan_hash(replace(crops, test=None))
    assert from_plain(Plan, to_plain(crops)) == crops
