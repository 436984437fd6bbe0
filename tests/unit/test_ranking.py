"""Which surface serves a picture: constructed pictures on the starter studio's ten surfaces."""

from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from platemark.engine.ranking import Asked, Standing, contrast_kept, nature_of, printed_l, rank
from platemark.model.asking import caution, stop
from platemark.model.measures import Measures
from platemark.model.surface import Surface
from platemark.settings.load import load_settings

SURFACES = {
    surface.id: surface
    for surface in load_settings(Path(__file__).resolve().parents[2] / "config").surfaces
}
BY_PROFILE = ("smooth-rag", "etching-rag", "baryta", "canvas-wrap")


def picture(**changes: Any) -> Measures:
    """A picture of middle tones, neither soft nor crisp, with some colour and no fault."""
    plain: dict[str, Any] = {
        "lightness_p5": "20.00",
        "lightness_median": "50.00",
        "lightness_p95": "80.00",
        "shadow_percent": "0.00",
        "white_percent": "0.00",
        "blown_patch_percent": "0.00",
        "white_edge_percent": "0.00",
        "chroma_p99": "40.00",
        "gamut_loss_percent": "0.00",
        "skin_percent": "0.00",
        "skin_shift": None,
        "tone": "coloured",
        "hue_spread": "60.00",
        "converted_chroma": "15.00",
        "converted_hue_shift": None,
        "gradient_p99": "8.00",
        "fine_detail_percent": "1.00",
        "grain": None,
        "halo": None,
        "empty_levels_percent": "0.00",
        "plateau_percent": "0.00",
        "busy_edge": "1.00",
        "edge_lines": 0,
    }
    return Measures(**{**plain, **changes})


def asked(measures: Measures | None, surface: Surface, **changes: Any) -> Asked:
    """A picture on a surface, nothing found."""
    plain = Asked(surface, "", surface.id in BY_PROFILE, measures, ())
    return replace(plain, **changes)


def ranked(**changes: Any) -> list[str]:
    """All ten surfaces for a picture, best first."""
    measures = picture(**changes)
    return [each.surface for each in rank([asked(measures, each) for each in SURFACES.values()])]


def alone(measures: Measures, surface: str, **changes: Any) -> Standing:
    """One surface by itself."""
    return rank([asked(measures, SURFACES[surface], **changes)])[0]


def test_a_dark_deep_picture_wants_gloss() -> None:
    """Whatever shines is before whatever does not; the two deepest blacks lead."""
    order = ranked(lightness_p5="2.00", lightness_median="18.00", lightness_p95="55.00")
    shining = {"acrylic-bonded", "baryta", "rc-lustre", "acrylic-reverse"}
    assert set(order[:4]) == shining
    assert order[0] in ("acrylic-bonded", "baryta")
    assert order.index("baryta") < order.index("smooth-rag")


def test_a_high_key_picture_does_not_win_on_bare_metal() -> None:
    """White there is metal: it is the last, and far behind; matte paper leads."""
    measures = picture(
        lightness_p5="45.00", lightness_median="85.00", lightness_p95="98.00",
        white_percent="12.00", gradient_p99="3.50", chroma_p99="15.00",
    )  # fmt: skip
    standings = rank([asked(measures, each) for each in SURFACES.values()])
    assert standings[-1].surface == "aluminium-bare"
    assert standings[0].surface in ("smooth-rag", "etching-rag")
    assert standings[-1].score < standings[-2].score - 25
    assert any("12 % of the picture is white" in said for said in standings[-1].against)


def test_softness_and_grain_go_to_matte_paper_and_bite_to_gloss() -> None:
    """The same picture, soft, grainy or crisp (common practice of the trade)."""
    assert ranked(gradient_p99="3.00")[0] in ("smooth-rag", "etching-rag")
    assert "baryta" in ranked(gradient_p99="20.00")[:2]
    grainy = ranked(grain="3.50")
    assert grainy.index("etching-rag") < grainy.index("acrylic-bonded")
    paper = alone(picture(grain="3.50"), "etching-rag")
    assert not any("grain" in said for said in paper.against)
    assert not any("grain" in said for said in alone(picture(grain="9.00"), "etching-rag").suits)


