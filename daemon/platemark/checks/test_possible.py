"""A test for which the lab sells no size, or steps that a picture cannot show."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known
from platemark.model.testing import why_not_test

CODE: Final = "test-not-possible"
ACCEPT: Final = "never"


def find(known: Known) -> Iterable[Finding]:
    """Stop a test that cannot be made as it is asked."""
    why = why_not_test(known)
    if why:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} cannot be tested: {why}.",
            "Order it as a final, or set another size, surface or kind of steps.",
            choices=("purpose=final", "steps=lightness") if "steps" in why else ("purpose=final",),
        )
