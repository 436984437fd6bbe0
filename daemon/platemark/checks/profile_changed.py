"""A profile that changed makes a print that looks different."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "profile-changed"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop when the profile file is not the one that was registered."""
    standing = known.profile
    if standing.state == "changed":
        yield stop(
            CODE,
            ACCEPT,
            f"The lab's profile {standing.file} changed: registered was "
            f"{standing.registered_sha256[:8]}, now it is {standing.sha256[:8]}.",
            "Ask the lab whether that is meant. Accepting means: use the new one from now "
            "on; order a "
            "test first.",
            figures={"profile": standing.sha256},
        )
