"""One thing that `doctor` says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Word:
    """One thing that the doctor says."""

    level: Literal["good", "note", "wrong"]
    about: str
    sentence: str
    next: str = ""
