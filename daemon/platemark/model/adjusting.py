"""A tonal adjustment: a few numbers that a photographer settles for a picture on a surface.

It is worked on CIE L*a*b* (ISO/CIE 11664-4), relative to D50 and to the source's own white: first
lightness by a curve, then chroma by a factor, then a shift of a* and b* that fades to nothing
towards white and black, so that bare paper and full black stay what they are.

Numbers are exact, so that the same words give the same plan.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Final

from platemark.model.units import shown

Point = tuple[Fraction, Fraction]
"""L* before and after."""

NONE: Final = "none"
"""Undoes an adjustment."""
EXAMPLE: Final = "lightness 20:26 50:53, chroma 1.05, a -0.5, b 1"

LARGEST_STEP: Final = 30
"""L* that no tone may be moved by more."""
LEAST_CHROMA, MOST_CHROMA = Fraction(1, 2), Fraction(3, 2)
LARGEST_SHIFT: Final = 10
"""Of a* and of b*."""
MOST_POINTS: Final = 16
_PARTS: Final = ("lightness", "chroma", "a", "b")
_BLACK, _WHITE = Fraction(0), Fraction(100)
_NUMBER = re.compile(r"[+-]?[0-9]{1,3}(\.[0-9]{1,3})?")
_LOOKED_AT: Final = 400
"""Places at which a curve is held against the largest step, besides its points."""


class BadAdjustment(ValueError):
    """Words that are no adjustment; the text says which and how to write them."""


@dataclass(frozen=True, slots=True)
class Adjustment:
    """How a picture's tones and colours are changed before it is printed."""

    lightness: tuple[Point, ...] = ()
    """Points of the curve by rising L*; 0:0 and 100:100 are meant where they are not given."""
    chroma: Fraction = Fraction(1)
    """By which a* and b* are multiplied."""
    shift_a: Fraction = Fraction(0)
    """Added to a*, in full from 15 to 85 L*."""
    shift_b: Fraction = Fraction(0)

    @property
    def is_nothing(self) -> bool:
        """Whether it leaves every colour as it is."""
        return not self.moves_lightness and not self.needs_colour

    @property
    def moves_lightness(self) -> bool:
        """Whether its curve is more than a straight line."""
        return any(before != after for before, after in self.lightness)

    @property
    def needs_colour(self) -> bool:
        """Whether it asks for what a picture of one channel cannot show."""
        return self.chroma != 1 or bool(self.shift_a or self.shift_b)

    def __str__(self) -> str:
        """Words that can be typed and read again."""
        said = []
        if self.lightness:
            points = " ".join(f"{_typed(x)}:{_typed(y)}" for x, y in self.lightness)
            said.append(f"lightness {points}")
        if self.chroma != 1:
            said.append(f"chroma {_typed(self.chroma)}")
        said += [
            f"{axis} {_typed(shift)}"
            for axis, shift in (("a", self.shift_a), ("b", self.shift_b))
            if shift
        ]
        return ", ".join(said) or NONE

    @property
    def words(self) -> str:
        """The same for people, to stand in a sentence."""
        said = []
        if self.lightness:
            moved = [f"{_typed(x)} to {_typed(y)}" for x, y in self.lightness]
            said.append(f"lightness L* {_listed(moved)}")
        if self.chroma != 1:
            said.append(f"chroma × {_typed(self.chroma)}")
        shifts = [
            f"{_signed(shift)} {axis}*"
            for axis, shift in (("a", self.shift_a), ("b", self.shift_b))
            if shift
        ]
        if shifts:
            said.append(f"colour balance {_listed(shifts)}")
        return ", ".join(said) or "no adjustment"


