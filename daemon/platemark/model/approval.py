"""What a photographer approves of a test, as it is on record."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class AsPrinted:
    """All that decides how a picture looks in print, but for its size; words and hashes."""

    lab: str
    surface: str
    profile_sha256: str
    """Of the lab's profile; empty where the lab converts."""
    profile: str
    """Its description, or the working spaces that the lab takes."""
    intent: str
    black_point_compensation: bool
    sharpening: str
    """`none`, or its radius on the print, amount and limits."""
    adjust: str | None
    """As it is typed; None for none."""


@dataclass(frozen=True, slots=True)
class Approval:
    """An approval that stands, as a final print is held against it."""

    test: int
    """The test's first job."""
    by: str
    on: date
    original_sha256: str
    same_picture: bool
    """Whether the bytes that were tested are those of the final; else only the name is."""
    printed: AsPrinted


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing in which a final is not what was approved; words for people."""

    what: str
    approved: str
    now: str
