"""A printer profile inside a picture means it was converted already."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "colour-profile-class"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop a printer's profile (unless plain grey), links and the like, and unknown versions.

    A space that the file only names has no profile whose class or version could be wrong.
    """
    profile = known.facts.profile
    if profile is None or profile.damage or not profile.sha256:
        return
    kind = profile.device_class
    if kind in ("link", "abst", "nmcl"):
        yield stop(
            CODE,
            "never",
            f"The profile inside {known.name} cannot describe a picture (class {kind}).",
            "Assign a working space in your editor, save, and drop it again.",
        )
    elif profile.version.split(".")[0] not in ("2", "4"):
        yield stop(
            CODE,
            "never",
            f"The profile inside {known.name} is of version {profile.version}; 2 and 4 can be "
            "used.",
            "Convert it to a common working space in your editor and drop it again.",
        )
    elif kind == "prtr" and known.facts.mode != "grey":
        is_rgb = profile.colour_space.strip() == "RGB" and known.facts.mode == "rgb"
        yield stop(
            CODE,
            ACCEPT if is_rgb else "never",
            f"{known.name} carries a printer's profile ({profile.description or 'no name'}): it "
            "was already converted for a printer, and would be converted twice.",
            "Drop the picture from before that conversion, in its working space."
            + (" Accepting means: read its colours by that profile all the same." * is_rgb),
            figures={"profile": profile.sha256[:8]},
        )
