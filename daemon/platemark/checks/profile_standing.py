"""The lab's profile must be there, whole and the one that was registered."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "profile-unusable"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop when the product's profile is missing or was refused."""
    standing = known.profile
    if standing.state == "missing":
        yield stop(
            CODE,
            ACCEPT,
            f"The lab's profile {standing.file} is not in profiles/.",
            "Put the file that the lab sent into profiles/ under that name; then it goes on by "
            "itself.",
            figures={"profile": "missing"},
        )
    elif standing.state == "refused":
        yield stop(
            CODE,
            ACCEPT,
            f"The lab's profile {standing.file} cannot be used: {'; '.join(standing.reasons)}.",
            "Ask the lab for a sound copy and put it into profiles/; then it goes on by itself.",
            figures={"profile": standing.sha256},
        )
