"""Which surface serves a picture: a score from what each would lose and what each is good for.

The rule, from 0 to 100. A surface begins with 76 and

- loses 0.6 for each percent of the picture's contrast that it does not keep: the span of L* from
  the 5th to the 95th percentile, scaled to the surface's own black and white as black point
  compensation does it (ISO 18619, in its neutral form);
- loses 6 where a measure stands at the limit that the surface's own file has for it, in proportion
  below and above, at most 18: detail under its black, colours that it cannot show, detail that its
  texture hides, grain, skin that moves. White that becomes bare metal may cost 45, because then the
  picture is another;
- loses 2 at most where only the lab knows what becomes of the colours, for what is not known is
  not free;
- loses 3 where a black-and-white or toned picture meets a cold white;
- loses 4 for each caution that this surface has and not every other has too;
- gains up to what `_GOOD_FOR` says where the picture is of a kind that its kind of surface is good
  for: crisp, soft, dark, pale, vibrant, grainy, a portrait, black-and-white, graphic.

Kinds are told by the limits of the surfaces that are compared, so that nothing is a number here
that is one in the settings; and by degrees, so that no picture changes its place by a hair. What a
kind of surface is good for, the weights, and the few numbers below are common practice of the trade
or our own judgement; they were tried on photographs and their soft proofs by eye.

A surface on which the picture would be held comes after all others, whatever its score; not where
it would be held only because the same was printed there before.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final, Literal

from platemark.checks import colour_intents, same_again
from platemark.model.finding import Finding
from platemark.model.measures import Measures
from platemark.model.surface import Suits, Surface

Kind = Literal[
    "crisp", "soft", "dark", "pale", "vibrant", "grainy", "portrait", "neutral", "graphic"
]
Nature = Literal[
    "glossy paper", "matte paper", "textured paper", "canvas", "glossy panel", "matte panel",
    "bare metal",
]  # fmt: skip

START: Final = 76.0
_A_PERCENT_OF_CONTRAST: Final = 0.6
_AT_LIMIT, _AT_MOST, _METAL_AT_MOST = 6.0, 18.0, 45.0
_A_CAUTION: Final = 4.0
_UNKNOWN: Final = 2.0
_COLD: Final = 3.0
_COLOURED: Final = 40.0
"""C* of the strongest hundredth, from which on what the lab does with colour matters fully."""
_ONE_TONE: Final = 1.0
"""L* from the darkest to the lightest twentieth, below which a picture is one plain tone."""
_REASONS: Final = 3
_HARDLY_LESS: Final = 0.05
"""A surface that keeps no less than this below the best is praised for its contrast."""
_WORTH_SAYING: Final = 1.5
"""Points below which nothing is said."""

_GOOD_FOR: Final[dict[Nature, dict[Kind, float]]] = {
    "glossy paper": {"crisp": 4, "dark": 6, "vibrant": 4, "portrait": 4, "neutral": 5},
    "matte paper": {"soft": 8, "pale": 7, "grainy": 4, "portrait": 4, "neutral": 5},
    "textured paper": {"soft": 8, "pale": 7, "grainy": 5, "portrait": 2, "neutral": 3},
    "canvas": {"soft": 6, "pale": 2, "grainy": 5},
    "glossy panel": {"crisp": 5, "dark": 8, "vibrant": 8, "graphic": 4},
    "matte panel": {"crisp": 2, "graphic": 4},
    "bare metal": {"crisp": 3, "graphic": 6},
}

_CRISP: Final = (8.0, 16.0)
"""L* a pixel: the trade calls a picture crisp from 12 on, which is half way."""
_PALE: Final = (58.0, 72.0)
"""Median L*."""
_PALE_BLACK: Final = (15.0, 35.0)
"""L* of its darkest twentieth: a pale picture has no depths to lose."""
_GRAPHIC_SPAN: Final = (50.0, 75.0)
"""L* between the darkest and the lightest twentieth."""
_LOUD: Final = 0.75


@dataclass(frozen=True, slots=True)
class Asked:
    """A picture on one surface, examined."""

    surface: Surface
    lab: str
    by_lab_profile: bool
    """The lab's profile tells which colours its print shows; else the lab converts unseen."""
    measures: Measures | None
    """None where it could not be measured."""
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a surface stands among the others."""

    surface: str
    name: str
    lab: str
    score: int
    """0 to 100; 0 too where nothing was measured."""
    held: str
    """Why the picture would be held there; empty where it would go through."""
    suits: tuple[str, ...]
    """What speaks for it, a sentence each, the weightiest first; at most three."""
    against: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Point:
    """One thing that counts for a surface or against it."""

    points: float
    sentence: str
    code: str = ""
    """Of the check that cautions of the same."""
    speaks_for: bool | None = None
    """Where that is not told by the sign of its points; None where it is."""

    @property
    def is_for(self) -> bool:
        """Whether it is told among what speaks for the surface."""
        return self.points > 0 if self.speaks_for is None else self.speaks_for

    @property
    def weight(self) -> float:
        """By which it is told before others; what is the least lost of all is praised last."""
        return abs(self.points) if self.is_for == (self.points > 0) else _WORTH_SAYING


@dataclass(frozen=True, slots=True)
class _Limits:
    """From where on the surfaces that are compared call a picture soft, dark and so on."""

    soft: float | None
    dark: tuple[float, float] | None
    vibrant: float | None
    grainy: float | None
    portrait: float | None
    shadow: Decimal | None
    shift: Decimal | None
    """The strictest for detail below the black and for skin that moves: so much of either is as
    much a loss on one surface as on another, however early its file warns of it."""


@dataclass(frozen=True, slots=True)
class _Field:
    """What is the same for all surfaces that are compared."""

    limits: _Limits
    on_all: frozenset[str]
    """Codes of cautions that every surface has: they are the picture's, not the surface's."""
    most_kept: float
    """Of the contrast, by the surface that keeps the most."""


def rank(asked: Sequence[Asked]) -> tuple[Standing, ...]:
    """Order surfaces for one picture, the best first; what is even stays in the given order."""
    field = _Field(
        _limits_of([each.surface.suits for each in asked]),
        _on_all(asked),
        max(
            (contrast_kept(each.measures, each.surface) for each in asked if each.measures),
            default=1.0,
        ),
    )
    counted = [(each, _points(each, field)) for each in asked]
    counted.sort(key=lambda one: (bool(_held(one[0])), -_score(*one)))
    return tuple(_standing(each, points) for each, points in counted)


def _has_shapes(measures: Measures) -> bool:
    """Whether it is more than one plain tone, which has no contrast, softness or toning."""
    return float(measures.lightness_p95) - float(measures.lightness_p5) >= _ONE_TONE


def contrast_kept(measures: Measures, surface: Surface) -> float:
    """Share of a picture's contrast that a surface keeps, 0 to 1."""
    dark, light = float(measures.lightness_p5), float(measures.lightness_p95)
    if light <= dark:
        return 1.0
    return max(
        0.0, min(1.0, (printed_l(light, surface) - printed_l(dark, surface)) / (light - dark))
    )


