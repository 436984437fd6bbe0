"""How a picture will sit on its surface: each measure that matters as a number and a sentence.

It says what is, whether or not a check warns of it; where a sentence weighs (soft, crisp, flat), it
does so by what is usual in the trade.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal

from platemark.model.measures import Measures
from platemark.model.suiting import percent, rounded
from platemark.model.surface import Surface

_LOW_KEY_L, _HIGH_KEY_L = 30, 70
_FLAT_L, _FULL_L = 35, 60
_SOFT, _CRISP = 4, 12
_PLAIN_GRAIN, _STRONG_GRAIN = 2, 4
_HARDLY = Decimal("0.05")
"""Per cent: less is said to be none, as it is rounded to that."""
_PLAIN_SHIFT = 3
_SOME_EDGE = 1
_UNKNOWN = " by the lab's own conversion is not known."
_TEXTURES = {
    "smooth": "smooth and shows all of it",
    "fine": "finely textured and shows nearly all of it",
    "strong": "strongly textured and swallows some of it",
    "weave": "woven and swallows much of it",
    "brushed": "brushed, and its lines run through it",
}


@dataclass(frozen=True, slots=True)
class Sits:
    """One measure, for people."""

    measure: str
    """Its name in `Measures`."""
    label: str
    value: str
    """As it was measured; of the contrast, from `lightness_p5` to the measure that is named."""
    figure: str
    """Rounded, with its unit."""
    sentence: str


def sentences(measures: Measures, surface: Surface, *, by_lab_profile: bool) -> tuple[Sits, ...]:
    """Say how a picture will sit.

    Args:
        measures: Of the picture on that surface.
        surface: What it is printed on.
        by_lab_profile: Whether the lab's own profile tells its print; else the lab converts.
    """
    return tuple(
        each
        for each in (
            _key(measures),
            _contrast(measures, surface),
            _shadows(measures, surface),
            _whites(measures, surface),
            _edge(measures, surface),
            _lost(measures, by_lab_profile=by_lab_profile),
            *_intents(measures),
            _sharpness(measures),
            _detail(measures, surface),
            _grain(measures),
            _steps(measures),
            _skin(measures, surface, by_lab_profile=by_lab_profile),
            _tone(measures, by_lab_profile=by_lab_profile),
        )
        if each is not None
    )


def proof_words(figures: Iterable[tuple[str, str]]) -> str:
    """What a proof sheet shows, for those who cannot see it.

    Args:
        figures: Label and figure of each measure.
    """
    told = "; ".join(f"{label.lower()} {figure}" for label, figure in figures)
    return (
        "The picture as it came and as it will print, which of its colours change, and how light "
        f"it is before and on the surface{f': {told}' if told else ''}."
    )


def _key(measures: Measures) -> Sits:
    median = measures.lightness_median
    key = "A picture of middle tones"
    if Decimal(median) < _LOW_KEY_L:
        key = "A dark picture"
    elif Decimal(median) > _HIGH_KEY_L:
        key = "A light picture"
    said = f"L* {rounded(median)}"
    return Sits(
        "lightness_median", "Key", median, said, f"{key}: half of it is darker than {said}."
    )


def _contrast(measures: Measures, surface: Surface) -> Sits:
    low, high = measures.lightness_p5, measures.lightness_p95
    span = Decimal(high) - Decimal(low)
    kind = "soft" if span < _FULL_L else "full"
    kind = "flat" if span < _FLAT_L else kind
    return Sits(
        "lightness_p95", "Contrast", f"{span}", f"{rounded(span)} L*",
        f"Its contrast is {kind}: nine tenths of it lie between L* {rounded(low)} and "
        f"{rounded(high)}. The surface has L* {rounded(surface.black_l)} to "
        f"{rounded(surface.white_l)} to give.",
    )  # fmt: skip


def _shadows(measures: Measures, surface: Surface) -> Sits:
    share, black = measures.shadow_percent, f"L* {rounded(surface.black_l)}"
    said = percent(share)
    sentence = f"{said} of it has detail darker than the surface's deepest black, {black}: it is "
    sentence += "lifted or closes up."
    if Decimal(share) < _HARDLY:
        sentence = f"No detail of it is darker than the surface's deepest black, {black}."
    return Sits("shadow_percent", "Shadows", share, said, sentence)


def _whites(measures: Measures, surface: Surface) -> Sits:
    share = measures.white_percent
    said, white = percent(share), f"L* {rounded(surface.white_l)}"
    stays = "bare metal, grey and shiny" if surface.bare_metal else f"the bare surface, {white}"
    sentence = f"{said} of it is white and will be {stays}."
    if Decimal(share) < _HARDLY:
        sentence = f"Nothing of it is white, which would be {stays}."
    return Sits("white_percent", "Whites", share, said, sentence)


def _edge(measures: Measures, surface: Surface) -> Sits | None:
    share = measures.white_edge_percent
    if Decimal(share) < _SOME_EDGE or surface.bare_metal:
        return None
    said = percent(share)
    return Sits(
        "white_edge_percent", "White at the edge", share, said,
        f"{said} of its outermost rim is white: there the picture has no visible end.",
    )  # fmt: skip


def _lost(measures: Measures, *, by_lab_profile: bool) -> Sits:
    share = measures.gamut_loss_percent
    said = percent(share)
    whose = "the surface can show" if by_lab_profile else "the file's colour space can hold"
    sentence = f"{said} of it has colours stronger than {whose}: they dull."
    if Decimal(share) < _HARDLY:
        sentence = f"All its colours are within what {whose}."
    if not by_lab_profile:
        sentence += " What the lab's own conversion does is not known."
    return Sits("gamut_loss_percent", "Colour that is lost", share, said, sentence)


def _intents(measures: Measures) -> Iterator[Sits]:
    """Both intents, and what the planned one changes, where a profile tells."""
    share = measures.other_intent_percent
    if share is None:
        return
    changed = measures.changed_percent
    sentence = f"{percent(changed)} of it becomes plainly another colour, paper white apart."
    if Decimal(changed) < _HARDLY:
        sentence = "No colour of it becomes plainly another, paper white apart."
    yield Sits("changed_percent", "Colour that changes", changed, percent(changed), sentence)
    sentence = f"{percent(share)} of it would look visibly different by the other rendering intent."
    if Decimal(share) < _HARDLY:
        sentence = "The other rendering intent would look the same."
    yield Sits("other_intent_percent", "Intent", share, percent(share), sentence)


def _sharpness(measures: Measures) -> Sits:
    steepness = measures.gradient_p99
    kind = "soft" if Decimal(steepness) < _SOFT else "sharp"
    kind = "crisp" if Decimal(steepness) > _CRISP else kind
    said = f"{rounded(steepness, 1)} L* a pixel"
    return Sits(
        "gradient_p99", "Sharpness", steepness, said,
        f"At the pixels of the print it is {kind}: its edges are as steep as {said}.",
    )  # fmt: skip


def _detail(measures: Measures, surface: Surface) -> Sits:
    share = measures.fine_detail_percent
    said = percent(share)
    return Sits(
        "fine_detail_percent", "Fine detail", share, said,
        f"{said} of its contrast is in detail finer than a quarter of a millimetre; the surface "
        f"is {_TEXTURES[surface.texture]}.",
    )  # fmt: skip


def _grain(measures: Measures) -> Sits | None:
    grain = measures.grain
    if grain is None:
        return None
    kind = "Its grain will hardly be seen"
    if Decimal(grain) > _PLAIN_GRAIN:
        kind = "Its grain will be seen on gloss, and texture hides it"
    if Decimal(grain) > _STRONG_GRAIN:
        kind = "Its grain will be plain"
    said = f"{rounded(grain, 1)} L*"
    return Sits("grain", "Grain", grain, said, f"{kind}: {said} in smooth areas.")


def _steps(measures: Measures) -> Sits:
    share = measures.plateau_percent
    sentence = f"{percent(share)} of it lies in visible steps, in what was smooth."
    if Decimal(share) < _HARDLY:
        sentence = "Its smooth areas show no steps."
    return Sits("plateau_percent", "Smooth tones", share, percent(share), sentence)


def _skin(measures: Measures, surface: Surface, *, by_lab_profile: bool) -> Sits | None:
    share, shift = measures.skin_percent, measures.skin_shift
    if measures.tone != "coloured" or shift is None or Decimal(share) < _HARDLY:
        return None
    what = f"What looks like skin is {percent(share)} of it"
    if surface.bare_metal:
        what += ": on bare metal it turns grey and changes as you walk past."
        return Sits("skin_percent", "Skin", share, percent(share), what)
    if not by_lab_profile:
        what += f"; what becomes of it{_UNKNOWN}"
        return Sits("skin_percent", "Skin", share, percent(share), what)
    said = f"{rounded(shift, 1)} ΔE00"
    kind = "hardly moves" if Decimal(shift) <= _PLAIN_SHIFT else "moves plainly"
    return Sits(
        "skin_shift", "Skin", shift, said,
        f"{what} and {kind}: {said} on average, paper white apart.",
    )  # fmt: skip


def _tone(measures: Measures, *, by_lab_profile: bool) -> Sits:
    if measures.tone != "coloured" and not by_lab_profile:
        chroma = measures.chroma_p99
        is_neutral = measures.tone == "neutral"
        return Sits(
            "chroma_p99", "Neutrality" if is_neutral else "Tone", chroma,
            f"C* {rounded(chroma, 1)}",
            f"It is {'black and white' if is_neutral else 'toned'}; whether it stays so{_UNKNOWN}",
        )  # fmt: skip
    if measures.tone == "neutral":
        chroma = measures.converted_chroma
        said = f"C* {rounded(chroma, 1)}"
        return Sits(
            "converted_chroma", "Neutrality", chroma, said,
            f"It is black and white, and stays within {said} of neutral on average.",
        )  # fmt: skip
    turn = measures.converted_hue_shift
    if measures.tone == "toned" and turn is not None:
        return Sits(
            "converted_hue_shift", "Tone", turn, f"{rounded(turn)}°",
            f"It is toned, and its tone turns by {rounded(turn)}°.",
        )  # fmt: skip
    chroma = measures.chroma_p99
    said = f"C* {rounded(chroma)}"
    return Sits("chroma_p99", "Colour", chroma, said, f"Its strongest colours reach {said}.")
