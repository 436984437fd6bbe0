"""Every kind of decision: its shape, who applies it, and what is said of it.

A new kind is a shape in `model/decision.py`, a function that applies it, and a line of `KINDS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platemark.engine.answering import apply_answer
from platemark.engine.approving import apply_approval
from platemark.engine.doubtful import apply_to_parcel
from platemark.engine.edition_decisions import apply_to_edition
from platemark.engine.erasing import apply_erase
from platemark.engine.picture_decisions import apply_to_picture
from platemark.engine.profile_decisions import BESIDE, apply_to_profile
from platemark.engine.recall import apply_recall
from platemark.engine.reprint import apply_reprint
from platemark.engine.returning import BESIDE as RETURN_BESIDE
from platemark.engine.returning import apply_lab_answer, apply_return
from platemark.engine.strip_decisions import BESIDE as READINGS_BESIDE
from platemark.engine.strip_decisions import apply_strip, apply_strip_settle
from platemark.engine.workshop import Workshop
from platemark.model.decision import (
    AnyDecision,
    ApprovalDecision,
    Decision,
    EditionDecision,
    EraseDecision,
    LabAnswerDecision,
    ParcelDecision,
    PictureDecision,
    ProfileDecision,
    RecallDecision,
    ReprintDecision,
    ReturnDecision,
    StripDecision,
    StripSettleDecision,
    jobs_of,
)
from platemark.model.job import job_number


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of decision."""

    shape: type[Any]
    apply: Callable[[Workshop, Any], str]
    """Does it and says what was done, or raises `DecisionRefused` and changes nothing."""
    called: str = ""
    """What people call it, as “The recall”; empty where its job says enough."""
    look: str = "Look again with `platemark job {job}`."
    """Where to look for what came of it; `{job}` is the first job that it is about."""
    about: tuple[str, ...] = ()
    """Fields that say what it is about, where that is no job."""
    beside: str = ""
    """Ending of a file that is handed in with it and goes when it is applied; empty for none."""


_OF_A_PROFILE = Kind(
    ProfileDecision,
    apply_to_profile,
    "The decision",
    "Look again with `platemark profiles`.",
    ("lab", "surface"),
    BESIDE,
)
_OF_A_PARCEL = Kind(
    ParcelDecision, apply_to_parcel, "The answer", "Look again at hot/WAITING.txt.", ("parcel",)
)
_OF_AN_EDITION = Kind(
    EditionDecision,
    apply_to_edition,
    "The word on that number",
    "Look again with `platemark editions`.",
    ("edition",),
)

_OF_A_TEST = Kind(ApprovalDecision, apply_approval, "The word on the test")

KINDS: Mapping[str, Kind] = {
    "approval-take-back": _OF_A_TEST,
    "approve": _OF_A_TEST,
    "decide": Kind(Decision, apply_answer),
    "edition-destroyed": _OF_AN_EDITION,
    "edition-sold": _OF_AN_EDITION,
    "edition-unsold": _OF_AN_EDITION,
    "edition-void": _OF_AN_EDITION,
    "erase": Kind(EraseDecision, apply_erase, "The request to erase"),
    "parcel-send": _OF_A_PARCEL,
    "parcel-sent": _OF_A_PARCEL,
    "picture": Kind(PictureDecision, apply_to_picture),
    "profile-add": _OF_A_PROFILE,
    "profile-retire": _OF_A_PROFILE,
    "lab-answer": Kind(LabAnswerDecision, apply_lab_answer, "The lab’s answer"),
    "recall": Kind(RecallDecision, apply_recall, "The recall"),
    "reprint": Kind(ReprintDecision, apply_reprint, "The order"),
    "return": Kind(ReturnDecision, apply_return, "The word of the return", beside=RETURN_BESIDE),
    "strip-read": Kind(StripDecision, apply_strip, "The strip", beside=READINGS_BESIDE),
    "strip-settle": Kind(
        StripSettleDecision,
        apply_strip_settle,
        "The word on the strips",
        "Look again with `platemark strip trend`.",
        ("lab", "surface"),
    ),
}


def kind_of(decision: AnyDecision) -> Kind:
    """The kind of a decision."""
    return KINDS[decision.kind]


def beside(folder: Path, decision: AnyDecision) -> Path | None:
    """Where the file lies that is handed in with a decision; None for a kind that has none.

    Args:
        folder: `decisions/`.
        decision: The decision.
    """
    ending = kind_of(decision).beside
    return folder / f"{decision.id}.{ending}" if ending else None


def unanswered(decision: AnyDecision, seconds: int) -> str:
    """What is said of a decision that a service was given and has not answered."""
    kind, jobs = kind_of(decision), jobs_of(decision)
    first = jobs[0].job if jobs else 0
    what = f"{kind.called} was" if kind.called else f"Job {job_number(first)}:"
    return (
        f"{what} handed to the service, which has not answered within {seconds} seconds. "
        f"{kind.look.format(job=first)}"
    )