def printed_l(lightness: float, surface: Surface) -> float:
    """L* on the surface, read beside a perfect white: black and white become those that it has."""
    black, white = (_light(float(each)) for each in (surface.black_l, surface.white_l))
    light = black + _light(lightness) * max(white - black, 0.0)
    return 116 * light ** (1 / 3) - 16 if light > 216 / 24389 else light * 24389 / 27


def _light(lightness: float) -> float:
    """Luminance, 0 to 1, of L* (ISO/CIE 11664-4)."""
    if lightness > 8:
        return ((lightness + 16) / 116) ** 3
    return lightness * 27 / 24389


def _standing(each: Asked, points: list[_Point]) -> Standing:
    heaviest = sorted(points, key=lambda point: -point.weight)
    said = [point for point in heaviest if point.sentence and point.weight >= _WORTH_SAYING]
    surface = each.surface
    return Standing(
        surface=surface.id,
        name=surface.name,
        lab=each.lab,
        score=round(_score(each, points)),
        held=_held(each),
        suits=tuple(point.sentence for point in said if point.is_for)[:_REASONS],
        against=(
            *tuple(point.sentence for point in said if not point.is_for)[:_REASONS],
            *_stops(each, again=True),
        ),
    )


def _score(each: Asked, points: Iterable[_Point]) -> float:
    if each.measures is None:
        return 0.0
    return min(100.0, max(0.0, START + sum(point.points for point in points)))


