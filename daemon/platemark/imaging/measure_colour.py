"""Measures of colour: how strong, how neutral, what of it the output loses and how it moves."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, degrees, log, radians, sqrt, tan
from typing import Any, Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from platemark.imaging.convert import Conversion, transform
from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.measure_tone import percentiles
from platemark.imaging.overview import Floats, Overview
from platemark.imaging.source import Profile
from platemark.imaging.to_lab import LAB_PROFILE, UNTABLED
from platemark.model.measures import Tone

Doubles = NDArray[np.float64]
Plane = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

SAMPLE_PIXELS: Final = 50_000
"""Converted to tell what the output does; every so many of the small picture, both ways."""
_LOST: Final = 5.0
_NEUTRAL_C, _TONED_C, _TONED_SPREAD = 1.5, 12.0, 15.0
_WHITE_L, _WHITE_C = 95, 4
_SKIN_L, _SKIN_C, _SKIN_HUES = (35, 85), (12, 40), (30, 75)
_SOME_CAST: Final = 1.0
"""A mean colour of less C* has no hue that one could speak of."""
_RELATIVE: Final = 1


@dataclass(frozen=True, slots=True)
class ColourFigures:
    """C*, degrees and shares from 0 to 1; see `model.measures.Measures`."""

    chroma_p99: float
    white: float
    skin: float
    hue_spread: float

    @property
    def tone(self) -> Tone:
        """Whether the picture is neutral, toned or in colour."""
        if self.chroma_p99 < _NEUTRAL_C:
            return "neutral"
        is_toned = self.chroma_p99 <= _TONED_C and self.hue_spread < _TONED_SPREAD
        return "toned" if is_toned else "coloured"


@dataclass(frozen=True, slots=True)
class OutputFigures:
    """What the planned conversion does; CIEDE2000, C*, degrees and shares from 0 to 1."""

    lost: float
    skin_shift: float | None
    chroma: float
    hue_shift: float | None


def colour_of(overview: Overview) -> ColourFigures:
    """Measure the picture's own colours."""
    a, b = overview.a, overview.b
    chroma = np.sqrt(a * a + b * b)
    white = (overview.lightness > _WHITE_L) & (chroma < _WHITE_C)
    return ColourFigures(
        percentiles(chroma, 99)[0],
        float(np.mean(white)),
        float(np.mean(_is_skin(overview.lightness, a, b, chroma))),
        _spread(a, b, chroma),
    )


def output_of(overview: Overview, conversion: Conversion) -> OutputFigures:
    """Measure what a conversion does, on a sample of the picture."""
    step = ceil(sqrt(overview.pixels / SAMPLE_PIXELS))
    every = (slice(step // 2, None, step), slice(step // 2, None, step))
    planes = [plane[every].ravel() for plane in (overview.lightness, overview.a, overview.b)]
    before = np.stack(planes, axis=-1).astype(np.float64)
    chroma = np.hypot(before[:, 1], before[:, 2])
    if conversion.is_nothing:
        after, lost = before, 0.0
    else:
        codes = np.ascontiguousarray(overview.codes[:, *every].reshape(len(overview.codes), -1).T)
        after = _meant(conversion.exact(codes), conversion.output)
        lost = _lost(before, conversion.output)
    skin = _is_skin(before[:, 0], before[:, 1], before[:, 2], chroma)
    shift = float(delta_e_2000(before[skin], after[skin]).mean()) if skin.any() else None
    return OutputFigures(
        lost,
        shift,
        float(np.hypot(after[:, 1], after[:, 2]).mean()),
        _turned(before, after),
    )


def _is_skin(lightness: Plane, a: Plane, b: Plane, chroma: Plane) -> Mask:
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


def _turned(before: Doubles, after: Doubles) -> float | None:
    one, other = before[:, 1:].mean(axis=0), after[:, 1:].mean(axis=0)
    if min(np.hypot(*one), np.hypot(*other)) < _SOME_CAST:
        return None
    turn = degrees(np.arctan2(one[1], one[0]) - np.arctan2(other[1], other[0]))
    return abs((turn + 180) % 360 - 180)


def _lost(lab: Doubles, output: Profile) -> float:
    """Share of colours that do not come back from the output within 5, whatever its black."""
    black = _there_and_back(np.zeros((1, 3)), output)[0, 0]
    wanted = _over_black(lab, max(float(black), 0.0))
    return float(np.mean(delta_e_2000(wanted, _there_and_back(wanted, output)) > _LOST))


def _there_and_back(lab: Doubles, output: Profile) -> Doubles:
    device: NDArray[np.uint16] = imagecodecs.cms_transform(
        np.ascontiguousarray(lab)[np.newaxis],
        LAB_PROFILE,
        output.data,
        colorspace="lab",
        outcolorspace="rgb",
        outdtype="u2",
        intent=_RELATIVE,
        flags=UNTABLED,
    )[0]
    return _meant(device, output)


def _meant(device: NDArray[np.uint16], output: Profile) -> Doubles:
    """Relative L*a*b* of device values, shape (n, 3)."""
    lab: Doubles = transform(
        device, output, LAB_PROFILE, to="lab", dtype="f8", intent="relative", flags=UNTABLED
    )
    return lab


def _over_black(lab: Doubles, black_l: float) -> Doubles:
    """Scale colours so that black becomes that of the output (ISO 18619, neutral form)."""
    y = (lab[:, 0] + 16) / 116
    curved = np.stack([y + lab[:, 1] / 500, y, y - lab[:, 2] / 200])
    black = _light(np.array((black_l + 16) / 116))
    light = black + _light(curved) * (1 - black)
    x, y, z = np.where(light > 216 / 24389, np.cbrt(light), light * 24389 / 3132 + 16 / 116)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def _light(curved: Doubles) -> Doubles:
    return np.where(curved > 6 / 29, curved**3, (curved - 16 / 116) * (108 / 841))
