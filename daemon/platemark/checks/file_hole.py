"""A hole: zeros on the disk where a copy has not written."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "file-hole"
ACCEPT: Final = "photographer"


def find(known: Known) -> Iterable[Finding]:
    """Stop a file with an aligned run of zero bytes amid its picture."""
    if known.facts.zero_run:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} has a hole: {known.facts.zero_run}.",
            "The copy was probably not finished. Compare it with your own file and copy it again; "
            "accept only if the picture is truly black there.",
            figures={"where": known.facts.zero_run},
        )
