"""What differs between then and now is said, whatever of the plan it is."""

from dataclasses import fields, replace
from typing import Any

import pytest
from given import known
from reprint_cases import FOUND, OTHER_INTENT, PLAN, THEN, again

from platemark.checks.reprint_differs import find
from platemark.model.plan import Plan
from platemark.model.reprint import differences
from platemark.model.terms import Box

ANOTHER: dict[type, Any] = {bool: True, str: "another", Box: Box(1, 1, 7, 9)}
SEED = "dither_seed"
WORDS = {
    "output_profile_sha256": "the profile was “",
    "intent": "the intent was relative and is perceptual now",
    "black_point_compensation": "the black point compensation was on and is off now",
    "ppi": "the pixels of the print were ",
    "bits": "the form of the file was ",
    "mirror": "the mirroring was not here and is by the studio now",
    "crop": "the part of the picture was ",
    "creator": "the names in the file were ",
}


def changed(name: str) -> Plan:
    """The plan with one field changed."""
    value = getattr(PLAN, name)
    other: Any = {
        "intent": "perceptual", "bits": 8, "format": "jpeg",
        "edge": replace(PLAN.edge, mode="mirror"),
        "resample": "reduce", "conversion": "keep", "compression": "lzw",
        "source_profile_from": "assumed", "original_format": "jpeg",
    }.get(name)  # fmt: skip
    if other is None:
        other = not value if isinstance(value, bool) else ANOTHER.get(type(value))
    if other is None:
        other = value + 1
    assert other != value
    return replace(PLAN, **{name: other})


PLAIN = [each.name for each in fields(Plan) if getattr(PLAN, each.name) is not None]


@pytest.mark.parametrize("name", [name for name in PLAIN if name != SEED])
def test_each_part_of_a_plan_that_differs_is_said(name: str) -> None:
    """One changed field of the plan makes a sentence, and the same plan none."""
    (said,) = differences(THEN, replace(THEN, plan=changed(name)))
    assert said.startswith(WORDS.get(name, "")), said
    assert said.endswith(("now", "planned then"))


def test_lab_surface_and_product_are_said() -> None:
    """Another lab, surface or product is said by name; what is not on record is not guessed at."""
    now = replace(THEN, lab="tarnmoor", product="Rag 300")
    assert list(differences(THEN, now)) == [
        "the lab was brindlewick and is tarnmoor now",
        "the lab’s product was Smooth Cotton Rag 310 and is Rag 300 now",
    ]
    read_back = replace(THEN, product="", plan=None)
    assert list(differences(read_back, now)) == [
        "how it was prepared then is not on record",
        "the lab was brindlewick and is tarnmoor now",
    ]
    assert not list(differences(THEN, THEN))


def test_the_stop_says_how_far_the_colours_are_apart() -> None:
    """Both plans bind what a photographer accepts; the figures stand in the sentence."""
    (finding,) = find(known(**again(OTHER_INTENT, compared=FOUND)))
    assert (
        "ΔE00 1.20 on average and by at most 3.45 in 95 % of the picture; 12.3 %" in finding.message
    )
    (without,) = find(known(**again(OTHER_INTENT, not_compared="It is gone.")))
    assert without.message.endswith(" It is gone.")
    assert finding.figures == without.figures
    other = replace(THEN, plan=changed("ppi"))
    (elsewhere,) = find(known(**again(other, compared=FOUND)))
    assert elsewhere.figures != finding.figures
