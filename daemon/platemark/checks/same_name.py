"""Two files of one name in one order."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known

CODE: Final = "same-name"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Stop a file that shares its name, but not its bytes, with an open job of the same order."""
    order = known.resolved.request.order
    for earlier in known.earlier:
        beside = earlier.same_name and not earlier.same_bytes and earlier.order == order
        # One work has one name, and may be edited for each surface.
        beside = beside and earlier.same_surface
        if beside and earlier.state in ("claimed", "examined", "rendered"):
            yield stop(
                CODE,
                ACCEPT,
                f"Job {job_number(earlier.job)} has the same name, {known.name}, but is "
                "another file.",
                f'If this one is right: `platemark recall {earlier.job} --by NAME --because "…"` '
                "takes the earlier one back, wherever it is by then, and this one goes on by "
                "itself. If the earlier one is right, take this one back. Accept if both are to "
                "be printed.",
                figures={"job": job_number(earlier.job)},
            )
            return
