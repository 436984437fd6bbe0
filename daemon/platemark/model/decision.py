"""A person's decision on its way to the service: one file in `decisions/`."""

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
class ProfileDecision:
    """Who adds or retires the profile of which product, and what they had seen of it.

    The bytes of a profile that is added lie beside it in `decisions/`, as `<id>.icc`.
    """

    id: str
    kind: Literal["profile-add", "profile-retire"]
    lab: str
    surface: str
    expected_seq: int
    """The newest entry about that product's profiles; 0 before the first."""
    expected_file: str
    """SHA-256 of the file in `profiles/` under the product's name; empty where there was none."""
    sha256: str
    """Of the profile that is added, or of the registered one that is retired."""
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class PictureDecision:
    """How a picture is printed on a surface, now and whenever it comes again.

    For a job of a set it is settled for every picture of the set.
    """

    id: str
    kind: Literal["picture"]
    job: int
    """One that prints the picture on the surface."""
    expected_seq: int
    """The newest entry that settled anything for what this would settle; 0 before the first."""
    adjust: str | None
    """The tonal adjustment in words, `none` to undo one, None to leave it as it is."""
    intent: Literal["perceptual", "relative", "surface"] | None
    """`surface` to undo; None to leave it as it is."""
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class SeenJob:
    """One of several jobs that a decision is about."""

    job: int
    expected_seq: int
    """The entry that brought the job to the state that the person saw."""


@dataclass(frozen=True, slots=True)
class RecallDecision:
    """Who calls which jobs back; all of them are, or none is."""

    id: str
    kind: Literal["recall"]
    jobs: tuple[SeenJob, ...]
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class ParcelDecision:
    """Who says of a doubtful parcel that the lab has it, or that it is to be sent."""

    id: str
    kind: Literal["parcel-send", "parcel-sent"]
    parcel: str
    expected_seq: int
    """The entry that made the parcel doubtful."""
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class EraseDecision:
    """Who has the personal words of which jobs erased; of all of them, or of none."""

    id: str
    kind: Literal["erase"]
    jobs: tuple[SeenJob, ...]
    by: str
    because: str
    v: int = 1


AnyDecision = (
    Decision | ProfileDecision | PictureDecision | RecallDecision | ParcelDecision | EraseDecision
)


def jobs_of(decision: AnyDecision) -> tuple[SeenJob, ...]:
    """The jobs that a decision is about, with what was seen of each; none where it is about none.

    Args:
        decision: Of any kind.
    """
    if isinstance(decision, ProfileDecision | ParcelDecision):
        return ()
    if isinstance(decision, RecallDecision | EraseDecision):
        return decision.jobs
    return (SeenJob(decision.job, decision.expected_seq),)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a decision."""

    id: str
    job: int | None
    """None where it was about no job, or about several."""
    applied: bool
    sentence: str


def outcome_of(decision: AnyDecision, applied: bool, sentence: str) -> Outcome:
    """What came of a decision, with the job that it was about where it was about one."""
    return Outcome(decision.id, getattr(decision, "job", None), applied, sentence)
