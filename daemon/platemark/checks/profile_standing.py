"""The lab's profile must be there, whole and not retired."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "profile-unusable"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop when the product's profile is missing, was refused or was retired."""
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
    elif standing.state == "retired":
        when = f" on {standing.retired_on.isoformat()}" if standing.retired_on else ""
        yield stop(
            CODE,
            ACCEPT,
            f"The lab's profile {standing.file} was retired by {standing.retired_by}{when}, and "
            "no other was added since.",
            "Ask the lab for its current profile and add it with `platemark profiles add`; then "
            "it goes on by itself.",
            figures={"profile": "retired"},
        )
    elif standing.state == "refused":
        yield stop(
            CODE,
            ACCEPT,
            f"The lab's profile {standing.file} cannot be used: {'; '.join(standing.reasons)}.",
            "Ask the lab for a sound copy and put it into profiles/; then it goes on by itself.",
            figures={"profile": standing.sha256},
        )
