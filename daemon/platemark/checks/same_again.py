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
    """Stop the same file with the same request in the same order; warn in another order."""
    order = known.resolved.request.order
    for earlier in known.earlier:
        if not (earlier.same_bytes and earlier.same_request) or earlier.state == "withdrawn":
            continue
        where = f"sent in parcel {earlier.parcel}" if earlier.parcel else "on its way"
        if earlier.order == order:
            yield stop(
                CODE,
                ACCEPT,
                f"{known.name} is the same file with the same request as job "
                f"{job_number(earlier.job)}, already {where}.",
                "Withdraw it if it was dropped twice; accept to print it once more.",
                figures={"job": job_number(earlier.job)},
            )
        else:
            yield caution(
                CODE,
                f"The same print is already {where} as job {job_number(earlier.job)}, in another "
                "order.",
            )
        return
