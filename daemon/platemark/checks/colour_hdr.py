"""High dynamic range has no paper white."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-hdr"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture that is coded for high dynamic range."""
    facts = known.facts
    if facts.dynamic_range == "high" and not facts.damage:
        what = facts.profile.description if facts.profile is not None else ""
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} has no paper white, for its colours ({what or 'no name'}) are those of "
            "high dynamic range.",
            "Export it as a picture of standard range, in a working space, and drop that.",
        )
