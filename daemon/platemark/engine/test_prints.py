"""A test's prints: the job that was dropped becomes the first, and claims the others with it.

Everything is asked of that job, at the size of the final. The others are what was decided there:
they read its request, its answers, its facts and its measures, so nothing of them is asked twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import structlog

from platemark.engine.claim import REPRINT_OF, TEST_OF, TEST_PART
from platemark.engine.lifecycle import being_sealed, look_again, move
from platemark.engine.workshop import Workshop
from platemark.ledger.approvals import PART_OF, Approvals
from platemark.ledger.read import JobRow, Reader
from platemark.ledger.store import Transaction
from platemark.model.as_approved import as_printed
from platemark.model.known import Known
from platemark.model.plain import to_plain
from platemark.model.plan import Plan
from platemark.model.planning import make_plan
from platemark.model.test_sheet import Part
from platemark.model.testing import is_test, plan_test

TEST = "test"
"""In an `examined` entry: which print of which test, and how the final would be printed."""
_FURTHER: tuple[Part, ...] = ("crops", "steps")
_OPEN = ("examined", "rendered", "held")


@dataclass(frozen=True, slots=True)
class Decided:
    """What is printed for a job."""

    plan: Plan
    printed: Known
    """With the layout of this very print."""
    said: dict[str, Any]
    """What the entry says of it besides; empty for no test."""


def part_of(reader: Reader, row: JobRow) -> Part:
    """Which print of a test a job is."""
    part: Part = reader.body(row.claimed_seq).get(TEST_PART, "half")
    return part


def decided(reader: Reader, row: JobRow, known: Known, spaces: Mapping[str, str]) -> Decided:
    """Plan a job: the final print, or its part of a test.

    Args:
        reader: The record.
        row: The job.
        known: The picture as its final print would be; no stop is open.
        spaces: SHA-256 of our own profile of each working space.
    """
    if not is_test(known):
        return Decided(make_plan(known, row.original_sha256, spaces), known, {})
    part = part_of(reader, row)
    test = plan_test(known, part, row.original_sha256, spaces)
    tested = as_printed(known)
    said = {
        "part": part,
        "of": Approvals(reader).first_of(row.job),
        "size": str(known.layout.size) if known.layout is not None else None,
        "tested": to_plain(tested) if tested is not None else None,
    }
    return Decided(test.plan, replace(known, layout=test.layout), {TEST: said})


def claim_further_prints(
    workshop: Workshop, transaction: Transaction, row: JobRow, known: Known
) -> tuple[int, ...]:
    """Claim the other prints of a test with its first, or have them planned anew with it.

    Where an answer made a final of the first, its sheets are withdrawn.

    Returns:
        The numbers of those that are new.
    """
    reader = workshop.ledger.read
    claimed = reader.entry(row.claimed_seq)
    if claimed is None or {TEST_OF, REPRINT_OF} & set(claimed.body):
        return ()
    if not is_test(known):
        for part in further_prints(reader, row):
            why = {"why": "the first print of its test is a final by now"}
            move(transaction, part, "withdrawn", "withdrawn", why)
        return ()
    there = Approvals(reader).parts_of(row.job)
    if there:
        for part in reader.jobs_numbered(there):
            _plan_anew(workshop, transaction, part)
        return ()
    first = reader.newest_job() + 1
    for job, part_name in enumerate(_FURTHER, first):
        transaction.append("claimed", _body(claimed.body, row, part_name), job=job)
    return tuple(range(first, first + len(_FURTHER)))


def further_prints(reader: Reader, row: JobRow) -> tuple[JobRow, ...]:
    """The other prints of a test that are in no parcel yet, where the job is its first."""
    there = Approvals(reader).parts_of(row.job)
    sealed = being_sealed(reader) if there else set()
    return tuple(
        part
        for part in reader.jobs_numbered(there)
        if part.state in ("claimed", *_OPEN) and part.job not in sealed
    )


def _body(claimed: Mapping[str, Any], row: JobRow, part: Part) -> dict[str, Any]:
    """What is asked is read from the first job, so that it is on record once."""
    return {
        "state": "claimed",
        "name": claimed["name"],
        "drop": claimed["drop"],
        "original": claimed["original"],
        "surface": row.surface,
        "sidecar_hex": None,
        "sidecar_identity": None,
        "layers": [],
        "troubles": [],
        "drop_of": claimed.get("drop_of", row.job),
        TEST_OF: row.job,
        TEST_PART: part,
        "links": [{"other": row.job, "kind": PART_OF}],
    }


def _plan_anew(workshop: Workshop, transaction: Transaction, part: JobRow) -> None:
    if part.state not in _OPEN or part.job in being_sealed(workshop.ledger.read):
        return
    because = "the first print of its test was planned anew"
    look_again(transaction, workshop.ledger.read, part, because)


def log_claimed(jobs: tuple[int, ...], row: JobRow) -> None:
    """Say that a test has further prints, once that is on record."""
    for job in jobs:
        structlog.get_logger().info(
            "claimed", job=job, name=row.original_name, surface=row.surface, test_of=row.job
        )
