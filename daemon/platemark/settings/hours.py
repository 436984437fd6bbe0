"""How times of day with days of the week are read: `06:15`, `Mon-Fri 06:15`, `Sat 22:00-06:00`."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime, time
from typing import Annotated

from pydantic import Field, PlainValidator, WithJsonSchema

from platemark.model.hours import DAY_NAMES, EVERY_DAY, DayTime, Window
from platemark.settings.values import Problem, Section, mistaken, nearest, quoted

ALWAYS = "always"
_HYPHENS = str.maketrans("–—‐‑", "----")
_PARTS = re.compile(r"(?P<days>[^\W\d_][^\d]*)?(?P<times>\d.*)")
_DAY = "[A-Za-z]{3,9}"
_DAYS = rf"({_DAY}\s*[-–,]?\s*)*"
_CLOCK = "([01]?[0-9]|2[0-3]):[0-5]?[0-9]"
_WINDOW = rf"^\s*{_DAYS}{_CLOCK}\s*[-–]\s*({_CLOCK}|24:00)\s*$"
_LIKE_TIME = 'Write it like "06:15". Days may stand before it: "Mon-Fri 06:15", "Tue, Thu 13:00".'
_LIKE_WINDOW = (
    'Write it like "22:00-06:00", or "always". Days on which it begins may stand before it: '
    '"Mon-Fri 22:00-06:00".'
)


def read_day_time(value: object) -> DayTime:
    """A time of day, perhaps with days of the week before it; TOML's own times are taken too."""
    if isinstance(value, time) and value.tzinfo is None:
        return DayTime(value)
    wrong = Problem(f"{quoted(value)} is not a time of day", _LIKE_TIME)
    days, clock = _split(value, wrong)
    return DayTime(_clock(clock, wrong), days)


def read_window(value: object) -> Window:
    """Hours between two times of day, perhaps with the days of the week on which they begin."""
    wrong = Problem(f"{quoted(value)} is not a window of hours", _LIKE_WINDOW)
    days, clocks = _split(value, wrong)
    begins, hyphen, ends = clocks.partition("-")
    if not hyphen:
        raise mistaken(wrong)
    whole = ends.strip() == "24:00"
    window = Window(_clock(begins, wrong), time(0) if whole else _clock(ends, wrong), days)
    if window.begins == window.ends and not whole:
        raise mistaken(
            Problem(
                f"{quoted(value)} ends when it begins",
                'Write "always" where no hours are meant, or "00:00-24:00" for a whole day.',
            )
        )
    return window


def merged(times: Iterable[DayTime]) -> tuple[DayTime, ...]:
    """Times of day in their order, each once, with all the days on which it comes."""
    days: dict[time, set[int]] = {}
    for each in times:
        days.setdefault(each.at, set()).update(each.days)
    return tuple(DayTime(at, tuple(sorted(days[at]))) for at in sorted(days))


def _split(value: object, wrong: Problem) -> tuple[tuple[int, ...], str]:
    text = value.strip().translate(_HYPHENS) if isinstance(value, str) else ""
    parts = _PARTS.fullmatch(text)
    if parts is None:
        raise mistaken(wrong)
    return _weekdays(parts["days"] or "", value), parts["times"]


def _clock(text: str, wrong: Problem) -> time:
    try:
        return datetime.strptime(text.strip(), "%H:%M").time()
    except ValueError as error:
        raise mistaken(wrong) from error


def _weekdays(text: str, value: object) -> tuple[int, ...]:
    """Days of the week as numbers; every day where none is named."""
    found: set[int] = set()
    for part in re.sub(r"\s*-\s*", "-", text).replace(",", " ").split():
        first, hyphen, last = part.partition("-")
        begin, end = _weekday(first, value), _weekday(last or first, value)
        if hyphen and not last:
            raise mistaken(Problem(f"{quoted(value)} names no last day", _LIKE_TIME))
        found.update(day % 7 for day in range(begin, end + (7 if end < begin else 0) + 1))
    return tuple(sorted(found)) or EVERY_DAY


def _weekday(word: str, value: object) -> int:
    begins = [day for day, name in enumerate(DAY_NAMES) if name.casefold().startswith(
        word.casefold())]  # fmt: skip
    if len(word) >= 3 and len(begins) == 1:
        return begins[0]
    near = nearest(word, DAY_NAMES)
    raise mistaken(
        Problem(
            f"{quoted(word)} in {quoted(value)} is no day of the week",
            f"Is “{near[:3]}” meant?" if near else "Write Mon, Tue, Wed, Thu, Fri, Sat or Sun.",
        )
    )


def _windows(value: object) -> tuple[Window, ...]:
    if value == ALWAYS:
        return ()
    if not isinstance(value, list):
        return (read_window(value),)
    if not value:
        raise mistaken(Problem("no hours are named", _LIKE_WINDOW))
    return tuple(sorted({read_window(each) for each in value}))


DayTimeText = Annotated[
    DayTime,
    PlainValidator(read_day_time),
    WithJsonSchema({"type": "string", "pattern": rf"^\s*{_DAYS}{_CLOCK}(:00)?\s*$"}),
]
_WINDOW_SCHEMA = {"type": "string", "pattern": _WINDOW}


class PrepareSection(Section):
    """The hours in which print files are made."""

    window: Annotated[
        tuple[Window, ...],
        PlainValidator(_windows),
        WithJsonSchema(
            {
                "anyOf": [
                    {"const": ALWAYS},
                    _WINDOW_SCHEMA,
                    {"type": "array", "items": _WINDOW_SCHEMA, "minItems": 1},
                ]
            }
        ),
    ] = Field(
        default=(),
        description=(
            "always, or the hours in which print files are made, in the studio's time zone; "
            "several in a list. Pictures are taken and checked at any hour, and what would be too "
            "late otherwise does not wait."
        ),
        examples=["22:00-06:00"],
    )
