"""What is asked about bleed, wrap and how a size stands: in numbers that can be checked by hand."""

from dataclasses import replace
from typing import Any

import pytest
from given import (
    CANVAS,
    FIXED_300,
    LUSTRE,
    PAPER,
    asked,
    canvas_product,
    facts,
    known,
    product,
)

from platemark.checks import run_checks
from platemark.engine.hold import drawn_choices
from platemark.engine.knowing import accepted, layout_of
from platemark.model.finding import Acceptance, Finding
from platemark.model.known import Known
from platemark.model.planning import make_plan
from platemark.model.request import with_answers
from platemark.model.terms import Box
from platemark.model.work import Choice

BLED: dict[str, Any] = {"surface": LUSTRE, "product": product(ppi=FIXED_300)}
CANVASED: dict[str, Any] = {"surface": CANVAS, "product": canvas_product()}


def found(seen: Known, code: str) -> Finding | None:
    """The one finding of that code."""
    return next((f for f in run_checks(seen) if f.code == code), None)


def answered(seen: Known, choice: str) -> Known:
    """What is known once somebody gave that answer."""
    key, _, value = choice.partition("=")
    resolved = with_answers(seen.resolved, {key: value})
    layout, misfit = layout_of(seen.facts, resolved.request, seen.surface, seen.product)
    return replace(seen, resolved=resolved, layout=layout, misfit=misfit)


def drawn_of(seen: Known, *stops: Finding) -> tuple[tuple[Choice, str], ...]:
    """What is drawn for those stops."""
    return drawn_choices(seen.facts, stops, seen.resolved.request, seen.surface, seen.product)


def canvas(width: int, height: int, **request: str) -> Known:
    """A picture for 16 × 20 in of canvas, 1.5 in bars, .5 in tuck, 300 ppi."""
    made = facts(width=width, height=height, ppi=None)
    return known(**CANVASED, facts=made, resolved=asked(size="16x20in", **request))


def test_an_image_wrap_is_the_photographers_to_allow() -> None:
    """6000 × 7200 px: a third is taken, and 5:6 becomes 4:5 (common practice)."""
    seen = canvas(6000, 7200, edge="image")
    stop = found(seen, "edge-takes-picture")
    assert stop is not None
    assert (stop.severity, stop.accept) == ("stop", "photographer")
    assert stop.message == (
        "The wrap takes 33.3 % of heron.tif: 66.7 % of it stays on the face and 5:6 becomes 4:5."
    )
    yes = Acceptance(stop.code, stop.figures, "Mira", "tried on paper")
    assert stop.code in accepted(seen, run_checks(seen), (yes,))
    # It is for these figures: a deeper bar takes more, and is asked about again.
    deeper = canvas(6300, 7500, edge="image", wrap="2in")
    assert accepted(deeper, run_checks(deeper), (yes,)) == {}
    assert found(answered(seen, "edge=mirror"), "edge-takes-picture") is None


def test_an_image_bleed_is_only_told() -> None:
    """3 mm of 16 × 20 in are 2.6 % of the picture: on the ticket, and nobody is asked."""
    seen = known(**BLED, resolved=asked(size="16x20in", edge="image"))
    caution = found(seen, "edge-takes-picture")
    assert caution is not None
    assert caution.severity == "caution"
    assert "The bleed takes 2.6 % of heron.tif" in caution.message


@pytest.mark.parametrize(
    ("width", "height", "ppi", "there"),
    [
        (6000, 7200, None, True),  # the document's pixels at the product's 300 ppi
        (6003, 7200, None, False),
        (3000, 3600, "150", True),  # 20 × 24 in by its tag
        (3002, 3600, "150", True),  # .34 mm more
        (3003, 3600, "150", False),  # .51 mm more
        (3000, 3597, "150", False),  # .51 mm less
        (2880, 3456, "144", True),
        (2880, 3456, "145", False),
        (4800, 6000, "300", False),  # the face alone
    ],
)
def test_already_there_by_pixels_or_by_tag(
    width: int, height: int, ppi: str | None, there: bool
) -> None:
    """Pixels that equal the document, or come to it within .5 mm by the tag, are asked about."""
    made = facts(width=width, height=height, ppi=ppi)
    seen = known(**CANVASED, facts=made, resolved=asked(size="16x20in", fit="crop"))
    assert (found(seen, "edge-already-there") is not None) is there
    for edge in ("included", "image"):
        assert found(answered(seen, f"edge={edge}"), "edge-already-there") is None


def test_a_bleed_that_would_pass_by_its_shape_is_found_by_its_tag() -> None:
    """16 × 20 in with 3 mm all round is .29 % off 4:5, which is trimmed in silence otherwise."""
    made = facts(width=2436, height=3036, ppi="150")
    seen = known(**BLED, facts=made, resolved=asked(size="16x20in"))
    assert [f.code for f in run_checks(seen) if f.severity == "stop"] == ["edge-already-there"]


@pytest.mark.parametrize(
    ("width", "height", "ppi", "missing"),
    [
        (4800, 6000, None, True),  # 4:5 to the pixel
        (4800, 6000, "300", True),  # and by its tag
        (4872, 6072, None, False),  # 3 mm on every side
        (4872, 6072, "300", False),
        (3248, 4048, None, False),  # the same at 200 ppi
        (4800, 6000, "290", True),  # 420.4 × 525.5 mm: neither, so its shape decides
    ],
)
def test_said_to_be_there_and_is_not(
    width: int, height: int, ppi: str | None, missing: bool
) -> None:
    """An included bleed that is not in the file would cost 3 mm of the picture on each side."""
    made = facts(width=width, height=height, ppi=ppi)
    seen = known(**BLED, facts=made, resolved=asked(size="16x20in", edge="included"))
    stop = found(seen, "edge-not-there")
    assert (stop is not None) is missing
    if stop is not None:
        assert "0.12in of the picture would be cut off on each side" in stop.message
        assert found(answered(seen, stop.choices[0]), "edge-not-there") is None


