"""What can never be accepted, or is no code, cannot be allowed beforehand."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-allow"
ACCEPT: Final = "assistant"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Name `allow` words that do nothing: no code, no reason, or for what is never accepted."""
    request = known.resolved.request
    for code in request.allow:
        if code in known.codes:
            continue
        near = get_close_matches(code, sorted(known.codes), 1)
        yield caution(
            CODE,
            f"{known.name} allows {code}, which is not the code of any finding"
            + (f"; {near[0]} may be meant." if near else "."),
            "Write the code as the finding has it.",
        )
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
