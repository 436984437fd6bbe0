"""A display profile describes one desk, not the picture."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-monitor-profile"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop a profile that calibrates a display."""
    profile = known.facts.profile
    if profile is not None and profile.monitor_calibration and profile.working_space is None:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} carries the profile of a display ({profile.description or 'no name'}).",
            "Convert it to a working space (sRGB, Adobe RGB, ROMM) in your editor and drop "
            "it again.",
            figures={"profile": profile.sha256[:8]},
        )
