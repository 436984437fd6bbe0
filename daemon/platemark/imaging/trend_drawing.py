"""How a product's strips went over time, on one sheet: colours above, black below.

Each reading stands at the same distance from the next, under its day and its job; a gap of months
would squeeze what lies close. What is within, near and beyond its limits is told by the mark's
shape, and which figure it is by the line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby

from platemark.imaging.chart_sheet import (
    BLUE,
    FAINT,
    INK,
    SMALL,
    VERMILLION,
    Panel,
    Sheet,
    Style,
    rule_up,
)
from platemark.imaging.letters import in_letters
from platemark.model.strip_report import Level, Limit
from platemark.model.work import TrendPoint, TrendReport, TrendTask

WIDTH, HEIGHT = 2340, 1460
MOST_POINTS = 40
"""The newest that are drawn."""

_LEFT, _WIDE = 150, 1900
_UPPER, _LOWER = (250, 560), (870, 330)
_MEAN = Style(BLUE, 4.5)
_P95 = Style(VERMILLION, 4, (18, 10))
_BLACK = Style(INK, 4.5)
_CAUTION, _STOP = Style(FAINT, 2.5, (6, 8)), Style(FAINT, 3.5)
_MARK = 13.0
_VERDICTS: dict[Level, str] = {"within": "", "caution": "near a limit", "beyond": "beyond"}
"""Of a reading as a whole: figures that are not drawn here count as well."""


@dataclass(frozen=True, slots=True)
class _Series:
    """One figure of each reading; None where it has none."""

    values: tuple[float | None, ...]
    style: Style
    limit: Limit

    def level(self, value: float) -> Level:
        """Where a value stands by this figure's own limits."""
        if value > float(self.limit.stop):
            return "beyond"
        return "caution" if value > float(self.limit.caution) else "within"


def draw_trend(task: TrendTask) -> TrendReport:
    """Draw a trend.

    Raises:
        OSError: the drawing cannot be written.
    """
    points = task.points[-MOST_POINTS:]
    sheet = Sheet(WIDTH, HEIGHT)
    _write_head(sheet, task.heading, len(points), len(task.points))
    mean = _Series(tuple(_number(point.mean) for point in points), _MEAN, task.mean)
    p95 = _Series(tuple(_number(point.p95) for point in points), _P95, task.p95)
    black = _Series(tuple(_number(point.black_l) for point in points), _BLACK, task.black)
    top = max(float(task.p95.stop) + 1, *_there(mean, 0), *_there(p95, 0)) * 1.08
    upper = Panel(_LEFT, _UPPER[0], _WIDE, _UPPER[1], _across(points), (0, top))
    rule_up(sheet, upper, _step(top))
    for limit, name in ((task.mean, "mean"), (task.p95, "95 of 100")):
        _limits(sheet, upper, limit, name)
    least = min(-2.0, *_there(black, 0)) * 1.08
    most = max(float(task.black.stop) + 1, *_there(black, 0)) * 1.08
    lower = Panel(_LEFT, _LOWER[0], _WIDE, _LOWER[1], _across(points), (least, most))
    rule_up(sheet, lower, _step(most - least))
    _limits(sheet, lower, task.black, "")
    for panel, series in ((upper, p95), (upper, mean), (lower, black)):
        _draw(sheet, panel, series, points)
    _name(sheet, upper, lower, points)
    sheet.save(task.drawing)
    return TrendReport(WIDTH, HEIGHT)


def _write_head(sheet: Sheet, heading: str, shown: int, there: int) -> None:
    sheet.text((_LEFT - 70, 84), in_letters(heading)[:90], size=42)
    more = f"; the newest {shown} of {there} readings" if there > shown else ""
    sheet.text(
        (_LEFT - 70, 128),
        "Returned patch strips against their reference; the first against what the profile "
        f"predicts{more}. Yardsticks of the studio, no claim of conformity to a standard.",
        size=SMALL, colour=FAINT,
    )  # fmt: skip
    at = _LEFT - 70.0
    for style, words in ((_MEAN, "all colours, mean"), (_P95, "95 of 100 colours keep to")):
        sheet.line([(at, 184), (at + 80, 184)], style)
        at += 94
        at += sheet.text((at, 192), words, size=SMALL) + 50
    levels: tuple[tuple[Level, str], ...] = (
        ("within", "within"), ("caution", "near a limit"), ("beyond", "beyond it"),
    )  # fmt: skip
    for level, words in levels:
        _mark(sheet, (at + _MARK, 184), level, INK)
        at += 2 * _MARK + 14
        at += sheet.text((at, 192), words, size=SMALL) + 50
    sheet.text((at, 192), "R: the reference from there on", size=SMALL)


