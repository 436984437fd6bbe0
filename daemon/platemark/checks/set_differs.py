"""The pictures of a set hang side by side, so they are made alike."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.known import Known

CODE: Final = "set-differs"
ACCEPT: Final = "photographer"
OF_SET: Final = True
FOR_ALL: Final = True


def find(known: Known) -> Iterable[Finding]:
    """Stop a set whose pictures do not share surface, profile, intent, adjustment and the like."""
    whole = known.whole_set
    if whole is None or not whole.own.traits:
        return
    planned = sorted((whole.own, *whole.others), key=lambda panel: panel.job)
    planned = [panel for panel in planned if panel.traits]
    told, figures = [], {}
    for name in dict.fromkeys(name for panel in planned for name, _ in panel.traits):
        values = [(dict(p.traits)[name], p.job) for p in planned if name in dict(p.traits)]
        if len({value for value, _ in values}) > 1:
            listed = ", ".join(f"{job_number(job)} has {value}" for value, job in values)
            told.append(f"{name}: {listed}")
            figures[name] = " ".join(value for value, _ in values)
    if told:
        yield stop(
            CODE,
            ACCEPT,
            f"The pictures of the set “{whole.name}” would not be made alike ({'; '.join(told)}).",
            _next(figures),
            figures=figures,
            choices=_ways(figures),
        )


def _next(figures: dict[str, str]) -> str:
    then = "Correct the request of the one that is wrong. Accepting means: they may differ."
    settled = [f"--{option}" for name, option in _SETTLED if name in figures]
    if not settled:
        return then
    return f"`platemark decide N` with {' and '.join(settled)} settles it for the whole set. {then}"


_SETTLED: Final = (("adjustment", "adjust"), ("intent", "intent"))


def _ways(figures: dict[str, str]) -> tuple[str, ...]:
    """Ready answers, where what differs can be answered for one picture."""
    ways = ("sharpen=none", "sharpen=surface") if "sharpening" in figures else ()
    counts = figures.get("pictures in the set", "").split()
    return (*ways, *(f"set_of={count}" for count in dict.fromkeys(counts)))
