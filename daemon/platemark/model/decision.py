"""A person's decision on its way to the service: one file in `decisions/`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from platemark.model.edition import PrintKind
from platemark.model.reprint import Reason

LabSays = Literal["accepted", "question", "refused", "made"]
"""The lab took the job; asks something of it; will not make it; has made it."""

HANDED_IN = ("icc", "photo", "readings")
"""Endings of files that are handed in beside a decision, under its id."""


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


@dataclass(frozen=True, slots=True)
class ReprintDecision:
    """Who has the same print made once more, of which sent job, and why."""

    id: str
    kind: Literal["reprint"]
    job: int
    """The first print."""
    expected_seq: int
    """The newest entry about that job that the person saw."""
    copies: int | None
    """None for as many as then."""
    order: str | None
    """None for the order of the first."""
    replaces: int | None
    """The number of an edition whose print was destroyed; None for none."""
    reason: Reason
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class ReturnDecision:
    """What a person saw of a print that came back from the lab.

    A photograph of it lies beside the decision in `decisions/`, as `<id>.photo`.
    """

    id: str
    kind: Literal["return"]
    job: int
    expected_seq: int
    """The newest entry about that job that the person saw."""
    passed: bool
    size: str
    """As it was measured, such as `16x20in`; empty where it was not."""
    surface_seen: str
    """What it is printed on, in the person's words; empty where nothing is said."""
    defects: tuple[str, ...]
    photo: str
    """SHA-256 of the photograph; empty for none."""
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class LabAnswerDecision:
    """What the lab said of one job."""

    id: str
    kind: Literal["lab-answer"]
    job: int
    expected_seq: int
    """The newest entry about that job that the person saw."""
    says: LabSays
    lot: str
    """The lot of the paper or panel that it was printed on; empty where it was not told."""
    by: str
    because: str
    """The lab's own words, or how they came."""
    v: int = 1


@dataclass(frozen=True, slots=True)
class EditionDecision:
    """Who says what became of one number of an edition."""

    id: str
    kind: Literal["edition-sold", "edition-unsold", "edition-void", "edition-destroyed"]
    edition: str
    part: str
    """The size as the record has it where each is counted by itself; empty elsewhere."""
    of_kind: PrintKind
    number: int
    expected_seq: int
    """The newest entry that speaks of that number; 0 where none does."""
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class ApprovalDecision:
    """Who approves a test, perhaps with an adjustment, or takes that back."""

    id: str
    kind: Literal["approve", "approval-take-back"]
    job: int
    """The test's first job."""
    expected_seq: int
    """The newest entry about that job that the person saw."""
    settled_seq: int
    """The newest entry that settled anything for the picture there; 0 before the first."""
    adjust: str | None
    """What the final shall have besides, in words; `none` to undo what the test had; None for
    as it was tested."""
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class StripDecision:
    """Who measured the patch strip of which job.

    The instrument's file lies beside the decision in `decisions/`, as `<id>.readings`.
    """

    id: str
    kind: Literal["strip-read"]
    job: int
    expected_seq: int
    """The newest entry about that job that the person saw."""
    sha256: str
    """Of the file."""
    scale: Literal[100, 255] | None
    """What its RGB values reach to; None where nobody said."""
    condition: Literal["M0", "M1", "M2", "M3"] | None
    """With what it was measured; None where the file says it."""
    by: str
    because: str
    v: int = 1


@dataclass(frozen=True, slots=True)
class StripSettleDecision:
    """Who decides about the drift of a product's strips."""

    id: str
    kind: Literal["strip-settle"]
    lab: str
    surface: str
    expected_seq: int
    """The newest reading of that product that the person saw."""
    as_reference: bool
    """Whether that reading is what later ones are held against."""
    by: str
    because: str
    v: int = 1


AnyDecision = (
    Decision
    | ProfileDecision
    | PictureDecision
    | RecallDecision
    | ParcelDecision
    | EraseDecision
    | EditionDecision
    | ReprintDecision
    | ReturnDecision
    | LabAnswerDecision
    | ApprovalDecision
    | StripDecision
    | StripSettleDecision
)


def jobs_of(decision: AnyDecision) -> tuple[SeenJob, ...]:
    """The jobs that a decision is about, with what was seen of each; none where it is about none.

    Args:
        decision: Of any kind.
    """
    if isinstance(
        decision, ProfileDecision | ParcelDecision | EditionDecision | StripSettleDecision
    ):
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