def _held(each: Asked) -> str:
    return next(iter(_stops(each, again=False)), "")


def _stops(each: Asked, *, again: bool) -> tuple[str, ...]:
    """Why it would be held; `again`: as a second print of the same, no fault of a surface."""
    return tuple(
        finding.message
        for finding in each.findings
        if finding.severity == "stop" and (finding.code == same_again.CODE) is again
    )


def _on_all(asked: Sequence[Asked]) -> frozenset[str]:
    codes = [
        {finding.code for finding in each.findings if finding.severity == "caution"}
        for each in asked
        if each.measures is not None
    ]
    return frozenset.intersection(*map(frozenset, codes)) if len(codes) > 1 else frozenset()


def _limits_of(suits: Sequence[Suits]) -> _Limits:
    def all_of(key: str) -> list[Decimal]:
        return [limit for each in suits if (limit := getattr(each, key)) is not None]

    def least(key: str) -> Decimal | None:
        return min(all_of(key), default=None)

    def most(key: str) -> float | None:
        return max(map(float, all_of(key)), default=None)

    median, p95 = most("low_key_median_l"), most("low_key_p95_l")
    return _Limits(
        soft=most("soft_gradient"),
        dark=(median, p95) if median is not None and p95 is not None else None,
        vibrant=_float(least("chroma")),
        grainy=_float(least("grain")),
        portrait=_float(least("skin_percent")),
        shadow=least("shadow_percent"),
        shift=least("skin_shift"),
    )


def _float(limit: Decimal | None) -> float | None:
    return None if limit is None else float(limit)


def nature_of(surface: Surface) -> Nature:
    """What kind of surface it is, from how it shines and feels and what it is made of."""
    if surface.bare_metal:
        return "bare metal"
    if surface.texture == "weave":
        return "canvas"
    shines = surface.gloss != "matte"
    if surface.layers:
        return "glossy panel" if shines else "matte panel"
    if shines:
        return "glossy paper"
    return "textured paper" if surface.texture == "strong" else "matte paper"


def _points(each: Asked, field: _Field) -> list[_Point]:
    measures = each.measures
    if measures is None:
        return []
    cautions = {
        finding.code: finding.message
        for finding in each.findings
        if finding.severity == "caution" and finding.code not in field.on_all
    }
    points = [_contrast(measures, each.surface, field.most_kept)]
    for point in _over_limits(measures, each, field.limits):
        # What a check says of the same measure is not told twice.
        is_cautioned = cautions.pop(point.code, None) is not None
        points.append(replace(point, points=point.points - _A_CAUTION * is_cautioned))
    points += _good_for(measures, each.surface, field.limits)
    if colour_intents.CODE in cautions and measures.other_intent_percent is not None:
        # What to settle about it is the print's, not the choice of a surface's.
        cautions[colour_intents.CODE] = (
            f"{_figure(measures.other_intent_percent)} % of the picture depends on the rendering "
            "intent here."
        )
    return points + [_Point(-_A_CAUTION, message) for message in cautions.values()]


