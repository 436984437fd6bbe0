"""The same print twice is a mistake until somebody says otherwise."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known, Other

CODE: Final = "same-again"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Stop the same file with the same request in the same order; warn in another order.

    One that is held is not on its way: whichever of the two is answered last is asked about then.
    One that never left, because it was withdrawn or taken back in time, is as if it had not been.
    One that was called back from the lab may have been printed all the same, and nobody knows
    yet: printing it again unasked might pay for it twice, so that is asked too. A reprint was asked
    for as what it is.
    """
    if known.layout is None or known.reprint is not None:
        return
    same = [
        other
        for other in (*known.earlier, *known.later)
        if other.same_bytes and other.same_request and other.state != "withdrawn"
    ]
    # A later one that has not gone further is asked about when its own turn comes.
    ahead = {other.job for other in known.earlier}
    going = [other for other in same if other.state not in ("claimed", "held")]
    going += [other for other in same if other.state == "claimed" and other.job in ahead]
    held = [other for other in same if other.state == "held" and other.job in ahead]
    in_this = [other for other in going if other.order == known.resolved.request.order]
    # What is still wanted says more than what is not.
    in_this.sort(key=lambda other: other.recalled)
    going.sort(key=lambda other: other.recalled)
    if in_this:
        yield _stop(known, in_this[0])
    elif held:
        yield caution(
            CODE, f"The same print also waits for an answer, as job {job_number(held[0].job)}."
        )
    elif going and going[0].recalled:
        yield caution(
            CODE,
            f"The same print was called back as job {job_number(going[0].job)}, in another order; "
            "this one is wanted.",
        )
    elif going:
        yield caution(
            CODE,
            f"The same print is already {_where(going[0])} as job {job_number(going[0].job)}, in "
            "another order.",
        )


def _stop(known: Known, other: Other) -> Finding:
    number = job_number(other.job)
    if other.recalled:
        return stop(
            CODE,
            ACCEPT,
            f"{known.name} is the same file with the same request as job {number}, which was "
            f"called back when it was {_where(other)}: it may have been printed.",
            "Ask the lab whether it was. Accept to have it printed now; withdraw it if the print "
            "is there.",
            figures={"job": number, "recalled": "yes"},
        )
    return stop(
        CODE,
        ACCEPT,
        f"{known.name} is the same file with the same request as job {number}, already "
        f"{_where(other)}.",
        "Withdraw it if it was dropped twice; accept to print it once more.",
        figures={"job": number},
    )


def _where(other: Other) -> str:
    return f"sent in parcel {other.parcel}" if other.parcel else "on its way"
