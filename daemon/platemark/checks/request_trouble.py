"""What was asked must be readable and said once."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-unclear"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop keys that nobody knows, values that cannot be read, and statements that disagree."""
    for trouble in known.resolved.troubles:
        if trouble.kind == "disagree":
            then = "Choose one; or correct the name, the folder or the file beside it."
        else:
            then = "Correct it there, or answer with the right value."
        yield stop(CODE, ACCEPT, trouble.sentence, then, choices=trouble.choices)
