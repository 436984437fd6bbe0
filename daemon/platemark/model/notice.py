"""What a person is told about a job that waits, and how they may answer."""

from __future__ import annotations

from dataclasses import dataclass

from platemark.model.decision import Decision
from platemark.model.finding import Finding
from platemark.model.sits import Sits


@dataclass(frozen=True, slots=True)
class HeldNotice:
    """Everything that the pages and the answer sheet of one held job say."""

    job: int
    name: str
    """The file's name, made safe for people."""
    surface: str
    surface_name: str
    lab_name: str
    size: str
    """As asked; empty where nothing says it."""
    order: str
    seq: int
    """The job's newest ledger entry when this was written; an answer is bound to it."""
    held_since: str
    """Local date and time."""
    findings: tuple[Finding, ...]
    """Stops first."""
    facts: tuple[tuple[str, str], ...]
    """(what, value) of the picture, for people."""
    people: tuple[tuple[str, str], ...]
    """(name, role)."""
    drawing_choices: tuple[tuple[str, str], ...]
    """(letter on the drawing, what it means)."""
    size_remarks: tuple[tuple[str, str], ...] = ()
    """(`size=…`, what the picture comes to at it) of every size among the choices."""
    answered: str = ""
    """The answer that was taken and did not settle it, as the beginning of a sentence."""
    sits: tuple[Sits, ...] = ()
    """How the picture would sit on its surface, where that was measured."""
    folder: str = ""
    """Where it was dropped, from the studio; what that folder says counts for its successor."""
    then_and_now: str = ""
    """What its proof shows where that is an earlier print beside this one; empty where not."""


@dataclass(frozen=True, slots=True)
class Answer:
    """A filled-in ANSWER.txt."""

    job: int
    seq: int
    accept: tuple[str, ...]
    settings: tuple[tuple[str, str], ...]
    withdraw: bool
    by: str
    because: str

    def decision(self, name: str) -> Decision:
        """What is handed in for it.

        Args:
            name: What tells it from every other decision.
        """
        return Decision(
            id=name,
            kind="decide",
            job=self.job,
            expected_seq=self.seq,
            accept=self.accept,
            settings=self.settings,
            withdraw=self.withdraw,
            by=self.by,
            because=self.because,
        )


@dataclass(frozen=True, slots=True)
class WaitingLine:
    """One line of WAITING.txt."""

    job: int | None
    """None for something that never became a job."""
    name: str
    where: str
    """Folder, from the studio."""
    sentence: str
    next: str
