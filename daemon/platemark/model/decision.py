"""A person's answer on its way to the service: one file in `decisions/`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Decision:
    """Who decided what about which job, and what they had seen of it."""

    id: str
    kind: Literal["decide"]
    job: int
    expected_seq: int
    """The entry that brought the job to the state that the person saw."""
    accept: tuple[str, ...]
    settings: tuple[tuple[str, str], ...]
    withdraw: bool
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a decision."""

    id: str
    job: int
    applied: bool
    sentence: str