def _draw(sheet: Sheet, panel: Panel, series: _Series, points: Sequence[TrendPoint]) -> None:
    """Draw a figure's line and marks; readings against different things are not joined."""
    for run in _runs(series, points):
        places = [panel.at(at, value) for at, value in run]
        if len(places) > 1:
            sheet.line(places, series.style)
    for at, value in enumerate(series.values):
        if value is not None:
            _mark(sheet, panel.at(at, value), series.level(value), series.style.colour)


def _runs(series: _Series, points: Sequence[TrendPoint]) -> Iterator[list[tuple[float, float]]]:
    run = 0
    numbered = []
    for at, (value, point) in enumerate(zip(series.values, points, strict=True)):
        if point.is_reference:
            run += 1
        if value is not None:
            numbered.append(((run, point.against), (float(at), value)))
    for _, group in groupby(numbered, key=lambda pair: pair[0]):
        yield [place for _, place in group]


def _mark(
    sheet: Sheet, at: tuple[float, float], level: Level, colour: tuple[int, int, int]
) -> None:
    """A disc within the limits, a hollow square near one, a large cross in a triangle beyond."""
    x, y = at
    if level == "within":
        sheet.disc(at, _MARK * 0.75, colour)
        return
    size = _MARK if level == "caution" else _MARK * 1.5
    corners = [
        (x - size, y + size),
        (x + size, y + size),
        (x + size, y - size),
        (x - size, y - size),
    ]
    if level == "beyond":
        corners = [(x - size, y + size * 0.8), (x + size, y + size * 0.8), (x, y - size)]
    sheet.shade(corners, (255, 255, 255) if level == "caution" else colour)
    sheet.line([*corners, corners[0]], Style(colour, 4))


def _limits(sheet: Sheet, panel: Panel, limit: Limit, name: str) -> None:
    for value, style, word in (
        (limit.caution, _CAUTION, "told"), (limit.stop, _STOP, "held"),
    ):  # fmt: skip
        left, y = panel.at(panel.across[0], float(value))
        right = panel.left + panel.width
        sheet.line([(left, y), (right, y)], style)
        words = f"{name} over {value}: {word}".strip()
        sheet.text((right + 12, y), words, size=SMALL, anchor="lm")


def _name(sheet: Sheet, upper: Panel, lower: Panel, points: Sequence[TrendPoint]) -> None:
    every = max(1, -(-len(points) // 14))
    bottom = lower.top + lower.height
    for at, point in enumerate(points):
        x, _ = lower.at(at, lower.up[0])
        if point.is_reference:
            sheet.line([(x, upper.top), (x, upper.top + upper.height)], Style(FAINT, 1.5, (3, 9)))
            sheet.text((x, upper.top - 12), "R", size=SMALL, anchor="ms")
        if at % every == 0:
            sheet.text((x, bottom + 34), point.day, size=20, anchor="ms")
            sheet.text((x, bottom + 62), f"job {point.job:06d}", size=20, anchor="ms")
            sheet.text((x, bottom + 90), _VERDICTS[point.level], size=20, anchor="ms")
    sheet.text((_LEFT - 70, HEIGHT - 40), "dE00 is CIEDE2000. A reading of the reference itself "
               "stands at 0.", size=20, colour=FAINT)  # fmt: skip
    sheet.upright((_LEFT - 92, upper.top + upper.height / 2), "difference, dE00")
    sheet.upright((_LEFT - 92, lower.top + lower.height / 2), "black lighter by, L*")


def _across(points: Sequence[TrendPoint]) -> tuple[float, float]:
    return -0.6, max(len(points) - 1, 1) + 0.6


def _number(text: str) -> float | None:
    return float(text) if text else None


def _there(series: _Series, other: float) -> list[float]:
    return [value for value in series.values if value is not None] or [other]


def _step(reach: float) -> float:
    return next((step for step in (0.5, 1, 2, 5, 10, 20) if reach / step <= 10), 50)