def test_fine_detail_does_not_go_on_canvas() -> None:
    """Nor on etching paper: the weave and the tooth hide it."""
    order = ranked(fine_detail_percent="20.00", gradient_p99="20.00")
    assert set(order[-3:]) == {"canvas-wrap", "etching-rag", "aluminium-bare"}


def test_people_do_not_go_on_bare_metal() -> None:
    """Papers come first, bare metal last."""
    order = ranked(skin_percent="30.00", skin_shift="1.00")
    assert order[0] in ("baryta", "rc-lustre", "smooth-rag")
    assert order[-1] == "aluminium-bare"


def test_black_and_white_goes_on_paper_of_a_neutral_white() -> None:
    """Baryta before resin-coated paper, whose white is cold (b* -5)."""
    order = ranked(tone="neutral", chroma_p99="0.40", converted_chroma="0.40")
    assert order[0] == "baryta"
    assert order.index("smooth-rag") < order.index("pvc-board")


LOSSES = {
    "shadow_percent": [0, 2, 12, 30, 60, 100],
    "gamut_loss_percent": [0, 1, 4, 9, 30],
    "fine_detail_percent": [0, 3, 8, 20, 60],
    "white_percent": [0, 1, 3, 10, 15, 50, 100],
    "skin_shift": [0, 1, 2.9, 3.1, 8],
}


@pytest.mark.parametrize("surface", SURFACES)
@pytest.mark.parametrize("measure", LOSSES)
def test_more_lost_is_never_better(measure: str, surface: str) -> None:
    """A score does not rise with a loss, and falls where the surface's file has a limit for it."""
    scores = [
        alone(picture(**{"skin_percent": "8.00", measure: f"{value:.2f}"}), surface).score
        for value in LOSSES[measure]
    ]
    assert scores == sorted(scores, reverse=True)
    suits = SURFACES[surface].suits
    asked_here = surface in BY_PROFILE or measure != "gamut_loss_percent"
    is_shift_alone = measure == "skin_shift" and SURFACES[surface].bare_metal
    if getattr(suits, measure) is not None and asked_here and not is_shift_alone:
        assert scores[-1] < scores[0]


def test_less_contrast_is_never_better() -> None:
    """A higher black and a darker white cost."""
    paper = SURFACES["baryta"]
    dark = picture(lightness_p5="3.00", lightness_median="40.00")
    scores = [
        rank([asked(dark, replace(paper, black_l=Decimal(black), white_l=Decimal(white)))])[0].score
        for black, white in ((2, 97), (6, 97), (12, 97), (20, 97), (20, 90), (20, 60))
    ]
    assert scores == sorted(scores, reverse=True)
    assert scores[0] > scores[-1] + 20


def test_the_print_by_hand() -> None:
    """ISO 18619, neutral form: with a black of L* 18, L* 20, 50 and 100 become these."""
    paper = replace(SURFACES["baryta"], white_l=Decimal(100), black_l=Decimal(18))
    printed = [round(printed_l(lightness, paper), 2) for lightness in (0, 20, 50, 100)]
    assert printed == [18.0, 27.93, 52.37, 100.0]
    whole = picture(lightness_p5="20.00", lightness_p95="50.00")
    assert contrast_kept(whole, paper) == pytest.approx((52.37 - 27.93) / 30, abs=1e-3)
    assert contrast_kept(picture(lightness_p5="50.00", lightness_p95="50.00"), paper) == 1


def test_what_is_even_keeps_its_order() -> None:
    """Two surfaces that differ in name alone stand as they were given."""
    one = replace(SURFACES["baryta"], id="one")
    other = replace(SURFACES["baryta"], id="other")
    for pair in ((one, other), (other, one)):
        standings = rank([asked(picture(), each) for each in pair])
        assert [each.surface for each in standings] == [each.id for each in pair]


def test_what_would_be_held_comes_last() -> None:
    """However well it suits; the first stop is the reason; without measures, no score."""
    held = stop("size-not-sold", "photographer", "16x20in is not sold.", "Choose another.")
    standings = rank(
        [
            asked(picture(), SURFACES["baryta"], findings=(held,)),
            asked(picture(), SURFACES["canvas-wrap"]),
            asked(None, SURFACES["smooth-rag"], findings=(held,)),
        ]
    )
    assert [each.surface for each in standings] == ["canvas-wrap", "baryta", "smooth-rag"]
    assert [each.held for each in standings] == ["", held.message, held.message]
    assert standings[1].score > standings[0].score
    assert (standings[2].score, standings[2].suits, standings[2].against) == (0, (), ())


