"""The same print twice is a mistake until somebody says otherwise."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known

CODE: Final = "same-again"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Stop the same file with the same request in the same order; warn in another order.

    One that is held is not on its way: whichever of the two is answered last is asked about then.
    """
    if known.layout is None:
        return
    order = known.resolved.request.order
    overtaken = [other for other in known.later if other.state not in ("claimed", "held")]
    for other in (*known.earlier, *overtaken):
        if not (other.same_bytes and other.same_request) or other.state == "withdrawn":
            continue
        if other.state == "held":
            yield caution(
                CODE, f"The same print also waits for an answer, as job {job_number(other.job)}."
            )
            return
        where = f"sent in parcel {other.parcel}" if other.parcel else "on its way"
        if other.order == order:
            yield stop(
                CODE,
                ACCEPT,
                f"{known.name} is the same file with the same request as job "
                f"{job_number(other.job)}, already {where}.",
                "Withdraw it if it was dropped twice; accept to print it once more.",
                figures={"job": job_number(other.job)},
            )
        else:
            yield caution(
                CODE,
                f"The same print is already {where} as job {job_number(other.job)}, in another "
                "order.",
            )
        return
