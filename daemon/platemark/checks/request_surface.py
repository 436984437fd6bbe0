"""The folder says the surface; a request may only agree."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-surface"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop a request for another surface than the folder's."""
    asked = known.resolved.request.surface
    if asked is not None and asked != known.folder_surface:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} lies in the folder {known.folder_surface} but asks for {asked}.",
            "Withdraw it and drop it in the right folder, or choose the folder's surface.",
            choices=(f"surface={known.folder_surface}",),
        )
