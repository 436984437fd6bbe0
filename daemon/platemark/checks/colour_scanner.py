"""A scanner's profile says what one scanner saw."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import caution
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-scanner-profile"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Warn of a profile of the scanner class; it can be used."""
    profile = known.facts.profile
    if profile is not None and not profile.damage and profile.device_class == "scnr":
        yield caution(
            CODE,
            f"{known.name} carries a scanner's profile ({profile.description or 'no name'}); it is "
            "read with it.",
            "If the picture was edited after the scan, convert it to a working space first.",
        )
