"""The dates that labs stated for their profiles, and which of them are near; pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from platemark.model.studio import Settings

THRESHOLDS = (30, 7, 1)
"""Days before a profile's last at which people are reminded (our own choice)."""


@dataclass(frozen=True, slots=True)
class StatedDate:
    """Until when a lab stated one of its profiles."""

    lab: str
    lab_name: str
    file: str
    """Name in `profiles/`."""
    valid_until: date
    """Its last day."""
    surfaces: tuple[str, ...]
    """Where it is used."""


@dataclass(frozen=True, slots=True)
class NearProfile:
    """A profile whose date is near, or past."""

    stated: StatedDate
    days_left: int
    """0 on its last day, negative after it."""

    @property
    def threshold(self) -> int | None:
        """The reminder that its date calls for: 30, 7 or 1; None once it is past."""
        if self.days_left < 0:
            return None
        return min(each for each in THRESHOLDS if self.days_left <= each)

    @property
    def sentence(self) -> str:
        """What is to be told of it."""
        last = self.stated.valid_until
        when = f"{last.day} {last:%B %Y}"
        if self.days_left < 0:
            return f"{self.stated.lab_name} called it good until {when}, which is past."
        left = {0: "today is its last day", 1: "tomorrow is its last day"}
        days = left.get(self.days_left, f"{self.days_left} days are left")
        return f"{self.stated.lab_name} calls it good until {when}: {days}."

    @property
    def next(self) -> str:
        """What to do about it."""
        held = "Prints on {} are held {}."
        on = " and ".join(self.stated.surfaces)
        since = "until it is replaced" if self.days_left < 0 else "after that day"
        return (
            "Ask the lab for its current profile, add it with `platemark profiles add`, and write "
            f"its date into labs/{self.stated.lab}.toml. {held.format(on, since)}"
        )


def stated_dates(settings: Settings) -> tuple[StatedDate, ...]:
    """Every date that a lab stated for a profile, by lab, file and date."""
    found: dict[tuple[str, str, date], list[str]] = {}
    names = {lab.id: lab.name for lab in settings.labs}
    for lab in settings.labs:
        for product in lab.products:
            use = product.profile
            if use is not None and use.valid_until is not None:
                found.setdefault((lab.id, use.file, use.valid_until), []).append(product.surface)
    return tuple(
        StatedDate(lab, names[lab], file, until, tuple(surfaces))
        for (lab, file, until), surfaces in sorted(found.items())
    )


def near_profiles(settings: Settings, today: date) -> tuple[NearProfile, ...]:
    """Every profile whose date is at most thirty days ahead, or past, the nearest first."""
    near = (NearProfile(each, (each.valid_until - today).days) for each in stated_dates(settings))
    return tuple(sorted((n for n in near if n.days_left <= max(THRESHOLDS)), key=_days_left))


def _days_left(near: NearProfile) -> int:
    return near.days_left
