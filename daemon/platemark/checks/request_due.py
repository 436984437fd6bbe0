"""A day that is past cannot be kept."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-due"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of a print that was wanted before today."""
    due = known.resolved.request.due
    if due is not None and due < known.today:
        yield caution(
            CODE,
            f"{known.name} is wanted by {due.isoformat()}, which is past.",
            "Tell the lab when it is wanted now.",
        )
