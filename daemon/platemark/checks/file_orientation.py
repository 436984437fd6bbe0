"""One picture, two statements of which side is up."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-orientation"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture whose Exif and XMP turn it in two ways."""
    if known.facts.orientation_disputed:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} says twice which side is up, and not the same: orientation "
            f"{known.facts.orientation_disputed}.",
            "Open it in your editor, see that it stands upright, save it and drop it again. "
            f"Accepting means: turn it as Exif says (orientation {known.facts.orientation}).",
            figures={"orientation": known.facts.orientation_disputed},
        )
