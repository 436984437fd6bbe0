"""The same print again, though something of it is no longer what it was, is for a person to see."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known
from platemark.model.plan import plan_hash
from platemark.model.reprint import ABOVE, Printed, Reprint, differences

CODE: Final = "reprint-differs"
ACCEPT: Final = "photographer"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a reprint whose plan, lab, surface or product is another than then, and say what is.

    One whose first was called back from the lab is asked about too: nobody may want that print.
    """
    reprint = known.reprint
    if reprint is None:
        return
    number = job_number(reprint.of)
    if reprint.recalled:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} is to be printed as job {number} was, and that job was called back.",
            "Accept if it is right as it was; withdraw it, and drop a corrected picture, if not.",
            figures={"job": number, "recalled": "yes"},
        )
    if reprint.now is None or reprint.is_same:
        return
    told = list(differences(reprint.first, reprint.now))
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} is to be the same print as job {number}, but {_listed(told)}."
        f"{_compared(reprint)}",
        "Look at then and now side by side in its folder. Accept to print it as it would be now; "
        'where it matters, drop the picture with purpose = "test" first and look at that print.',
        figures={"job": number, "then": _hash(reprint.first), "now": _hash(reprint.now)},
    )


def _hash(printed: Printed) -> str:
    return plan_hash(printed.plan) if printed.plan is not None else "unknown"


def _listed(told: list[str]) -> str:
    return told[0] if len(told) == 1 else f"{', '.join(told[:-1])}, and {told[-1]}"


def _compared(reprint: Reprint) -> str:
    found = reprint.compared
    if found is None:
        return f" {reprint.not_compared}" if reprint.not_compared else ""
    seen = (
        "each as an instrument reads its paper"
        if found.absolute
        else "each relative to its own white"
    )
    return (
        f" Between then and now the print differs by ΔE00 {found.mean} on average and by at most "
        f"{found.p95} in 95 % of the picture; {found.above} % of it differ by more than {ABOVE} "
        f"({seen})."
    )
