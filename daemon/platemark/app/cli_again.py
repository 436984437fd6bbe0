"""What comes after a job was sent: `lab-answer`, `return`, `reprint`."""

from __future__ import annotations

import hashlib
import sys
import uuid
from pathlib import Path

import click

from platemark.app.context import FAULT, job_row, out, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.engine.returning import LARGEST_PHOTO, photo_bytes
from platemark.intake.answers import is_reason
from platemark.model.decision import AnyDecision, LabAnswerDecision, ReprintDecision, ReturnDecision
from platemark.model.errors import UsageError
from platemark.model.reprint import REASONS

_BY = click.option("--by", required=True, help="Your name, as in studio.toml.")
_BECAUSE = click.option("--because", required=True, help="Why; it never leaves the studio.")


@click.command("reprint")
@click.argument("number", type=int)
@click.option("--copies", type=click.IntRange(1, 10_000), help="How many; else as many as then.")
@click.option("--order", help="For which order; else for that of the first.")
@click.option(
    "--reason", default="sold-again", show_default=True, type=click.Choice(list(REASONS)),
    help="Why it is made again; damaged, lost and lab-fault take the place of the first.",
)  # fmt: skip
@click.option(
    "--replaces", type=click.IntRange(1), metavar="NUMBER",
    help="Of an edition: the number whose print was destroyed.",
)  # fmt: skip
@_BY
@_BECAUSE
@click.pass_obj
def reprint(
    studio: str | None,
    number: int,
    copies: int | None,
    order: str | None,
    reason: str,
    replaces: int | None,
    by: str,
    because: str,
) -> None:
    """Make the same print again: from the archived print file while nothing of it has changed.

    Where lab, surface, profile, product or anything of the plan is another by now, the new job is
    held with what differs, then and now side by side, and by how much their colours are apart.
    """
    _refuse_no_reason(because)
    root = studio_of(studio)
    decision = ReprintDecision(
        id=str(uuid.uuid4()),
        kind="reprint",
        job=number,
        expected_seq=_seen(root, number),
        copies=copies,
        order=order,
        replaces=replaces,
        reason=reason,  # type: ignore[arg-type]
        by=by,
        because=because,
    )
    if not _hand_in(root, decision):
        out("Run `platemark sweep`, or start the service: it is looked at then.")


@click.command("return")
@click.argument("number", type=int)
@click.option("--passed/--failed", "passed", required=True, default=None,
              help="Whether the print is as it should be.")  # fmt: skip
@click.option("--size", default="", metavar="WxH", help="As you measured it, such as 16x20in.")
@click.option("--surface-seen", default="", metavar="TEXT", help="What it is printed on.")
@click.option("--defect", "defects", multiple=True, metavar="TEXT", help="One; give it again.")
@click.option(
    "--photo", type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A photograph of it, JPEG, PNG or TIFF; it is archived as it is.",
)  # fmt: skip
@_BY
@_BECAUSE
@click.pass_obj
def return_(
    studio: str | None,
    number: int,
    passed: bool,
    size: str,
    surface_seen: str,
    defects: tuple[str, ...],
    photo: Path | None,
    by: str,
    because: str,
) -> None:
    """Record what you saw of a print that came back from its lab."""
    _refuse_no_reason(because)
    root = studio_of(studio)
    data = _photo(photo) if photo is not None else b""
    decision = ReturnDecision(
        id=str(uuid.uuid4()),
        kind="return",
        job=number,
        expected_seq=_seen(root, number),
        passed=passed,
        size=size,
        surface_seen=surface_seen,
        defects=defects,
        photo=hashlib.sha256(data).hexdigest() if data else "",
        by=by,
        because=because,
    )
    _hand_in(root, decision, data)


@click.command("lab-answer")
@click.argument("number", type=int)
@click.option(
    "--says", required=True, type=click.Choice(["accepted", "question", "refused", "made"]),
    help="What the lab said of this job.",
)  # fmt: skip
@click.option("--lot", default="", metavar="TEXT", help="Lot of the paper or panel it is made on.")
@_BY
@click.option("--because", required=True, help="In the lab’s words, or how it was told.")
@click.pass_obj
def lab_answer(studio: str | None, number: int, says: str, lot: str, by: str, because: str) -> None:
    """Record what the lab said of one job."""
    _refuse_no_reason(because)
    root = studio_of(studio)
    decision = LabAnswerDecision(
        id=str(uuid.uuid4()),
        kind="lab-answer",
        job=number,
        expected_seq=_seen(root, number),
        says=says,  # type: ignore[arg-type]
        lot=lot,
        by=by,
        because=because,
    )
    _hand_in(root, decision)


COMMANDS = (reprint, return_, lab_answer)


def _refuse_no_reason(because: str) -> None:
    if not is_reason(because):
        raise UsageError(f"“{because}” says no reason.", "Say after --because why.")


def _seen(root: Path, number: int) -> int:
    """The newest entry about a job: what is said is said of the job as it stands."""
    with reading(root) as reader:
        return job_row(reader, number).seq


def _photo(path: Path) -> bytes:
    try:
        return photo_bytes(path)
    except OSError as error:
        raise UsageError(
            f"{path} cannot be read as a photograph: {error.strerror}.",
            f"Give a picture of at most {LARGEST_PHOTO >> 20} MB, or leave it out.",
        ) from error


def _hand_in(root: Path, decision: AnyDecision, file: bytes = b"") -> bool:
    """Hand one decision in and say what came of it; gives whether a service runs."""
    served, outcomes = hand_in(root, [decision], file)
    for outcome in outcomes:
        out(outcome.sentence, err=not outcome.applied)
    if not all(outcome.applied for outcome in outcomes):
        sys.exit(FAULT)
    return served