def _contrast(measures: Measures, surface: Surface, most_kept: float) -> _Point:
    kept = contrast_kept(measures, surface)
    ends = [float(measures.lightness_p5), float(measures.lightness_p95)]
    there = " to ".join(f"{printed_l(each, surface):.0f}" for each in ends)
    here = " to ".join(f"{each:.0f}" for each in ends)
    is_least_lost = kept > most_kept - _HARDLY_LESS
    if not _has_shapes(measures):
        return _Point(0, "")
    return _Point(
        -_A_PERCENT_OF_CONTRAST * 100 * (1 - kept),
        f"It keeps {100 * kept:.0f} % of the contrast"
        + ("" if is_least_lost else f" (at best {100 * most_kept:.0f} %)")
        + f": L* {there} for {here}.",
        speaks_for=is_least_lost,
    )


def _over_limits(measures: Measures, each: Asked, limits: _Limits) -> Iterator[_Point]:
    suits, surface = each.surface.suits, each.surface
    yield _charge(
        measures.shadow_percent, suits.shadow_percent and limits.shadow,
        f"{{}} % of the picture is detail below its black (L* {surface.black_l}).", "suit-shadows",
    )  # fmt: skip
    if each.by_lab_profile:
        yield _charge(
            measures.gamut_loss_percent, suits.gamut_loss_percent,
            "{} % of the picture has colours that it cannot show.", "suit-colour",
        )  # fmt: skip
    elif suits.chroma is None:
        yield _Point(
            -_UNKNOWN * _ramp(float(measures.chroma_p99), 0, _COLOURED),
            "The lab converts its colours itself, so what they lose is not known.",
            "suit-colour",
        )
    else:
        yield _charge(
            measures.chroma_p99, suits.chroma,
            "Its strong colours (C* {}) may dull; the lab converts, so by how much is not known.",
            "suit-colour",
        )  # fmt: skip
    yield _charge(
        measures.fine_detail_percent, suits.fine_detail_percent,
        "{} % of its detail is finer than the texture lets be seen.", "suit-fine-detail",
    )  # fmt: skip
    if measures.grain is not None and "grainy" not in _GOOD_FOR[nature_of(surface)]:
        yield _charge(
            measures.grain, suits.grain, "Its grain (L* {}) is plain to see here.", "suit-grain"
        )
    if surface.bare_metal:
        yield _charge(
            measures.skin_percent if measures.skin_shift is not None else "0", suits.skin_percent,
            "{} % of it has colours like skin, which turn grey there.", "suit-skin",
        )  # fmt: skip
    elif measures.skin_shift is not None and _reaches(measures.skin_percent, suits.skin_percent):
        yield _charge(
            measures.skin_shift, suits.skin_shift and limits.shift,
            "Colours like skin move by {} on average (CIEDE2000).", "suit-skin",
        )  # fmt: skip
    yield _charge(
        measures.white_percent, suits.white_percent if surface.bare_metal else None,
        "{} % of the picture is white, which will be bare metal.", "suit-bare-white",
        _METAL_AT_MOST,
    )  # fmt: skip


def _charge(
    measure: str, limit: Decimal | None, sentence: str, code: str, at_most: float = _AT_MOST
) -> _Point:
    """What a measure costs against its limit; nothing where the surface has none."""
    if limit is None:
        return _Point(0, "", code)
    over = float(measure) / float(limit) if limit else 2.0 * (float(measure) > 0)
    return _Point(-min(_AT_LIMIT * over, at_most), sentence.format(_figure(measure)), code)


def _reaches(measure: str, limit: Decimal | None) -> bool:
    return limit is not None and float(measure) >= float(limit)


def _figure(measure: str) -> str:
    value = float(measure)
    return f"{value:.0f}" if value >= 10 else f"{value:.1f}"


