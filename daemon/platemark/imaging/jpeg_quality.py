"""Estimate how coarsely a JPEG was rounded, on the scale that most programs use.

ITU-T T.81 gives two example tables (annex K.1) and no scale; the library of the Independent JPEG
Group scales them by a quality from 1 to 100 (`jpeg_quality_scaling` in its jcparam.c), and its
scale is what people mean by a JPEG's quality (common practice).
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

_LIGHTNESS: Final = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
"""ITU-T T.81, table K.1."""

_COLOUR: Final = (
    (17, 18, 24, 47, 99, 99, 99, 99),
    (18, 21, 26, 66, 99, 99, 99, 99),
    (24, 26, 56, 99, 99, 99, 99, 99),
    (47, 66, 99, 99, 99, 99, 99, 99),
    *((99,) * 8,) * 4,
)
"""ITU-T T.81, table K.2."""


def estimate_quality(numbers: Sequence[int], tables: Mapping[int, Sequence[int]]) -> int | None:
    """Estimate the quality, 1 to 100.

    Args:
        numbers: Quantisation table of each channel; those that share the first channel's count
            as lightness, others as colour.
        tables: 64 divisors each, in zigzag order, by number.

    Returns:
        The quality whose tables are nearest, which is that quality where they are the same; None
        where a table is missing.
    """
    if not numbers or any(number not in tables for number in numbers):
        return None

    def distance(quality: int) -> int:
        return sum(
            abs(one - other)
            for number in set(numbers)
            for one, other in zip(
                tables[number], _scaled(quality, number != numbers[0]), strict=True
            )
        )

    return min(range(100, 0, -1), key=distance)


def quarters_colour(sampling: Sequence[tuple[int, int]]) -> bool:
    """Tell whether one value of colour stands for four pixels or more, as in 4:2:0 and 4:1:1.

    Args:
        sampling: How finely each channel is held, across and down; lightness first.
    """
    if len(sampling) < 3 or not all(across and down for across, down in sampling):
        return False
    across, down = sampling[0]
    return any(across * down >= 4 * h * v for h, v in sampling[1:3])


@functools.cache
def _scaled(quality: int, is_colour: bool) -> tuple[int, ...]:
    """Return a table as the IJG library scales it, in zigzag order."""
    percent = 5000 // quality if quality < 50 else 200 - 2 * quality
    table = _COLOUR if is_colour else _LIGHTNESS
    return tuple(
        min(max((table[row][column] * percent + 50) // 100, 1), 255) for row, column in _zigzag()
    )


def _zigzag() -> Iterable[tuple[int, int]]:
    """Rows and columns in the order of T.81, figure A.6."""
    places = [(row, column) for row in range(8) for column in range(8)]
    return sorted(places, key=lambda at: (sum(at), at[0] if sum(at) % 2 else at[1]))
