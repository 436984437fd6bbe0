"""After the record was restored from a copy, nobody knows what became of a job since then."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known, Restored

CODE: Final = "record-restored"
ACCEPT: Final = "assistant"
FOR_US: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a job that was on its way when the copy was made: it may have been sent since."""
    if known.restored is not None:
        yield stop_for(known.name, known.restored)


def stop_for(name: str, restored: Restored) -> Finding:
    """The stop, for one picture by its name."""
    made = f"{restored.made.day} {restored.made:%B %Y}"
    said = {
        "copy": f"This studio goes on from a copy of {made}, and {name} was not sent then. Whether "
        "it was sent since, only the lab knows.",
        "lost": f"The record of this studio was lost and goes only to {made}: {name} was not sent "
        "by then. Whether it was sent since, only the lab knows.",
        "read-back": f"The record of this studio was lost, and {name} is known from what lay in "
        "its folders. Whether it was sent, only the lab knows; what was asked of it in an order "
        "sheet or an answer, nobody.",
        "unplaced": f"{name} was taken in once before, by a part of this studio's record that was "
        "lost. Whether it was printed, only the lab knows.",
    }
    return stop(
        CODE,
        ACCEPT,
        said[restored.how],
        "Ask the lab. Accept if it does not have the print, and say what is missing of its request "
        "(--set); withdraw if it does."
        if restored.how == "read-back"
        else "Ask the lab. Accept if it does not have the print; withdraw if it does.",
        figures={"entry": str(restored.seq)},
    )
