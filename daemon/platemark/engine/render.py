"""Examined to rendered: face, print file, check in a second process, then the archive."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from platemark import durable
from platemark.engine.examine import (
    ATTEMPTS,
    facts_of,
    failed,
    hold,
    original_path,
    plan_of,
    tried_too_often,
)
from platemark.engine.knowing import answers_of
from platemark.engine.lifecycle import move
from platemark.engine.profiles import still_registered
from platemark.engine.reprinted import (
    Again,
    Archived,
    again_of,
    differs_finding,
    remade_change,
    take,
    taken_change,
)
from platemark.engine.then_and_now import profiles_of
from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow
from platemark.model.asking import stop
from platemark.model.finding import Change, Finding
from platemark.model.known import Settled
from platemark.model.picture import Facts
from platemark.model.plain import from_plain, to_plain
from platemark.model.plan import Plan
from platemark.model.work import (
    CheckReport,
    CheckTask,
    ChildLimits,
    Failure,
    Line,
    RenderReport,
    RenderTask,
)

STEP = "render"
_REMADE = "print-file-remade"
_PACKED = {"none": "not packed", "lzw": "LZW", "deflate": "ZIP", "jpeg": "JPEG"}


@dataclass(frozen=True, slots=True)
class Rendered:
    """A print file that passed its check and is synced, not yet in the archive."""

    report: RenderReport
    check: CheckReport
    spool: Path
    sha256: str
    bytes: int


@dataclass(frozen=True, slots=True)
class Remade:
    """A print file that the archive had no more, made again from its own plan."""

    made: Rendered
    again: Again
    state: str
    """`missing` or `damaged`, as the archive had it."""


Outcome = Rendered | Archived | Remade | Failure


def begin(workshop: Workshop, row: JobRow) -> Callable[[], Outcome] | None:
    """Prepare the rendering of a job; None where the job was held instead."""
    plan = plan_of(workshop, row)
    if not _profile_still_good(workshop, row, plan) or tried_too_often(workshop, row, STEP):
        return None
    again = again_of(workshop, row)
    plan = again.plan if again is not None else plan
    attempt = workshop.ledger.begin_attempt(row.job, STEP)
    stem = f"{row.job}-{attempt}"
    face = workshop.folders.scratch("faces") / f"{stem}.face"
    print_file = workshop.folders.scratch("prints") / f"{stem}.{extension_of(plan)}"
    drawing = drawing_path(workshop, row.job)
    for path in (face, print_file, drawing):
        durable.remove_file(path)
    body = workshop.ledger.read.body(row.examined_seq)
    original = str(original_path(workshop, row))
    profiles = profiles_of(workshop, plan)
    lines: tuple[Line, ...] = tuple(from_plain(Line, line) for line in body["lines"])
    render = RenderTask(plan, original, profiles, str(face), str(print_file), str(drawing), lines)
    check = CheckTask(plan, str(face), str(print_file), profiles, original)
    limits = workshop.child_limits(output_mb=4 * _decoded_mb(plan) + 64)

    def anew() -> Rendered | Failure:
        return _work(workshop, render, check, limits, row.original_sha256)

    def as_archived(again: Again) -> Outcome:
        if (state := again.state) == "whole":
            return take(workshop, again, lines, drawing, limits)
        made = anew()
        return Remade(made, again, state) if isinstance(made, Rendered) else made

    return anew if again is None else partial(as_archived, again)


def finish(workshop: Workshop, row: JobRow, outcome: Outcome) -> None:
    """Put the print file into the archive and record it; or hold the job.

    Raises:
        ChildFault: the system would not start a process; the job stays as it is.
    """
    if isinstance(outcome, Archived):
        _sent_again(workshop, row, outcome.again)
        return
    remade = outcome if isinstance(outcome, Remade) else None
    outcome = outcome.made if isinstance(outcome, Remade) else outcome
    if isinstance(outcome, Failure) or not outcome.check.passed:
        clear_scratch(workshop, row.job)
        if isinstance(outcome, Failure):
            failed(workshop, row, STEP, outcome)
        elif workshop.ledger.read.attempts(row.job, STEP) < ATTEMPTS:
            # The disk may have erred: it is made and checked once more before anybody is asked.
            structlog.get_logger().warning(
                "check-failed", job=row.job, why="; ".join(outcome.check.reasons)
            )
        else:
            hold(workshop, row, _check_failed(row, outcome.check), step=STEP)
        return
    if remade is not None and not _same_file(workshop, row, remade):
        return
    plan = plan_of(workshop, row)
    extension = extension_of(plan)
    workshop.keep_file(outcome.spool, outcome.sha256, extension)
    body = workshop.ledger.read.body(row.examined_seq)
    facts = facts_of(workshop, row)
    notes = facts.notes if facts is not None else ()
    aside = tuple(Change("left-aside", note, "in the original", "not used") for note in notes)
    if facts is not None:
        aside = (_read(facts), *aside)
    if remade is not None:
        day = _day(workshop, remade.again)
        aside = (remade_change(remade.again, day, remade.state, outcome.sha256), *aside)
    with workshop.ledger.transaction() as transaction:
        move(
            transaction,
            row,
            "rendered",
            "rendered",
            {
                "print_file": {
                    "sha256": outcome.sha256,
                    "bytes": str(outcome.bytes),
                    "extension": extension,
                },
                "check": to_plain(outcome.check),
                "changes": to_plain((*aside, *_as_decided(body, plan, outcome.report.changes))),
                "engine": outcome.report.engine,
                "source_profile": outcome.report.source_profile,
            },
        )
        transaction.forget_attempts(row.job, STEP)
    clear_scratch(workshop, row.job)
    structlog.get_logger().info(
        "rendered", job=row.job, name=row.original_name, p99=outcome.check.p99
    )


def _sent_again(workshop: Workshop, row: JobRow, again: Again) -> None:
    """Record that a job's print file is the archived one; what was done to it was done then."""
    then = workshop.ledger.read.filled(again.rendered)
    body = {
        key: then[key] for key in ("print_file", "check", "engine", "source_profile") if key in then
    }
    said = to_plain(taken_change(again, _day(workshop, again)))
    before = [each for each in then["changes"] if each["code"] not in (said["code"], _REMADE)]
    with workshop.ledger.transaction() as transaction:
        body |= {"changes": [said, *before], "print_file_of": again.first}
        move(transaction, row, "rendered", "rendered", body)
        transaction.forget_attempts(row.job, STEP)
    clear_scratch(workshop, row.job)
    structlog.get_logger().info(
        "taken-from-archive", job=row.job, of=again.first, sha256=again.sha256
    )


