"""How a picture will sit on its surface: a number and a plain sentence for each measure."""

from dataclasses import fields, replace
from decimal import Decimal
from typing import Any

import pytest
from suits_cases import MATTE, METAL, ORDINARY, WOVEN

from platemark.model.measures import Measures
from platemark.model.sits import Sits, proof_words, sentences
from platemark.model.surface import Surface

TOLD = replace(ORDINARY, changed_percent="0.60", other_intent_percent="12.40",
               other_intent_mean="1.10")  # fmt: skip


def sits(
    surface: Surface = MATTE, *, by_lab_profile: bool = True, **measures: Any
) -> dict[str, Sits]:
    """Every row by its label."""
    found = sentences(replace(TOLD, **measures), surface, by_lab_profile=by_lab_profile)
    assert len({each.label for each in found}) == len(found)
    return {each.label: each for each in found}


def test_every_row_is_a_measure_and_a_sentence() -> None:
    """Each names a measure, has its number as measured, and says the rounded one in a sentence."""
    names = {field.name for field in fields(Measures)}
    rows = sits()
    for row in rows.values():
        assert row.measure in names
        assert Decimal(row.value).is_finite()
        assert row.sentence.endswith(".")
        assert row.sentence[0].isupper() or row.sentence[0].isdigit()
    assert list(rows) == [
        "Key", "Contrast", "Shadows", "Whites", "Colour that is lost", "Colour that changes",
        "Intent", "Sharpness", "Fine detail", "Grain", "Smooth tones", "Skin", "Colour",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("label", "measures", "words"),
    [
        ("Key", {"lightness_median": "22.4"}, "A dark picture: half of it is darker than L* 22."),
        ("Key", {"lightness_median": "50"}, "A picture of middle tones"),
        ("Key", {"lightness_median": "71"}, "A light picture"),
        ("Contrast", {"lightness_p5": "40", "lightness_p95": "70"}, "Its contrast is flat"),
        ("Contrast", {"lightness_p5": "30", "lightness_p95": "80"}, "Its contrast is soft"),
        ("Shadows", {"shadow_percent": "23.4"}, "23 % of it has detail darker than"),
        ("Shadows", {"shadow_percent": "0.01"}, "No detail of it is darker than"),
        ("Whites", {"white_percent": "3.21"}, "3.2 % of it is white and will be the bare surface"),
        ("White at the edge", {"white_edge_percent": "40.00"}, "40 % of its outermost rim"),
        ("Colour that is lost", {"gamut_loss_percent": "0.00"}, "All its colours are within"),
        ("Colour that is lost", {"gamut_loss_percent": "7.00"}, "7 % of it has colours stronger"),
        ("Colour that changes", {"changed_percent": "0.00"}, "No colour of it becomes plainly"),
        ("Intent", {"other_intent_percent": "0.00"}, "would look the same"),
        ("Intent", {}, "12 % of it would look visibly different"),
        ("Sharpness", {"gradient_p99": "3.00"}, "it is soft"),
        ("Sharpness", {"gradient_p99": "8.00"}, "it is sharp"),
        ("Sharpness", {"gradient_p99": "20.00"}, "it is crisp"),
        ("Grain", {"grain": "0.40"}, "hardly be seen"),
        ("Grain", {"grain": "3.00"}, "seen on gloss"),
        ("Grain", {"grain": "5.00"}, "will be plain"),
        ("Smooth tones", {"plateau_percent": "4.00"}, "4 % of it lies in visible steps"),
        (
            "Skin",
            {"skin_percent": "12.00", "skin_shift": "3.60"},
            "looks like skin is 12 % of it and moves",
        ),
        ("Skin", {"skin_percent": "1.00"}, "What looks like skin is 1 % of it and hardly moves"),
        ("Neutrality", {"tone": "neutral", "converted_chroma": "0.62"}, "within C* 0.6"),
        ("Tone", {"tone": "toned", "converted_hue_shift": "4.20"}, "its tone turns by 4°"),
        ("Colour", {"chroma_p99": "71.00"}, "reach C* 71"),
    ],
)
def test_sentences(label: str, measures: dict[str, str], words: str) -> None:
    """What is said of a number."""
    assert words in sits(**measures)[label].sentence


def test_what_depends_on_the_surface() -> None:
    """Metal stays bare, weave swallows detail, and where the lab converts no more is claimed."""
    assert "will be bare metal" in sits(METAL, white_percent="9.00")["Whites"].sentence
    assert "White at the edge" not in sits(METAL, white_edge_percent="90.00")
    assert "is woven" in sits(WOVEN)["Fine detail"].sentence
    lab = sits(by_lab_profile=False, other_intent_percent=None)
    assert "conversion does is not known" in lab["Colour that is lost"].sentence
    assert not {"Intent", "Colour that changes"} & lab.keys()


def test_what_only_the_lab_knows_is_not_said_to_be_good() -> None:
    """What the file's own space keeps of skin, of greys and of a tone says nothing of the print."""
    skin = {"skin_percent": "12.00", "skin_shift": "0.00"}
    unknown = "by the lab's own conversion is not known."
    row = sits(by_lab_profile=False, **skin)["Skin"]
    assert (row.measure, row.figure) == ("skin_percent", "12 %")
    assert row.sentence == f"What looks like skin is 12 % of it; what becomes of it {unknown}"
    assert "turns grey" in sits(METAL, by_lab_profile=False, **skin)["Skin"].sentence
    for tone, label in (("neutral", "Neutrality"), ("toned", "Tone")):
        told = sits(by_lab_profile=False, tone=tone, converted_chroma="0.00")[label]
        assert told.sentence.endswith(f"whether it stays so {unknown}")


def test_what_is_not_there_is_not_said() -> None:
    """A picture without skin, grain or a white rim has no such row."""
    rows = sits(skin_shift=None, skin_percent="0.00", grain=None)
    assert not {"Skin", "Grain", "White at the edge"} & rows.keys()
    assert "Skin" not in sits(tone="toned", skin_percent="62.00", converted_hue_shift="1.00")


def test_words_for_those_who_cannot_see_the_proof() -> None:
    """They name the drawings, and every figure."""
    words = proof_words([("Key", "L* 22"), ("Shadows", "5.7 %")])
    assert words.startswith("The picture as it came and as it will print")
    assert words.endswith("key L* 22; shadows 5.7 %.")
    assert proof_words([]).endswith("on the surface.")
