"""A final that would not look as the test that was approved."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.approval import Difference
from platemark.model.as_approved import as_printed, differences
from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known

CODE: Final = "approved-differs"
ACCEPT: Final = "photographer"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a final that differs in anything but its size from its approved test."""
    approval, now = known.approval, as_printed(known)
    if approval is None or now is None:
        return
    found = differences(approval, known.original_sha256, now)
    if not found:
        return
    on = f"{approval.on.day} {approval.on:%B %Y}"
    test = job_number(approval.test)
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} would not be printed as the test that {approval.by} approved on {on} "
        f"(job {test}): {'; '.join(_said(each) for each in found)}.",
        "Put it back as it was, test it anew and approve that, or accept it as it is now.",
        figures={"test": test, **{each.what: f"{each.approved} -> {each.now}" for each in found}},
    )


def _said(difference: Difference) -> str:
    if difference.what == "picture":
        return (
            f"the picture is another version ({difference.now}, tested was {difference.approved})"
        )
    return f"the {difference.what} is {difference.now}, approved was {difference.approved}"