def _same_file(workshop: Workshop, row: JobRow, remade: Remade) -> bool:
    """Whether a print file that was made again may go: it is the same, or that was accepted."""
    made, again = remade.made, remade.again
    if made.sha256 == again.sha256:
        return True
    finding = differs_finding(row, again, remade.state, made.sha256, made.report.engine)
    accepted = answers_of(workshop.ledger.read, row.job).acceptances
    if any(each.covers(finding) for each in accepted):
        return True
    clear_scratch(workshop, row.job)
    hold(workshop, row, finding, step=STEP)
    return False


def _day(workshop: Workshop, again: Again) -> str:
    at = workshop.local(datetime.fromisoformat(again.at))
    return f"{at.day} {at:%B %Y}"


def document_of(workshop: Workshop, row: JobRow) -> tuple[int, int]:
    """Width and height of an examined job's print, px; of a test's sheet those of the final."""
    return _largest(plan_of(workshop, row))


def lacks_room(workshop: Workshop, row: JobRow, document: tuple[int, int]) -> str:
    """Say why a job cannot be begun for want of room on the disk; empty where it can."""
    width, height = document
    return workshop.lacks_room(
        width * height * 6 * workshop.limits.free_factor,
        f"prepare {row.original_name} as {width} × {height} px",
    )


def clear_scratch(workshop: Workshop, job: int) -> None:
    """Remove what the attempts at a job left in `work/`, but for its drawing."""
    for kind in ("faces", "prints"):
        for left in workshop.folders.scratch(kind).glob(f"{job}-*"):
            durable.remove_file(left)


def drawing_path(workshop: Workshop, job: int) -> Path:
    """Where the ticket's picture of a job is, until its parcel is closed."""
    return workshop.folders.scratch("drawings") / f"{job}.jpg"


def extension_of(plan: Plan) -> str:
    """The ending of a plan's print file."""
    return "jpg" if plan.format == "jpeg" else "tif"


