"""Times of day on some days of the week, and the windows between two of them; local, and pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time

EVERY_DAY = (0, 1, 2, 3, 4, 5, 6)
"""Monday is 0, as `date.weekday` has it."""
DAY_NAMES = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True, slots=True, order=True)
class DayTime:
    """A time of day on some days of the week, in the studio's time zone."""

    at: time
    days: tuple[int, ...] = EVERY_DAY

    def is_on(self, day: date) -> bool:
        """Whether it comes on a date."""
        return day.weekday() in self.days

    def __str__(self) -> str:
        return f"{_days(self.days)}{self.at:%H:%M}"


@dataclass(frozen=True, slots=True, order=True)
class Window:
    """Hours of a day, or of a night, that begin on some days of the week."""

    begins: time
    ends: time
    """On the next date where it is not later than `begins`."""
    days: tuple[int, ...] = EVERY_DAY

    def begins_on(self, day: date) -> bool:
        """Whether it begins on a date."""
        return day.weekday() in self.days

    def __str__(self) -> str:
        ends = "24:00" if self.ends == time(0) else f"{self.ends:%H:%M}"
        return f"{_days(self.days)}{self.begins:%H:%M}–{ends}"


def _days(days: tuple[int, ...]) -> str:
    """Days as people write them, with a space behind; empty for every day."""
    if days == EVERY_DAY:
        return ""
    if len(days) > 2 and days == tuple(range(days[0], days[-1] + 1)):
        return f"{DAY_NAMES[days[0]][:3]}–{DAY_NAMES[days[-1]][:3]} "
    return ", ".join(DAY_NAMES[day][:3] for day in days) + " "
