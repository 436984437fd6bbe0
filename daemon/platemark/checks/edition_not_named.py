"""A picture of an edition must not be printed beside it unnoticed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.edition import PictureOf
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "edition-not-named"
ACCEPT: Final = "photographer"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a picture of an edition, by its bytes or its likeness, that asks for none or another.

    Test prints are judged and not sold, so they are not asked.
    """
    standing, request = known.editions, known.resolved.request
    if standing is None or request.purpose == "test":
        return
    if request.edition is not None and standing.edition is None:
        # An id that is none is asked about by itself.
        return
    ours = [each for each in standing.pictures if each.edition == request.edition]
    if any(each.how != "listed" for each in ours):
        return
    # A file alone, copied or renamed, does not take a picture out of the edition that has sold it.
    others = [
        each
        for each in standing.pictures
        if each.edition != request.edition and (not ours or each.how != "listed")
    ]
    if not others:
        return
    # What is known by its bytes says more than what looks alike.
    others.sort(key=lambda each: (each.how == "alike", each.bits))
    first = others[0]
    asks = f"it asks for the edition {request.edition}" if request.edition else "it does not say so"
    yield stop(
        CODE,
        ACCEPT,
        f"{known.name} {_is(first)} the edition {first.name}, and {asks}.",
        f"Answer with edition={first.edition} to have it counted; a photographer may accept it as "
        "a print beside the edition, and says why.",
        figures={"edition": first.edition},
        choices=tuple(f"edition={each.edition}" for each in others[:3]),
    )


def _is(picture: PictureOf) -> str:
    if picture.how == "alike":
        return f"looks like the picture of (they differ in {picture.bits} of 64 bits of likeness)"
    return "is the picture of"
