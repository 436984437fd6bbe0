"""Findings, changes and acceptances: what a check answers and what was done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Severity = Literal["stop", "caution"]
Acceptor = Literal["never", "assistant", "photographer"]

ENGINE_CODES: Final[tuple[tuple[str, Acceptor], ...]] = (
    ("file-stops-its-reader", "assistant"),
    ("file-unprintable", "never"),
    ("our-fault", "assistant"),
    ("print-check-failed", "never"),
    ("profile-changed-meanwhile", "assistant"),
    ("reprint-file-differs", "photographer"),
)
"""Stops that no check of a picture asks for, and who may accept them."""


@dataclass(frozen=True, slots=True)
class Finding:
    """An answer of a check."""

    code: str
    severity: Severity
    message: str
    """One sentence in the photographer's words, with the numbers."""
    next: str
    """What to do next."""
    accept: Acceptor = "photographer"
    """Who may accept it."""
    figures: tuple[tuple[str, str], ...] = ()
    """The numbers that an acceptance is bound to."""
    choices: tuple[str, ...] = ()
    """Ready answers, such as `fit=crop` or `size=16x24in`."""


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that Platemark did to pixels or tags."""

    code: str
    text: str
    """What and why, in one sentence."""
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Acceptance:
    """A finding that somebody accepted, bound to the figures that they saw."""

    code: str
    figures: tuple[tuple[str, str], ...]
    by: str
    because: str

    def covers(self, finding: Finding) -> bool:
        """Whether this acceptance is for that very finding with those very figures."""
        return self.code == finding.code and self.figures == finding.figures