@dataclass(frozen=True, slots=True)
class Curve:
    """A monotone curve through points: piecewise cubic, with a slope at each."""

    before: tuple[float, ...]
    after: tuple[float, ...]
    slopes: tuple[float, ...]

    def at(self, value: float) -> float:
        """What becomes of an L*; beyond the ends, as at the ends."""
        value = min(max(value, self.before[0]), self.before[-1])
        left = min(max(bisect_right(self.before, value) - 1, 0), len(self.before) - 2)
        width = self.before[left + 1] - self.before[left]
        t = (value - self.before[left]) / width
        # Cubic Hermite polynomials; rounding leaves no piece's range.
        made = (
            (1 + 2 * t) * (1 - t) ** 2 * self.after[left]
            + t * (1 - t) ** 2 * width * self.slopes[left]
            + t * t * (3 - 2 * t) * self.after[left + 1]
            + t * t * (t - 1) * width * self.slopes[left + 1]
        )
        return min(max(made, self.after[left]), self.after[left + 1])


def curve_of(adjustment: Adjustment) -> Curve:
    """The lightness curve of an adjustment.

    Slopes are such that no piece leaves the range of its two points: F. N. Fritsch, R. E. Carlson,
    “Monotone Piecewise Cubic Interpolation”, SIAM J. Numer. Anal. 17 (1980), with the weighted
    harmonic means of F. N. Fritsch, J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984).
    """
    points = _with_ends(adjustment.lightness)
    x, y = (tuple(float(point[at]) for point in points) for at in (0, 1))
    widths = [right - left for left, right in pairwise(x)]
    rises = [
        (after - before) / width for (before, after), width in zip(pairwise(y), widths, strict=True)
    ]
    if len(rises) == 1:
        return Curve(x, y, (rises[0], rises[0]))
    inner = [
        _mean_slope(widths[at], widths[at + 1], rises[at], rises[at + 1])
        for at in range(len(rises) - 1)
    ]
    first = _end_slope(widths[0], widths[1], rises[0], rises[1])
    last = _end_slope(widths[-1], widths[-2], rises[-1], rises[-2])
    return Curve(x, y, (first, *inner, last))


def parse_adjustment(text: str) -> Adjustment | None:
    """Read an adjustment as people type it; None for `none`.

    Raises:
        BadAdjustment: it cannot be read, goes beyond a bound, or would change nothing.
    """
    if text.strip().lower() == NONE:
        return None
    read: dict[str, tuple[Point, ...] | Fraction] = {}
    for part in re.split(r"[,;]", text.replace("\N{MINUS SIGN}", "-")):
        word, _, rest = part.strip().partition(" ")
        name = word.lower().removesuffix("*") if len(word) == 2 else word.lower()
        if name not in _PARTS:
            raise BadAdjustment(
                f"“{part.strip()}” is no part of an adjustment: write it like “{EXAMPLE}”, with "
                "points in numbers and commas between the parts"
            )
        if name in read:
            raise BadAdjustment(f"{name} is said twice; say it once")
        read[name] = _points(rest) if name == "lightness" else _number(rest.strip(), name)
    made = Adjustment(
        lightness=_as_points(read.get("lightness", ())),
        chroma=_as_number(read.get("chroma", Fraction(1))),
        shift_a=_as_number(read.get("a", Fraction(0))),
        shift_b=_as_number(read.get("b", Fraction(0))),
    )
    _refuse_beyond(made)
    if made.is_nothing:
        raise BadAdjustment(f"“{text.strip()}” changes nothing; to undo an adjustment say “{NONE}”")
    return made


def adjustment_of(text: str | None) -> Adjustment | None:
    """An adjustment from the record, where it was written by `str`; None for none."""
    return None if text is None else parse_adjustment(text)