def test_cautions_count_where_they_tell_surfaces_apart() -> None:
    """One that every surface has is the picture's own; one of a measure is not told twice."""
    everywhere = caution("suit-steps", "Smooth areas may show steps.")
    here = caution("suit-shadows", "30 % of heron.tif has detail darker than …")
    dark = picture(shadow_percent="30.00")
    plain = [asked(dark, SURFACES[each]) for each in ("baryta", "smooth-rag")]
    common = [replace(each, findings=(everywhere,)) for each in plain]
    assert [each.score for each in rank(common)] == [each.score for each in rank(plain)]
    unread = asked(None, SURFACES["etching-rag"])
    assert [each.score for each in rank([*common, unread])[:2]] == [
        each.score for each in rank(plain)
    ]
    marked = [plain[0], replace(plain[1], findings=(here,))]
    before, after = rank(plain)[1], rank(marked)[1]
    assert after.score == before.score - 4
    assert after.against == before.against
    assert after.against[0].startswith("30 % of the picture is detail below its black")


def test_the_intent_is_a_reason_in_one_short_sentence() -> None:
    """It takes up no more room than any other; what it means is told with the print."""
    differs = caution("colour-intents-differ", "12 % of heron.tif would look visibly different …")
    strong = picture(other_intent_percent="12.34")
    (told,) = rank([asked(strong, SURFACES["smooth-rag"], findings=(differs,))])
    assert "12 % of the picture depends on the rendering intent here." in told.against


def test_a_plain_tone_is_not_praised_for_what_it_has_not() -> None:
    """All black has no contrast to keep and no softness; gloss has the deepest black for it."""
    black = picture(
        lightness_p5="0.00", lightness_median="0.00", lightness_p95="0.00", chroma_p99="0.00",
        gradient_p99="0.00", tone="neutral", skin_percent="0.00",
    )  # fmt: skip
    told = rank([asked(black, each) for each in SURFACES.values()])
    words = " ".join(sentence for each in told for sentence in each.suits)
    assert "contrast" not in words
    assert "soft" not in words
    assert nature_of(SURFACES[told[0].surface]) in ("glossy panel", "glossy paper")


def test_printed_before_says_nothing_against_a_surface() -> None:
    """It keeps its place, and is told."""
    again = stop("same-again", "assistant", "It is the same file as job 000050.", "…")
    plain = [asked(picture(), each) for each in SURFACES.values()]
    best = rank(plain)[0]
    marked = [
        replace(each, findings=(again,)) if each.surface.id == best.surface else each
        for each in plain
    ]
    told = rank(marked)[0]
    assert (told.surface, told.held) == (best.surface, "")
    assert told.against[-1] == "It is the same file as job 000050."


def test_reasons_are_few_and_have_their_numbers() -> None:
    """At most three on each side, the weightiest first."""
    everything = picture(
        lightness_p5="1.00", lightness_median="20.00", lightness_p95="50.00", chroma_p99="90.00",
        shadow_percent="40.00", fine_detail_percent="20.00", grain="5.00",
        gamut_loss_percent="20.00", skin_percent="30.00",
        skin_shift="5.00", white_percent="1.00", gradient_p99="20.00",
    )  # fmt: skip
    for standing in rank([asked(everything, each) for each in SURFACES.values()]):
        assert len(standing.suits) <= 3
        assert len(standing.against) <= 3
        assert all(any(sign.isdigit() for sign in said) for said in standing.against[:1])
        assert 0 <= standing.score <= 100


def test_kinds_of_surfaces() -> None:
    """Told from what its file says of it, not from its name."""
    assert {id_: nature_of(surface) for id_, surface in SURFACES.items()} == {
        "acrylic-bonded": "glossy panel",
        "acrylic-reverse": "glossy panel",
        "aluminium-bare": "bare metal",
        "aluminium-matte": "matte panel",
        "baryta": "glossy paper",
        "canvas-wrap": "canvas",
        "etching-rag": "textured paper",
        "pvc-board": "matte panel",
        "rc-lustre": "glossy paper",
        "smooth-rag": "matte paper",
    }
