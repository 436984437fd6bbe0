"""Measures of colour: how strong, how neutral, what of it the output loses and how it moves."""

from __future__ import annotations

from dataclasses import dataclass
from math import atan2, ceil, degrees, hypot, log, radians, sqrt, tan
from typing import Final

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.light import Plane, lab_of, light_of, over_black
from platemark.imaging.measure_tone import percentiles
from platemark.imaging.overview import Floats, Overview
from platemark.imaging.proof import CHANGED, Proof, black_of, there_and_back
from platemark.imaging.source import Profile
from platemark.model.measures import Tone

Mask = NDArray[np.bool_]

SAMPLE_PIXELS: Final = 50_000
"""Converted to tell what the output does; every so many of the small picture, both ways."""
_LOST: Final = 5.0
_SEEN: Final = 3.0
_NEUTRAL_C = 1.5
_TONES = ((12.0, 15.0), (30.0, 6.0))
"""C* and spread of hue that a tone has at most: a usual one, and one as strong as many a sepia,
which no picture in colour is so much of one hue as to be taken for."""
_WHITE_L, _WHITE_C = 95, 4
_SKIN_L, _SKIN_C, _SKIN_HUES = (35, 85), (12, 40), (30, 75)
_SOME_CAST: Final = 1.0
"""A mean colour of less C* has no hue that one could speak of."""


@dataclass(frozen=True, slots=True)
class ColourFigures:
    """C*, degrees and shares from 0 to 1; see `model.measures.Measures`."""

    chroma_p99: float
    white: float
    skin: float
    hue_spread: float
    hue: float | None

    @property
    def tone(self) -> Tone:
        """Whether the picture is neutral, toned or in colour."""
        if self.chroma_p99 < _NEUTRAL_C:
            return "neutral"
        is_toned = any(
            self.chroma_p99 <= chroma and self.hue_spread < spread for chroma, spread in _TONES
        )
        return "toned" if is_toned else "coloured"


@dataclass(frozen=True, slots=True)
class OutputFigures:
    """What the planned conversion does; CIEDE2000, C*, degrees and shares from 0 to 1."""

    lost: float
    changed: float
    skin_shift: float | None
    chroma: float
    hue_shift: float | None
    other_intent: float | None
    other_intent_mean: float | None


def colour_of(overview: Overview) -> ColourFigures:
    """Measure the picture's own colours."""
    a, b = overview.a, overview.b
    chroma = np.sqrt(a * a + b * b)
    white = (overview.lightness > _WHITE_L) & (chroma < _WHITE_C)
    return ColourFigures(
        percentiles(chroma, 99)[0],
        float(np.mean(white)),
        float(np.mean(is_skin(overview.lightness, a, b, chroma))),
        _spread(a, b, chroma),
        _hue(a, b),
    )


def output_of(overview: Overview, proof: Proof) -> OutputFigures:
    """Measure what a conversion does, on a sample of the picture."""
    step = ceil(sqrt(overview.pixels / SAMPLE_PIXELS))
    every = (slice(step // 2, None, step), slice(step // 2, None, step))
    planes = [plane[every].ravel() for plane in (overview.lightness, overview.a, overview.b)]
    before = np.stack(planes, axis=-1).astype(np.float64)
    codes = np.ascontiguousarray(overview.codes[:, *every].reshape(len(overview.codes), -1).T)
    after = proof.converted(codes, before)
    conversion = proof.conversion
    chroma = np.hypot(before[:, 1], before[:, 2])
    skin = is_skin(before[:, 0], before[:, 1], before[:, 2], chroma)
    shift = float(delta_e_2000(before[skin], after[skin]).mean()) if skin.any() else None
    other = proof.with_other_intent()
    apart = delta_e_2000(after, other.converted(codes, before)) if other is not None else None
    return OutputFigures(
        lost=0.0 if conversion.is_nothing else _lost(before, conversion.output),
        changed=float(np.mean(proof.changes(before, proof.printed(after)) > CHANGED)),
        skin_shift=shift,
        chroma=float(np.hypot(after[:, 1], after[:, 2]).mean()),
        hue_shift=_turned(before, after),
        other_intent=None if apart is None else float(np.mean(apart > _SEEN)),
        other_intent_mean=None if apart is None else float(apart.mean()),
    )


def is_skin(lightness: Plane, a: Plane, b: Plane, chroma: Plane) -> Mask:
    """Where a picture has the colours of skin, and of all that looks like it."""
    first, last = (tan(radians(hue)) for hue in _SKIN_HUES)
    skin: Mask = (b >= a * first) & (b <= a * last)
    skin &= (chroma >= _SKIN_C[0]) & (chroma <= _SKIN_C[1])
    skin &= (lightness >= _SKIN_L[0]) & (lightness <= _SKIN_L[1])
    return skin


def _spread(a: Floats, b: Floats, chroma: Floats) -> float:
    """Circular standard deviation of hue (Mardia and Jupp 2000), weighted by chroma, degrees."""
    total = float(chroma.sum(dtype=np.float64))
    if total == 0:
        return 180.0
    length = np.hypot(a.sum(dtype=np.float64), b.sum(dtype=np.float64)) / total
    return min(180.0, degrees(sqrt(max(0.0, -2 * log(max(length, 1e-12))))))


def _hue(a: Floats, b: Floats) -> float | None:
    mean_a, mean_b = float(a.mean(dtype=np.float64)), float(b.mean(dtype=np.float64))
    return degrees(atan2(mean_b, mean_a)) % 360 if hypot(mean_a, mean_b) >= _SOME_CAST else None


def _turned(before: Plane, after: Plane) -> float | None:
    one, other = before[:, 1:].mean(axis=0), after[:, 1:].mean(axis=0)
    if min(np.hypot(*one), np.hypot(*other)) < _SOME_CAST:
        return None
    turn = degrees(np.arctan2(one[1], one[0]) - np.arctan2(other[1], other[0]))
    return abs((turn + 180) % 360 - 180)


def _lost(lab: Plane, output: Profile) -> float:
    """Share of colours that do not come back from the output within 5, whatever its black."""
    wanted = lab_of(over_black(light_of(lab), black_of(output)))
    return float(np.mean(delta_e_2000(wanted, there_and_back(wanted, output)) > _LOST))
