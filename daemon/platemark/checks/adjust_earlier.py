"""What was settled for a picture is for its very bytes; a corrected file begins anew."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known

CODE: Final = "adjust-earlier"
ACCEPT: Final = "assistant"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Say that an earlier file of this name had something settled that was not carried over.

    Whoever corrected the file may have corrected that too. Silent once anything is settled for
    these bytes.
    """
    before = known.settled_before
    if before is None or known.settled is not None:
        return
    settled = before.settled
    said = [settled.adjust.words] if settled.adjust is not None else []
    if settled.intent is not None:
        said.append(f"{settled.intent} intent")
    yield caution(
        CODE,
        f"{known.name} is another file than the one of job {job_number(before.job)}, for which "
        f"was settled: {', '.join(said)}. It was not carried over.",
        f"If it still holds, settle it for this one: `platemark decide N {settled.command}`.",
    )
