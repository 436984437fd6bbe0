"""A surface whose returned strips have drifted is not printed for good until someone decides."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known

CODE: Final = "strip-drift"
ACCEPT: Final = "photographer"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a final while a strip of its product is beyond the limits and nothing is decided."""
    drift, lab = known.drift, known.lab
    if drift is None or lab is None or known.resolved.request.purpose != "final":
        return
    than = {
        "reference": "its reference",
        "profile": "what the profile predicts",
        "nothing": "what was expected",
    }[drift.against]
    yield stop(
        CODE,
        ACCEPT,
        f"The strip of job {job_number(drift.job)}, read on {drift.day.isoformat()}, differs from "
        f"{than} by more than the limit: {drift.told}. Prints of {lab.name} on "
        f"{known.surface.name} may not look as approved.",
        "Ask the lab and have a test made. Then decide for all of them with "
        f"`platemark strip settle --lab {lab.id} --surface {known.surface.id}`; accepting here "
        "lets this one picture go.",
        figures={"reading": str(drift.reading)},
    )
