"""Stops about sizes offer only answers that settle them, with one figure in the asked unit."""

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from given import CANVAS, asked, canvas_product, facts, known, product
from hypothesis import given
from hypothesis import strategies as st

from platemark.checks import run_checks
from platemark.engine.knowing import layout_of
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.request import Trouble, read_value, with_answers
from platemark.model.units import Length, parse_full_size

SOLD = tuple(map(parse_full_size, ("8x10in", "8x12in", "11x14in", "16x20in", "20x30in", "20x24in")))
LISTED = product(sizes=SOLD)


def stop_of(seen: Known, code: str) -> Finding:
    """The one stop of that code."""
    (found,) = [f for f in run_checks(seen) if f.code == code and f.severity == "stop"]
    return found


def answered(seen: Known, choice: str) -> Known:
    """What is known once somebody gave that answer."""
    key, _, value = choice.partition("=")
    resolved = with_answers(seen.resolved, {key: value})
    layout, misfit = layout_of(seen.facts, resolved.request, seen.surface, seen.product)
    return replace(seen, resolved=resolved, layout=layout, misfit=misfit)


def size_stops(seen: Known) -> list[str]:
    """Codes of what still stops a picture because of its size."""
    codes = [f.code for f in run_checks(seen) if f.severity == "stop"]
    return [code for code in codes if code.startswith(("size-", "request-"))]


TROUBLED: list[dict[str, Any]] = [
    {"resolved": asked(size="16x20in"), "facts": facts(width=1600, height=2000)},
    {"resolved": asked(size="16x20in"), "facts": facts(width=4800, height=7200)},
    {"resolved": asked(size="20x24in", border="2in"), "facts": facts(width=4800, height=5760)},
    {"resolved": asked(size="8x10in", border="0.5in"), "facts": facts(width=4800, height=6000)},
    {"resolved": asked(size="20x30cm"), "facts": facts(width=4000, height=6000)},
    {"resolved": asked(size="16x20in"), "facts": facts(width=4800, height=7200),
     "surface": CANVAS, "product": canvas_product(sizes=SOLD)},
    {"resolved": asked(size="16x20in", border="1in", fit="border"),
     "facts": facts(width=4800, height=7200)},
]  # fmt: skip


@pytest.mark.parametrize("changes", TROUBLED)
def test_every_ready_answer_settles_its_stop(changes: dict[str, Any]) -> None:
    """Whoever ticks what is offered is not asked about the same thing again."""
    seen = known(**{"product": LISTED, **changes})
    stops = [f for f in run_checks(seen) if f.code.startswith("size-") and f.severity == "stop"]
    offered = [(f.code, choice) for f in stops for choice in f.choices]
    assert offered
    for code, choice in offered:
        assert code not in size_stops(answered(seen, choice)), choice


def test_no_size_of_nothing_is_offered() -> None:
    """A line of one pixel is too small for any print, not good for 0 × 0 in."""
    stop = stop_of(known(facts=facts(width=1, height=1)), "size-too-few-pixels")
    assert "It is too small for any print." in stop.next


def test_the_largest_sold_size_with_pixels_enough_comes_first() -> None:
    """1600 × 2000 px have 142.9 ppi at 11x14in, whose 1.8 % are trimmed; the floor is 140."""
    stop = stop_of(
        known(product=LISTED, facts=facts(width=1600, height=2000)), "size-too-few-pixels"
    )
    assert stop.choices == ("size=11x14in", "size=8x10in")
    assert "11x14in is the largest of this proportion that the lab sells" in stop.next


def test_too_small_for_everything_that_is_sold() -> None:
    """400 × 500 px have 50 ppi at 8x10in, the smallest that the lab sells: no size is offered."""
    stop = stop_of(known(product=LISTED, facts=facts(width=400, height=500)), "size-too-few-pixels")
    assert stop.choices == ()
    assert "too small for any size that Rag 300 is sold in" in stop.next


def test_a_size_of_another_proportion_is_chosen_with_a_fit() -> None:
    """1600 × 1200 px at 150 ppi and more: 8x10in has enough but is no 4:3, so both are ticked."""
    seen = known(
        product=product(sizes=(parse_full_size("30x40in"), *SOLD)), resolved=asked(size="30x40in"),
        facts=facts(width=1200, height=1600),
    )  # fmt: skip
    stop = stop_of(seen, "size-too-few-pixels")
    assert stop.choices == ("size=8x10in", "fit=crop", "fit=border")
    for fit in stop.choices[1:]:
        assert size_stops(answered(answered(seen, stop.choices[0]), fit)) == []


