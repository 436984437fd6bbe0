"""Editions are counted before they are printed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-edition"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop a request that names an edition: this version does not count editions yet."""
    edition = known.resolved.request.edition
    if edition is not None:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} belongs to the edition {edition}, and editions are not counted yet.",
            "Withdraw it and keep the edition by hand until Platemark can count it.",
        )
