"""An edition is of one picture: another under its name may be a slip."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "edition-other-picture"
ACCEPT: Final = "photographer"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a file that neither is nor looks like any that was printed for its edition."""
    standing = known.editions
    if standing is None or standing.edition is None or known.measures is None:
        # Before it is measured nobody has looked at it.
        return
    edition = standing.edition
    if not standing.has_pictures or any(e.edition == edition.id for e in standing.pictures):
        return
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} asks for the edition {edition.name}, and looks like no picture of it.",
        "Withdraw it and drop it under the right edition; or a photographer accepts it as a "
        "picture of this one, and says why.",
        figures={"edition": edition.id},
    )