def test_a_square_says_nothing_by_its_shape() -> None:
    """With or without bleed a square is one; only its tag can tell."""
    made = facts(width=3600, height=3600, ppi=None)
    seen = known(**BLED, facts=made, resolved=asked(size="12x12in", edge="included"))
    assert found(seen, "edge-not-there") is None
    tagged = known(
        **BLED, facts=replace(made, ppi="300"), resolved=asked(size="12x12in", edge="included")
    )
    assert found(tagged, "edge-not-there") is not None


def test_proportion_is_that_of_the_whole_document() -> None:
    """4:5 does not fill 20 × 24 in: 4 % are cut, and the drawing shows that very crop."""
    seen = canvas(4800, 6000, edge="image")
    stop = found(seen, "size-proportion")
    assert stop is not None
    assert "than 16x20in with its wrap: to fill it, 4 % of the picture" in stop.message
    ((drawn, said),) = drawn_of(seen, stop)
    # 4800 px across at 5:6 are 5760 down.
    assert (drawn.kept.width, drawn.kept.height) == (4800, 5760)
    assert "4 %" in said
    assert found(canvas(6000, 7200, edge="image"), "size-proportion") is None


@pytest.mark.parametrize(
    ("crop_at", "kept"),
    [
        ("top", Box(0, 0, 4800, 3840)),
        ("centre", Box(0, 1080, 4800, 3840)),
        ("bottom", Box(0, 2160, 4800, 3840)),
    ],
)
def test_the_crop_that_is_drawn_is_the_crop_that_is_made(crop_at: str, kept: Box) -> None:
    """4800 px across at 5:4 are 3840 down, from where `crop_at` says: drawn and planned alike."""
    seen = known(
        surface=replace(PAPER, direction="along-width"),
        resolved=asked(size="20x16in", crop_at=crop_at),
    )
    ((drawn, said),) = drawn_of(seen, *run_checks(seen))
    assert drawn.kept == kept
    assert said == "fit=crop: 36 % of the picture is cut off"
    plan = make_plan(answered(seen, "fit=crop"), "0" * 64, {"srgb": "1" * 64})
    assert plan.crop == drawn.kept


def test_a_box_is_drawn_as_it_will_be_cut() -> None:
    """Of the upper half, 4800 × 3000 px, a square of 3000 px from its middle: drawn and planned."""
    plain = known(resolved=asked(size="10x10in"))
    stop = found(plain, "size-proportion")
    assert stop is not None
    seen = known(resolved=asked(size="10x10in", crop_at="0 0 1 0.5"))
    ((drawn, _),) = drawn_of(seen, stop)
    plan = make_plan(answered(seen, "fit=crop"), "0" * 64, {"srgb": "1" * 64})
    assert drawn.kept == plan.crop == Box(900, 0, 3000, 3000)


def test_the_border_that_is_drawn_is_the_sheet_that_is_made() -> None:
    """A picture of 4:5 whole on 10 × 10 in is 8 × 10 in: white of 1 in on two sides."""
    seen = known(resolved=asked(size="10x10in"))
    _, (drawn, said) = drawn_of(seen, *run_checks(seen))
    assert said == "fit=border: whole, on 10x10in of paper"
    plan = make_plan(answered(seen, "fit=border"), "0" * 64, {"srgb": "1" * 64})
    assert drawn.kept == plan.crop == Box(0, 0, 4800, 6000)
    assert (drawn.width, drawn.height) == (plan.width_px, plan.height_px) == (6000, 6000)


BRUSHED = replace(PAPER, direction="along-width", name="Brushed")


def test_a_size_is_never_turned_where_lines_run() -> None:
    """A standing picture for a lying size is asked about once, and both answers settle it."""
    seen = known(surface=BRUSHED, resolved=asked(size="20x16in"))
    stops = [f for f in run_checks(seen) if f.severity == "stop"]
    assert [f.code for f in stops] == ["size-turned"]
    assert stops[0].message == (
        "heron.tif stands upright (4800 × 6000 px), and 20x16in is 20in wide and 16in high; "
        "Brushed has lines along its width, so nothing is turned."
    )
    assert stops[0].choices == ("size=16x20in", "fit=crop")
    for choice in stops[0].choices:
        after = [f.code for f in run_checks(answered(seen, choice)) if f.severity == "stop"]
        assert after == []
    ((drawn, _),) = drawn_of(seen, *stops)
    assert (drawn.kept.width, drawn.kept.height) == (4800, 3840)


@pytest.mark.parametrize(
    ("size", "width", "height", "choice"),
    [
        ("A3", 6000, 4243, "size=420x297mm"),
        ("30x20in", 4000, 6000, "size=20x30in"),
        ("A3", 4243, 6000, None),
        ("long 30in", 4000, 6000, None),
        ("20x20in", 4000, 6000, None),
        ("30x20in", 5000, 5000, None),
    ],
)
def test_which_sizes_can_stand_wrong(
    size: str, width: int, height: int, choice: str | None
) -> None:
    """Names stand as ISO 216 writes them; one-sided sizes and squares cannot stand wrong."""
    made = facts(width=width, height=height)
    stop = found(known(surface=BRUSHED, facts=made, resolved=asked(size=size)), "size-turned")
    assert (stop.choices[0] if stop else None) == choice
    plain = known(facts=made, resolved=asked(size=size))
    assert found(plain, "size-turned") is None