def _points(text: str) -> tuple[Point, ...]:
    points: list[Point] = []
    for word in text.split():
        before, colon, after = word.partition(":")
        if word.lower().removesuffix("*") in _PARTS:
            raise BadAdjustment(f"put a comma before “{word}”, as between any two parts")
        if not colon:
            raise BadAdjustment(
                f"“{word}” is no point of the lightness curve; write L* before and after, like "
                "20:26"
            )
        points.append((_number(before, "lightness"), _number(after, "lightness")))
    if not points:
        raise BadAdjustment("lightness needs at least one point, like “lightness 50:53”")
    if len(points) > MOST_POINTS:
        raise BadAdjustment(f"a lightness curve has at most {MOST_POINTS} points")
    for point in points:
        if not all(_BLACK <= value <= _WHITE for value in point):
            raise BadAdjustment(f"{_pair(point)}: L* goes from 0 (black) to 100 (white)")
    for left, right in pairwise(points):
        if right[0] <= left[0]:
            raise BadAdjustment(
                f"{_pair(left)} and {_pair(right)}: write the points from dark to light, each L* "
                "once"
            )
        if right[1] < left[1]:
            raise BadAdjustment(
                f"{_pair(left)} and {_pair(right)}: what was lighter would come out darker"
            )
    # They are meant anyway, so two ways to write one curve are the same.
    return tuple(point for point in points if point not in ((_BLACK, _BLACK), (_WHITE, _WHITE)))


def _number(text: str, name: str) -> Fraction:
    if not _NUMBER.fullmatch(text):
        raise BadAdjustment(
            f"“{text}” after {name} is no number; write it like 20 or -0.5, with at most three "
            "decimals"
        )
    return Fraction(text)


def _as_points(value: tuple[Point, ...] | Fraction) -> tuple[Point, ...]:
    return value if isinstance(value, tuple) else ()


def _as_number(value: tuple[Point, ...] | Fraction) -> Fraction:
    return value if isinstance(value, Fraction) else Fraction(0)


def _refuse_beyond(made: Adjustment) -> None:
    if not LEAST_CHROMA <= made.chroma <= MOST_CHROMA:
        raise BadAdjustment(
            f"chroma {_typed(made.chroma)} is beyond what is a correction: "
            f"{_typed(LEAST_CHROMA)} to {_typed(MOST_CHROMA)}"
        )
    for axis, shift in (("a", made.shift_a), ("b", made.shift_b)):
        if abs(shift) > LARGEST_SHIFT:
            raise BadAdjustment(
                f"{axis} {_typed(shift)} is beyond what is a correction: -{LARGEST_SHIFT} to "
                f"{LARGEST_SHIFT}"
            )
    points = _with_ends(made.lightness)
    for left, right in pairwise(points):
        if right[1] < left[1]:
            raise BadAdjustment(
                f"{_pair(left)} and {_pair(right)}: what was lighter would come out darker"
            )
    largest = max(abs(after - before) for before, after in points)
    curve = curve_of(made)
    between = (100 * at / _LOOKED_AT for at in range(_LOOKED_AT + 1))
    bulge = max(abs(curve.at(value) - value) for value in between)
    if largest > LARGEST_STEP or bulge > LARGEST_STEP + 1e-9:
        raise BadAdjustment(
            f"the lightness curve moves a tone by {shown(max(largest, Fraction(bulge)))} L*; more "
            f"than {LARGEST_STEP} is another picture: change it in your editor and drop it again"
        )


def _with_ends(points: tuple[Point, ...]) -> tuple[Point, ...]:
    first = () if points and points[0][0] == _BLACK else ((_BLACK, _BLACK),)
    last = () if points and points[-1][0] == _WHITE else ((_WHITE, _WHITE),)
    return (*first, *points, *last)


def _mean_slope(left_width: float, right_width: float, left: float, right: float) -> float:
    """Slope at a point between two pieces that rise by `left` and `right`."""
    if left <= 0 or right <= 0:
        return 0.0
    near, far = 2 * right_width + left_width, right_width + 2 * left_width
    return (near + far) / (near / left + far / right)


def _end_slope(width: float, next_width: float, rise: float, next_rise: float) -> float:
    """Slope at the end of a curve by its two outermost pieces, kept monotone; none falls."""
    slope = ((2 * width + next_width) * rise - width * next_rise) / (width + next_width)
    return max(slope, 0.0)


def _typed(value: Fraction) -> str:
    return shown(value, 3)


def _signed(value: Fraction) -> str:
    sign = "+" if value > 0 else "\N{MINUS SIGN}"
    return f"{sign}{_typed(abs(value))}"


def _pair(point: Point) -> str:
    return f"{_typed(point[0])}:{_typed(point[1])}"


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
