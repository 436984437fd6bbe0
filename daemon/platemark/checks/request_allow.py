"""What can never be accepted cannot be allowed beforehand."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-allow"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Name `allow` words that do nothing: without a reason, or for what is never accepted."""
    request = known.resolved.request
    never = [code for code in request.allow if code in known.never_accepted]
    if never:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} allows {', '.join(never)}, which nobody may accept.",
            "Take it out of allow; accepting this note does no more than that.",
            figures={"codes": " ".join(never)},
        )
    photographers_own = [code for code in request.allow if code in known.photographers_own]
    if photographers_own and request.by not in known.photographers:
        yield caution(
            CODE,
            f"{known.name} allows {', '.join(photographers_own)}, which is the photographer's to "
            "accept, so it does not count.",
            "Write by = and the photographer's name beside allow.",
        )
    if request.allow and not request.because:
        yield caution(
            CODE,
            f"{known.name} allows {', '.join(request.allow)} but says no reason, so it does "
            "not count.",
            "Write because = beside allow.",
        )
