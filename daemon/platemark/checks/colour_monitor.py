"""A display profile describes one desk, not the picture."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-monitor-profile"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop a profile that calibrates a display; warn of unknown primaries with a device's name."""
    profile = known.facts.profile
    if profile is None or profile.damage or profile.working_space is not None:
        return
    if profile.monitor_calibration:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} carries the profile of a display ({profile.description or 'no name'}).",
            "Convert it to a working space (sRGB, Adobe RGB, ROMM) in your editor and drop "
            "it again.",
            figures={"profile": profile.sha256[:8]},
        )
    elif profile.device_named and profile.device_class == "mntr":
        yield caution(
            CODE,
            f"{known.name} carries a profile ({profile.description or 'no name'}) that names a "
            "device and is no working space that is known here; it may be a display's.",
            "If it is your display's, convert the picture to a working space in your editor.",
        )
