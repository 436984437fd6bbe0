"""Hands people's decisions in: applied at once, or left for the service that has the studio."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

from platemark import durable
from platemark.app.open_studio import open_studio, reading
from platemark.engine import decide as deciding
from platemark.engine.profile_decisions import handed_in
from platemark.model.decision import (
    AnyDecision,
    Decision,
    EraseDecision,
    Outcome,
    ParcelDecision,
    ProfileDecision,
    RecallDecision,
)
from platemark.model.errors import StudioBusy
from platemark.model.job import job_number

ANSWER_WAIT_S = 10


def hand_in(
    root: Path, decisions: Sequence[AnyDecision], profile: bytes = b""
) -> tuple[bool, list[Outcome]]:
    """Apply at once where no service runs; else leave files for it and wait for its word.

    Args:
        root: The studio.
        decisions: What was decided.
        profile: The file that a decision adds.

    Returns:
        Whether a service runs, and what came of each decision.
    """
    folder = root / "decisions"
    try:
        with open_studio(root) as studio:
            for decision in decisions:
                _put_beside(folder, decision, profile)
            try:
                return False, [deciding.apply(studio.workshop, each) for each in decisions]
            finally:
                _take_away(folder, decisions)
    except StudioBusy:
        for decision in decisions:
            _put_beside(folder, decision, profile)
            deciding.write_decision(folder, decision, folder / f".{decision.id}.tmp")
        return True, _wait_for(root, decisions)


def _put_beside(folder: Path, decision: AnyDecision, profile: bytes) -> None:
    if isinstance(decision, ProfileDecision) and decision.kind == "profile-add":
        scratch = folder / f".{decision.id}.icc.tmp"
        durable.write_new(scratch, profile)
        durable.publish(scratch, handed_in(folder, decision))


def _take_away(folder: Path, decisions: Sequence[AnyDecision]) -> None:
    for decision in decisions:
        if isinstance(decision, ProfileDecision):
            durable.remove_file(handed_in(folder, decision))


def _wait_for(root: Path, decisions: Sequence[AnyDecision]) -> list[Outcome]:
    deadline = time.monotonic() + ANSWER_WAIT_S
    found: dict[str, Outcome] = {}
    while len(found) < len(decisions) and time.monotonic() < deadline:
        with reading(root) as reader:
            for decision in decisions:
                entry = reader.decided(decision.id)
                if entry is not None and decision.id not in found:
                    applied = entry.kind != "decision-refused"
                    sentence = entry.body.get("sentence", "")
                    said = _done(decision, sentence) if applied else sentence
                    found[decision.id] = Outcome(decision.id, _job(decision), applied, said)
        time.sleep(0.1)
    for decision in decisions:
        if decision.id not in found:
            said = _unanswered(decision)
            found[decision.id] = Outcome(decision.id, _job(decision), False, said)
    return [found[decision.id] for decision in decisions]


def _job(decision: AnyDecision) -> int | None:
    none = ProfileDecision | RecallDecision | ParcelDecision | EraseDecision
    return None if isinstance(decision, none) else decision.job


def _done(decision: AnyDecision, sentence: str) -> str:
    if not isinstance(decision, Decision):
        return sentence
    done = "the answer was taken" if sentence == "answered" else sentence
    return f"Job {job_number(decision.job)}: {done}."


def _unanswered(decision: AnyDecision) -> str:
    handed = f"handed to the service, which has not answered within {ANSWER_WAIT_S} seconds."
    if isinstance(decision, ProfileDecision):
        return f"The decision was {handed} Look again with `platemark profiles`."
    if isinstance(decision, ParcelDecision):
        return f"The answer was {handed} Look again at hot/WAITING.txt."
    if isinstance(decision, EraseDecision):
        first = decision.jobs[0].job
        return f"The request to erase was {handed} Look again with `platemark job {first}`."
    if isinstance(decision, RecallDecision):
        first = decision.jobs[0].job
        return f"The recall was {handed} Look again with `platemark job {first}`."
    return (
        f"Job {job_number(decision.job)}: {handed} Look again with `platemark job {decision.job}`."
    )
