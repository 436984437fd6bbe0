"""`approve`: say of a test print that the final is to be like it."""

from __future__ import annotations

import sys
import uuid

import click

from platemark.app.context import FAULT, job_row, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.engine.approving import whole_test
from platemark.intake.answers import is_reason
from platemark.model.adjusting import EXAMPLE, NONE, BadAdjustment, parse_adjustment
from platemark.model.decision import ApprovalDecision
from platemark.model.errors import UsageError
from platemark.model.job import job_number


@click.command("approve")
@click.argument("number", type=int, metavar="N")
@click.option(
    "--adjust",
    metavar="NUMBERS",
    help=f"What the final shall have otherwise, as on the sheet of steps: “{EXAMPLE}”; “{NONE}” "
    "takes away what the test had.",
)
@click.option("--take-back", is_flag=True, help="It is not approved any more.")
@click.option("--by", required=True, help="Your name, as in studio.toml.")
@click.option("--because", required=True, help="Why.")
@click.pass_obj
def approve(
    studio: str | None, number: int, adjust: str | None, take_back: bool, by: str, because: str
) -> None:
    """Approve a test print, by any of its jobs, or take that back.

    From then on a final of the picture that would be printed otherwise is held. An adjustment is
    settled for the picture on that surface, as `decide --adjust` does.
    """
    if not is_reason(because):
        raise UsageError(f"“{because}” says no reason.", "Say after --because why.")
    if take_back and adjust is not None:
        raise UsageError("--adjust does not go with --take-back.", "Say one of them.")
    try:
        parse_adjustment(adjust) if adjust is not None else None
    except BadAdjustment as error:
        said = str(error)
        raise UsageError(f"{said[0].upper()}{said[1:]}.") from error
    root = studio_of(studio)
    with reading(root) as reader:
        row = job_row(reader, number)
        test = whole_test(reader, row)
        if test is None:
            raise UsageError(
                f"Job {job_number(number)} is no test print.",
                'Order a test with purpose = "test", or -test in the file\'s name.',
            )
        decision = ApprovalDecision(
            id=str(uuid.uuid4()),
            kind="approval-take-back" if take_back else "approve",
            job=test.first.job,
            expected_seq=test.first.seq,
            settled_seq=test.settled_seq,
            adjust=adjust,
            by=by,
            because=because,
        )
    _, (outcome,) = hand_in(root, [decision])
    click.echo(outcome.sentence, err=not outcome.applied)
    sys.exit(0 if outcome.applied else FAULT)


COMMANDS = (approve,)