def _good_for(measures: Measures, surface: Surface, limits: _Limits) -> Iterator[_Point]:
    nature = nature_of(surface)
    degrees = _degrees(measures, limits)
    if degrees["neutral"] > 0 and _is_cool(surface):
        yield _Point(
            -_COLD,
            f"It is black-and-white or toned, and the white here is cold (b* {surface.white_b}).",
        )
    for kind, most in _GOOD_FOR[nature].items():
        if kind == "neutral" and _is_cool(surface):
            continue
        if kind == "grainy" and _reaches(measures.grain or "0", surface.suits.grain):
            continue
        if degrees[kind] > 0:
            yield _Point(most * degrees[kind], _why(kind, measures, nature))


def _is_cool(surface: Surface) -> bool:
    limit = surface.suits.cool_white_b
    return limit is not None and surface.white_b <= limit


def _degrees(measures: Measures, limits: _Limits) -> dict[Kind, float]:
    """How much the picture is of each kind, 0 to 1."""
    p5, median, p95 = (
        float(each)
        for each in (measures.lightness_p5, measures.lightness_median, measures.lightness_p95)
    )
    steep, chroma = float(measures.gradient_p99), float(measures.chroma_p99)
    crisp = _ramp(steep, *_CRISP)
    portrait = _past(float(measures.skin_percent), limits.portrait, 0.6, 1.6)
    vibrant = _past(chroma, limits.vibrant, 0.6, 1.0)
    # What is soft in form but strong in colour is not the quiet picture that matte paper is for.
    soft = _past(steep, limits.soft, 1.75, 1.0) * (1 - _LOUD * vibrant) * _has_shapes(measures)
    dark = 0.0
    if limits.dark is not None:
        dark = min(_past(median, limits.dark[0], 1.5, 0.8), _past(p95, limits.dark[1], 1.5, 0.9))
    return {
        "crisp": crisp,
        "soft": soft,
        "dark": dark,
        "pale": min(_ramp(median, *_PALE), _ramp(p5, *_PALE_BLACK)),
        "vibrant": vibrant,
        "grainy": _past(float(measures.grain or 0), limits.grainy, 0.5, 1.0),
        "portrait": portrait,
        "neutral": float(measures.tone != "coloured" and _has_shapes(measures)),
        "graphic": min(crisp, _ramp(p95 - p5, *_GRAPHIC_SPAN), 1 - portrait),
    }


def _past(value: float, limit: float | None, none: float, whole: float) -> float:
    """From 0 at `none` times a limit to 1 at `whole` times it; 0 where nobody has that limit."""
    return 0.0 if limit is None else _ramp(value, limit * none, limit * whole)


def _ramp(value: float, none: float, whole: float) -> float:
    if none == whole:
        return float(value >= whole)
    return min(1.0, max(0.0, (value - none) / (whole - none)))


def _why(kind: Kind, measures: Measures, nature: Nature) -> str:
    median, steep = float(measures.lightness_median), _figure(measures.gradient_p99)
    on = nature if nature in ("canvas", "bare metal") else f"a {nature}"
    return {
        "crisp": f"It is crisp (steepest L* {steep} a pixel), which {on} shows.",
        "soft": f"It is soft (steepest L* {steep} a pixel), which {on} carries well.",
        "dark": f"It is dark (half of it below L* {median:.0f}), and {on} keeps its depth.",
        "pale": f"It is pale (half of it above L* {median:.0f}) and asks for no deep black; {on} "
        "lets it breathe.",
        "vibrant": f"Its colours are strong (C* {float(measures.chroma_p99):.0f}), and {on} keeps "
        "them clear.",
        "grainy": f"Its grain (L* {_figure(measures.grain or '0')}) sits well in {on}.",
        "portrait": f"{_figure(measures.skin_percent)} % of it has colours like skin; for people "
        f"{on} is usual.",
        "neutral": f"It is black-and-white or toned, for which {on} is usual.",
        "graphic": "Its shapes are hard and its tones far apart "
        f"(L* {float(measures.lightness_p5):.0f} to {float(measures.lightness_p95):.0f}), which "
        f"{on} bears.",
    }[kind]
