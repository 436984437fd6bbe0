"""A reprint that would differ: rendered as it would be now, and held beside what was sent then."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from platemark import durable
from platemark.engine.reprinted import SIDE_BY_SIDE, first_of, printed_then
from platemark.engine.test_prints import decided
from platemark.engine.workshop import Workshop, space_hashes
from platemark.ledger.read import JobRow, Reader
from platemark.model.job import job_number
from platemark.model.known import Known
from platemark.model.picture import Facts
from platemark.model.plain import to_plain
from platemark.model.plan import Plan
from platemark.model.reprint import Compared, Printed, Reprint
from platemark.model.terms import Box
from platemark.model.testing import is_test, why_not_test
from platemark.model.work import (
    ChildLimits,
    Failure,
    PrintSeen,
    RenderReport,
    RenderTask,
    ThenNowReport,
    ThenNowTask,
)

_PLANNABLE = ("good", "none-needed", "changed")
"""Standings of a profile by which a print can be made to look at it."""


@dataclass(frozen=True, slots=True)
class SideBySide:
    """What came of comparing; the drawing is synced and not yet in the archive."""

    facts: Facts
    after: Any
    """What was known of the picture when it was begun, a report of a child."""
    compared: Compared | None
    not_compared: str
    drawing: Path | None
    sha256: str


@dataclass(frozen=True, slots=True)
class _Then:
    """The archived print, or how it can be made again."""

    sha256: str
    path: Path
    plan: Plan | None
    heading: str
    line: str


def with_plan(read: Reader, row: JobRow, known: Known) -> Reprint | None:
    """Say how a reprint would be printed now, as far as it can be planned.

    Args:
        read: The record.
        row: The job.
        known: What is known of it, its measures included.
    """
    reprint, lab, product = known.reprint, known.lab, known.product
    if reprint is None or lab is None or product is None:
        return reprint
    if known.layout is None or known.facts.format == "other":
        return reprint
    if known.profile.state not in _PLANNABLE or (
        is_test(known) and (known.measures is None or why_not_test(known))
    ):
        return reprint
    plan = decided(read, row, known, space_hashes()).plan
    planned = replace(reprint, now=Printed(lab.id, known.surface.id, product.name, plan))
    if planned.seen != planned.of_what:
        return replace(planned, compared=None, not_compared="", drawing="", seen="")
    return planned


def with_comparison(reprint: Reprint, found: SideBySide) -> Reprint:
    """The same with what came of comparing."""
    return replace(
        reprint,
        compared=found.compared,
        not_compared=found.not_compared,
        drawing=found.sha256,
        seen=reprint.of_what,
    )


def as_recorded(reprint: Reprint) -> dict[str, Any]:
    """What the entry of an examined or held reprint says of it."""
    return {
        "of": reprint.of,
        "same": reprint.is_same,
        "seen": reprint.seen,
        "compared": to_plain(reprint.compared),
        "not_compared": reprint.not_compared,
        SIDE_BY_SIDE: reprint.drawing,
    }


def task_to_compare(
    workshop: Workshop, row: JobRow, known: Known, after: Any
) -> Callable[[], SideBySide | Failure] | None:
    """Prepare the comparison of a reprint that would differ; None where there is none to make."""
    reprint = known.reprint
    if reprint is None or reprint.now is None or reprint.now.plan is None or reprint.is_same:
        return None
    if reprint.seen:
        return None
    then = _then(workshop, workshop.ledger.read, row)
    if then is None:
        said = f"Of job {job_number(reprint.of)} no print file is on record to compare with."
        return lambda: SideBySide(known.facts, after, None, said, None, "")
    claimed = workshop.ledger.read.body(row.claimed_seq)["original"]
    original = workshop.folders.archived(row.original_sha256, claimed["extension"])
    work = _Work(workshop, row.job, original, known, reprint, then)
    return lambda: work.done(after)


def profiles_of(workshop: Workshop, plan: Plan) -> tuple[tuple[str, str], ...]:
    """Hash and path of every profile that a plan names and that is not embedded."""
    wanted = {plan.source_profile_sha256, plan.output_profile_sha256}
    if plan.source_profile_from == "embedded":
        wanted.discard(plan.source_profile_sha256)
    return tuple(
        (sha256, str(workshop.folders.archived(sha256, "icc"))) for sha256 in sorted(wanted)
    )


def _then(workshop: Workshop, read: Reader, row: JobRow) -> _Then | None:
    found = first_of(read, row)
    first = found[0] if found is not None else None
    entry = read.entry(first.rendered_seq) if first is not None and first.rendered_seq else None
    made = entry.body.get("print_file") if entry is not None else None
    if first is None or entry is None or made is None:
        return None
    plan = printed_then(read, first).plan
    return _Then(
        made["sha256"],
        workshop.folders.archived(made["sha256"], made.get("extension", "tif")),
        plan,
        f"Then: job {job_number(first.job)}, {entry.at[:10]}",
        f"by {plan.output_space}" if plan is not None else "",
    )


@dataclass(frozen=True, slots=True)
class _Work:
    """One comparison; it may be done beside the service's own thread."""

    workshop: Workshop
    job: int
    original: Path
    known: Known
    reprint: Reprint
    then: _Then

    def done(self, after: Any) -> SideBySide | Failure:
        """Render what is to be seen, and compare it; what cannot be compared is said."""
        plan = self.reprint.now.plan if self.reprint.now is not None else None
        if plan is None:
            raise LookupError(self.job)
        made: Path | Failure = self._then_file()
        if isinstance(made, Failure):
            return self._without(after, made)
        now = self._rendered(plan, "now")
        if isinstance(now, Failure):
            return self._without(after, now)
        drawing = self.workshop.folders.scratch("spool") / f"then-now-{self.job}.jpg"
        durable.remove_file(drawing)
        # Job numbers and dates are the heading's; what differs is said in words beside it.
        heading = f"{self.known.name}: what was printed then, and what would be now"
        then = _seen(made, self.then.plan, self.then.heading, self.then.line)
        as_now = _seen(now, plan, "Now, if it is accepted", f"by {plan.output_space}")
        report = self.workshop.children.run(
            ThenNowTask(heading, then, as_now, str(drawing)), self._limits(plan)
        )
        self._clear()
        if isinstance(report, Failure):
            return self._without(after, report)
        if not isinstance(report, ThenNowReport):
            return Failure("bug", "a child process brought another report than was asked")
        sha256 = durable.sync_and_hash(drawing)
        compared = None
        said = "They have not one shape, so their colours cannot be compared point by point."
        if report.mean:
            compared, said = Compared(report.mean, report.p95, report.above, report.absolute), ""
        return SideBySide(self.known.facts, after, compared, said, drawing, sha256)

    def _then_file(self) -> Path | Failure:
        """The print file of then: the archive's, else made again with the same hash."""
        if self.then.path.is_file() and durable.hash_file(self.then.path) == self.then.sha256:
            return self.then.path
        gone = "The print file of then is no more in the archive"
        if self.then.plan is None:
            return Failure("picture", f"{gone}, and how it was made is not on record")
        made = self._rendered(self.then.plan, "then")
        if isinstance(made, Failure):
            return made
        if durable.hash_file(made) != self.then.sha256:
            return Failure("picture", f"{gone}, and made anew it is not the same")
        return made

    def _rendered(self, plan: Plan, which: str) -> Path | Failure:
        workshop, job = self.workshop, self.job
        face = workshop.folders.scratch("faces") / f"{job}-{which}.face"
        ending = "jpg" if plan.format == "jpeg" else "tif"
        print_file = workshop.folders.scratch("prints") / f"{job}-{which}.{ending}"
        drawing = workshop.folders.scratch("prints") / f"{job}-{which}-drawing.jpg"
        for path in (face, print_file, drawing):
            durable.remove_file(path)
        task = RenderTask(
            plan, str(self.original), profiles_of(workshop, plan), str(face), str(print_file),
            str(drawing), (),
        )  # fmt: skip
        report = workshop.children.run(task, self._limits(plan))
        durable.remove_file(face)
        if isinstance(report, Failure):
            return report
        if not isinstance(report, RenderReport):
            return Failure("bug", "a child process brought another report than was asked")
        return print_file

    def _limits(self, plan: Plan) -> ChildLimits:
        decoded_mb = plan.width_px * plan.height_px * 6 // 2**20 + 1
        return self.workshop.child_limits(output_mb=4 * decoded_mb + 64)

    def _without(self, after: Any, why: Failure) -> SideBySide | Failure:
        """Only a fault of the world is waited for; any other leaves the words alone to decide."""
        self._clear()
        if why.kind == "world":
            return why
        said = f"Then and now cannot be compared: {why.sentence.rstrip('.')}."
        return SideBySide(self.known.facts, after, None, said, None, "")

    def _clear(self) -> None:
        for kind in ("faces", "prints"):
            for which in ("then", "now"):
                for left in self.workshop.folders.scratch(kind).glob(f"{self.job}-{which}*"):
                    durable.remove_file(left)


def _seen(path: Path, plan: Plan | None, heading: str, line: str) -> PrintSeen:
    form: Literal["tiff", "jpeg"] = "jpeg" if path.suffix == ".jpg" else "tiff"
    if plan is None or plan.test is not None:
        return PrintSeen(str(path), form, None, mirrored=False, heading=heading, line=line)
    face = plan.face_box
    if plan.mirror:
        left = plan.width_px - face.left - face.width
        face = Box(left, face.top, face.width, face.height)
    return PrintSeen(str(path), form, face, mirrored=plan.mirror, heading=heading, line=line)