def _work(
    workshop: Workshop,
    render: RenderTask,
    check: CheckTask,
    limits: ChildLimits,
    original_sha256: str,
) -> Rendered | Failure:
    # A child ends with the thread that started it, so both are started from ones that wait here.
    with ThreadPoolExecutor(1) as beside:
        making = beside.submit(workshop.children.run, render, limits)
        is_whole = durable.hash_file(Path(render.original)) == original_sha256
        made = making.result()
    if not is_whole:
        return Failure(
            "picture",
            "its original in the archive is no longer what was taken in; restore the archive from "
            "a backup and check the disk",
        )
    if isinstance(made, Failure):
        return made
    spool = Path(render.print_file)
    # The disk works while the check does. Nobody writes to the file any more.
    with ThreadPoolExecutor(1) as beside:
        checking = beside.submit(workshop.children.run, check, limits)
        sha256 = durable.sync_and_hash(spool)
        held_against = checking.result()
    if isinstance(held_against, Failure):
        return held_against
    if not isinstance(made, RenderReport) or not isinstance(held_against, CheckReport):
        return Failure("bug", "a child process brought another report than was asked")
    return Rendered(made, held_against, spool, sha256, spool.stat().st_size)


def _profile_still_good(workshop: Workshop, row: JobRow, plan: Plan) -> bool:
    """Compare the profile once more; a changed one sends the job back to be asked about."""
    if plan.conversion != "lab-profile" or row.lab is None:
        return True
    lab = workshop.settings.lab(row.lab)
    product = lab.product_for(row.surface) if lab is not None else None
    if lab is None or product is None:
        good = False
    else:
        good = still_registered(workshop, lab, product, plan.output_profile_sha256)
    if good:
        return True
    hold(
        workshop,
        row,
        stop(
            "profile-changed-meanwhile",
            "assistant",
            f"The profile for {row.original_name} was changed or retired after the job was "
            "examined.",
            "Accept to have the job examined again with the profile as it is now.",
            figures={"planned": plan.output_profile_sha256},
        ),
        step=STEP,
    )
    return False


def _read(facts: Facts) -> Change:
    """What the original is as a file; the changes say what became of it."""
    form = f"{facts.width}x{facts.height} {facts.format.upper()} {facts.bits} bit"
    if facts.format == "tiff":
        form += f", {_PACKED.get(facts.compression, facts.compression)}"
    return Change(
        "read",
        f"Read the original, {form}. It stays as it is.",
        form,
        f"its pixels, {facts.bits} bit",
    )


def _as_decided(
    examined: dict[str, Any], plan: Plan, changes: tuple[Change, ...]
) -> Iterator[Change]:
    """Say of what was settled for the picture when that was; the plan knows no time."""
    if "settled" not in examined:
        yield from changes
        return
    settled = from_plain(Settled, examined["settled"])
    day = f"{settled.on.day} {settled.on:%B %Y}"
    decided = f"as decided on {day} (version {settled.version})"
    for change in changes:
        if change.code == "adjusted":
            yield replace(change, text=f"{change.text.rstrip('.')}; {decided}.")
            continue
        yield change
        if change.code == "converted" and settled.intent == plan.intent:
            usual = examined["usual_intent"]
            yield Change(
                "intent-settled",
                f"The {plan.intent} intent is taken {decided}; the usual one here is {usual}.",
                usual,
                plan.intent,
            )


def _decoded_mb(plan: Plan) -> int:
    width, height = _largest(plan)
    return width * height * 6 // 2**20 + 1


def _largest(plan: Plan) -> tuple[int, int]:
    """Width and height of the most that is made of a plan; for a test's sheet, the final's face."""
    sheet = plan.test
    whole = (plan.width_px, plan.height_px)
    if sheet is None:
        return whole
    return max(whole, (sheet.width_px, sheet.height_px), key=lambda size: size[0] * size[1])


def _check_failed(row: JobRow, check: CheckReport) -> Finding:
    return stop(
        "print-check-failed",
        "never",
        f"The print file of {row.original_name} failed its check {ATTEMPTS} times: "
        f"{'; '.join(check.reasons)}.",
        "Nothing was sent. Tell whoever looks after Platemark and name this job.",
    )
