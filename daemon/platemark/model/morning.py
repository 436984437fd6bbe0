"""The morning digest: how it is set up, and what one says."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal
from typing import Literal

Way = Literal["mail", "channels"]
Part = Literal[
    "to-do", "wrong", "held", "taken", "sent", "waits", "answered", "reminders"
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mail:
    """The server that takes the studio's mail, and to whom it goes."""

    host: str
    port: int
    security: Literal["tls", "starttls", "none"]
    sender: str
    to: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Morning:
    """What `[morning]` says."""

    at: time = time(7, 0)
    """Time of day in the studio's time zone."""
    keep_days: int = 60
    """Days that past digests stay in `mornings/`; 0 is for ever."""
    send: tuple[Way, ...] = ()
    credentials: str = ""
    """The file with passwords; empty where there is none."""
    mail: Mail | None = None
    sample_days: int = 365
    """Age of a surface's sample at which a fresh one is asked for; 0 is never."""
    tests_days: int = 60
    """Days after its delivery that a test print is reminded of; 0 is never."""


@dataclass(frozen=True, slots=True)
class Display:
    """What `[display]` says of the screen on which pictures are judged."""

    calibrated: date
    white: str
    """In the studio's words, such as D65."""
    luminance: Decimal
    """Of white, in candela per square metre."""
    limit_days: int = 30
    """Age of a calibration at which another is asked for; 0 is never."""


@dataclass(frozen=True, slots=True)
class DigestLine:
    """One thing that a digest says."""

    text: str
    """One sentence, or what a list needs."""
    next: str = ""
    """What to do next; empty where there is nothing."""
    job: int | None = None
    private: str = ""
    """Personal words that belong to it, such as an order's name; beside the chain alone."""


@dataclass(frozen=True, slots=True)
class DigestPart:
    """What a digest says under one heading."""

    part: Part
    title: str
    lines: tuple[DigestLine, ...]
    more: int = 0
    """Lines that were left out."""
    none: str = ""
    """What stands there where there are no lines; empty where the part is left out."""


@dataclass(frozen=True, slots=True)
class Digest:
    """What is said on one morning."""

    studio: str
    day: date
    """The local date that it is for."""
    made: str
    """Local date and time of its making."""
    since: str
    """Local date and time of the one before it; empty where it is the first."""
    late: bool
    missed: int
    """Dates before it that had none."""
    headline: str
    parts: tuple[DigestPart, ...]
    upto: int
    """The newest entry that it speaks of."""
    next_due: str
    """Local date and time at which the next one is due."""

    def lines(self, part: Part) -> tuple[DigestLine, ...]:
        """What stands under one heading."""
        return next((each.lines for each in self.parts if each.part == part), ())
