"""Hands people's decisions in: applied at once, or left for the service that has the studio."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

from platemark import durable
from platemark.app.open_studio import open_studio, reading
from platemark.engine import decide as deciding
from platemark.engine.decision_kinds import beside, unanswered
from platemark.model.decision import AnyDecision, Decision, Outcome, outcome_of
from platemark.model.errors import StudioBusy
from platemark.model.job import job_number

ANSWER_WAIT_S = 10


def hand_in(
    root: Path, decisions: Sequence[AnyDecision], file: bytes = b""
) -> tuple[bool, list[Outcome]]:
    """Apply at once where no service runs; else leave files for it and wait for its word.

    Args:
        root: The studio.
        decisions: What was decided.
        file: What is handed in with each, where their kind has such a file.

    Returns:
        Whether a service runs, and what came of each decision.
    """
    folder = root / "decisions"
    try:
        with open_studio(root) as studio:
            for decision in decisions:
                _put_beside(folder, decision, file)
            try:
                return False, [deciding.apply(studio.workshop, each) for each in decisions]
            finally:
                _take_away(folder, decisions)
    except StudioBusy:
        for decision in decisions:
            _put_beside(folder, decision, file)
            deciding.write_decision(folder, decision, folder / f".{decision.id}.tmp")
        return True, _wait_for(root, decisions)


def _put_beside(folder: Path, decision: AnyDecision, file: bytes) -> None:
    place = beside(folder, decision)
    if place is not None and file:
        scratch = folder / f".{place.name}.tmp"
        durable.write_new(scratch, file)
        durable.publish(scratch, place)


def _take_away(folder: Path, decisions: Sequence[AnyDecision]) -> None:
    for decision in decisions:
        place = beside(folder, decision)
        if place is not None:
            durable.remove_file(place)


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
                    found[decision.id] = outcome_of(decision, applied, said)
        time.sleep(0.1)
    for decision in decisions:
        if decision.id not in found:
            said = unanswered(decision, ANSWER_WAIT_S)
            found[decision.id] = outcome_of(decision, False, said)
    return [found[decision.id] for decision in decisions]


def _done(decision: AnyDecision, sentence: str) -> str:
    if not isinstance(decision, Decision):
        return sentence
    done = "the answer was taken" if sentence == "answered" else sentence
    return f"Job {job_number(decision.job)}: {done}."