@given(width=st.integers(100, 2200))
def test_the_largest_size_that_is_named_has_pixels_enough(width: int) -> None:
    """Where a lab makes any size, what would do is rounded down, never up."""
    seen = known(facts=facts(width=width, height=width * 5 // 4))
    words = stop_of(seen, "size-too-few-pixels").next
    named = words.split("up to ")[1].split(" would")[0]
    across = Fraction(named.partition("x")[0])
    assert across == 0 or Fraction(width) / across >= seen.surface.ppi.stop


def test_proportion_is_told_once_and_in_the_asked_unit() -> None:
    """6:9 on 16x20in loses 1/6 of its height, 2in a side: 24 in are cut to 20."""
    stop = stop_of(known(facts=facts(width=4800, height=7200)), "size-proportion")
    assert "16.7 % of the picture would be cut off, 2in from each of two sides" in stop.message
    assert stop.message.count("%") == 1
    assert "mm" not in stop.message


def test_a_sheet_that_is_not_sold_names_size_and_border() -> None:
    """5x7in with half an inch around it needs 6x8in; the unit is not what is wrong."""
    sold = product(sizes=(parse_full_size("5x7in"), parse_full_size("8x10in")))
    seen = known(
        product=sold, resolved=asked(size="5x7in", border="0.5in"),
        facts=facts(width=1500, height=2100),
    )  # fmt: skip
    stop = stop_of(seen, "size-not-sold")
    assert stop.message == (
        "5x7in with a border of 0.5in needs a sheet of 6x8in, in which Rag 300 is not sold."
    )
    assert stop.choices == ("border=none",)
    assert "unit" not in stop.next


def test_the_unit_is_doubted_only_where_the_other_is_sold() -> None:
    """20x30cm is asked about because 20x30in is sold; 9x9in is not."""
    wrong_unit = known(
        product=LISTED, resolved=asked(size="20x30cm"), facts=facts(width=4000, height=6000)
    )
    assert stop_of(wrong_unit, "size-not-sold").choices[0] == "size=20x30in"
    plain = known(
        product=LISTED, resolved=asked(size="9x9in"), facts=facts(width=3000, height=3000)
    )
    assert "unit" not in stop_of(plain, "size-not-sold").next


@pytest.mark.parametrize(
    ("sizes", "choices"),
    [((), ("size=20x30in", "size=20x30cm")), (SOLD, ("size=20x30in",))],
)
def test_a_size_without_a_unit_is_asked_about_once(
    sizes: tuple[Any, ...], choices: tuple[str, ...]
) -> None:
    """One stop says what is wrong with it, and offers each unit in which the lab sells it."""
    trouble = Trouble("unreadable", "size", "20x30 has no unit.", ("size=20x30in", "size=20x30cm"))
    resolved = replace(asked(), troubles=(trouble,))
    seen = known(
        resolved=resolved, product=product(sizes=sizes), facts=facts(width=6000, height=9000)
    )
    stop = stop_of(seen, "size-missing")
    assert size_stops(seen) == ["size-missing"]
    assert "20x30 has no unit." in stop.message
    assert stop.choices == choices
    assert size_stops(answered(seen, choices[0])) == []


def test_an_unreadable_size_cannot_be_accepted_away() -> None:
    """Without a size there is nothing to print, whatever else is left out."""
    seen = known(resolved=asked(size="20x30"))
    stop = stop_of(seen, "size-missing")
    assert stop.accept == "never"
    assert "20x30in or 20x30cm" in stop.message


def test_a_border_may_be_none() -> None:
    """Tickets write “border: none”, so a request may."""
    assert read_value("border", " None ") is None
    assert known(resolved=asked(size="16x20in", border="none")).layout == known().layout


@pytest.mark.parametrize(
    ("text", "same"), [("3m", "300cm"), ("2.5 m", "250cm"), ("6ft", "72in"), ("3mm", "3mm")]
)
def test_a_distance_is_written_as_people_say_it(text: str, same: str) -> None:
    """1 m = 100 cm and 1 ft = 12 in exactly (SI; international yard and pound agreement, 1959)."""
    length = read_value("viewing", text)
    assert isinstance(length, Length)
    assert length.mm == Length.parse(same).mm
