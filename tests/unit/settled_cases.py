"""What trips each check of what was settled for a picture, and its near miss."""

from dataclasses import replace
from datetime import date
from typing import Any

from given import PAPER, facts, known, product, profile_facts
from suits_cases import ORDINARY

from platemark.model.adjusting import parse_adjustment
from platemark.model.known import ProfileStanding, Settled, SettledBefore
from platemark.model.lab import ProfileUse
from platemark.model.surface import Suits, usual_suits

CURVE = Settled(1, parse_adjustment("lightness 20:26"), None, date(2026, 4, 30))
COLOUR = replace(CURVE, adjust=parse_adjustment("b 1"))
PERCEPTUAL = replace(CURVE, intent="perceptual")
NOTHING = Settled(2, None, None, date(2026, 4, 30))

GREY = facts(mode="grey", channels=1, profile=profile_facts(colour_space="GRAY"))
ONE_WAY = facts(profile=profile_facts(one_way=True))
NOT_BOTH = replace(known().profile, intents=("relative",))
BOTH = replace(NOT_BOTH, intents=("perceptual", "relative"))
WORKING = product(profile=None, working_spaces=("srgb",))
BY_THE_LAB = {"product": WORKING, "profile": ProfileStanding("none-needed")}
WISHED = product(profile=ProfileUse("rag.icc", None, "perceptual", None))


def differing(percent: str | None) -> dict[str, Any]:
    """A picture that the two intents print so differently, on a surface with the usual limits."""
    suits = usual_suits(PAPER.gloss, PAPER.texture, bare_metal=False)
    told = replace(ORDINARY, other_intent_percent=percent, other_intent_mean="2.06")
    return {"measures": told, "profile": BOTH, "surface": replace(PAPER, suits=suits)}


SETTLED_STOPS: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("adjust-not-possible", {"facts": GREY, "settled": COLOUR}, {"facts": GREY, "settled": CURVE}),
    ("adjust-not-possible", {"facts": ONE_WAY, "settled": CURVE}, {"facts": ONE_WAY}),
    (
        "adjust-not-possible",
        {"facts": ONE_WAY, "settled": CURVE},
        {"facts": ONE_WAY, "settled": replace(PERCEPTUAL, adjust=None)},
    ),
]

SETTLED_CASES: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    (
        "adjust-earlier",
        {"settled_before": SettledBefore(14, PERCEPTUAL)},
        {"settled_before": SettledBefore(14, PERCEPTUAL), "settled": NOTHING},
    ),
    (
        "colour-intent-settled",
        {"profile": NOT_BOTH, "settled": PERCEPTUAL},
        {"profile": BOTH, "settled": PERCEPTUAL},
    ),
    (
        "colour-intent-settled",
        {**BY_THE_LAB, "settled": PERCEPTUAL},
        {**BY_THE_LAB, "settled": replace(CURVE, intent="relative")},
    ),
    ("colour-intents-differ", differing("5.01"), differing("5.00")),
    ("colour-intents-differ", differing("23.41"), differing(None)),
    (
        "colour-intents-differ",
        {**differing("23.41"), "settled": CURVE},
        {**differing("23.41"), "settled": replace(CURVE, intent="relative")},
    ),
    (
        "colour-intents-differ",
        {**differing("23.41"), "product": WISHED},
        {**differing("23.41"), "surface": replace(PAPER, suits=Suits())},
    ),
]
