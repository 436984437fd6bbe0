"""A set is held or goes together."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known

CODE: Final = "set-waits"
ACCEPT: Final = "photographer"
OF_SET: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture while another of its set waits for an answer."""
    whole = known.whole_set
    held = [panel for panel in whole.others if panel.held] if whole is not None else []
    if whole is None or not held:
        return
    listed = " and ".join(f"{panel.name} (job {job_number(panel.job)})" for panel in held)
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} waits for the rest of its set “{whole.name}”: {listed} "
        f"{'is' if len(held) == 1 else 'are'} held.",
        "Answer that; then this one goes on by itself. Accepting means: send this one without it.",
        figures={"held": " ".join(job_number(panel.job) for panel in held)},
    )
