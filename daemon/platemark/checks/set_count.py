"""A set goes whole: neither fewer pictures than it has, nor more."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "set-count"
ACCEPT: Final = "photographer"
OF_SET: Final = True
FOR_ALL: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a set of which another number of pictures is here than `set_of` says."""
    whole = known.whole_set
    if whole is None or whole.of is None:
        return
    here = 1 + len(whole.others)
    figures = {"here": str(here), "of": str(whole.of)}
    if here < whole.of:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} belongs to the set “{whole.name}”, of which {here} of {whole.of} "
            f"pictures {'is' if here == 1 else 'are'} here.",
            "Drop the others with the same set and order; then all go on by themselves. Accepting "
            "means: send what is here without the rest.",
            figures=figures,
            choices=(f"set_of={here}",),
        )
    elif here > whole.of:
        yield stop(
            CODE,
            ACCEPT,
            f"{known.name} belongs to the set “{whole.name}”, which is said to have {whole.of} "
            f"pictures, and {here} say that they belong to it.",
            "Withdraw what is too much, or answer with the right set_of for each. Accepting means: "
            "send all of them as one set.",
            figures=figures,
            choices=(f"set_of={here}",),
        )
