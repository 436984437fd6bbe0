"""Profiles age."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "profile-date"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop after the date that the lab stated; warn when a profile is old."""
    standing = known.profile
    if standing.valid_until is not None and known.today > standing.valid_until:
        yield stop(
            CODE,
            ACCEPT,
            f"The lab's profile {standing.file} was valid until "
            f"{standing.valid_until.isoformat()}.",
            "Ask the lab for its current profile and put it into profiles/.",
            figures={"valid until": standing.valid_until.isoformat()},
        )
    elif standing.admitted_on is not None:
        months = (known.today.year - standing.admitted_on.year) * 12 + (
            known.today.month - standing.admitted_on.month
        )
        if months >= known.limits.profile_months:
            yield caution(
                CODE,
                f"The profile {standing.file} was registered {months} months ago.",
                "Ask the lab whether it is still current.",
            )
