"""Questions about one picture with one request; one file a question, found by a walk.

A module here has a `CODE`, an `ACCEPT` (who may accept its stop: `never`, `assistant` or
`photographer`) and a function `find(known) -> Iterable[Finding]`. To add a check, add a file.
Where some of its stops are harder to accept than others, `ACCEPT` is for the easiest.
Where it is about a whole set it has `OF_SET = True`, and `FOR_ALL = True` where what is accepted
for one picture of the set is accepted for all of them.
Where what it says is the studio's own affair it has `FOR_US = True`, and no lab is told.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from platemark.model.finding import Acceptor, Finding
from platemark.model.known import Known

__all__ = ["Check", "all_checks", "run_checks"]


@dataclass(frozen=True, slots=True)
class Check:
    """One question: its code, who may accept its stop, and the question itself."""

    code: str
    accept: Acceptor
    find: Callable[[Known], Iterable[Finding]]
    of_set: bool
    """It is about the set that a picture belongs to, not about the picture."""
    for_all: bool
    """Accepted for one picture of a set, it is accepted for all."""
    for_us: bool
    """What it says is for the studio alone, and stands on no ticket."""


def all_checks() -> tuple[Check, ...]:
    """Every check in this package, by code.

    Raises:
        ValueError: two modules have the same code.
    """
    found: dict[str, Check] = {}
    for info in pkgutil.iter_modules(__path__):
        module = importlib.import_module(f"{__name__}.{info.name}")
        check = Check(
            module.CODE,
            module.ACCEPT,
            module.find,
            of_set=getattr(module, "OF_SET", False),
            for_all=getattr(module, "FOR_ALL", False),
            for_us=getattr(module, "FOR_US", False),
        )
        if check.code in found:
            raise ValueError(f"two checks are called {check.code}")
        found[check.code] = check
    return tuple(found[code] for code in sorted(found))


def run_checks(known: Known) -> tuple[Finding, ...]:
    """Ask every question; all findings at once, stops first.

    Of a file that is damaged, of no form that is read, or over a limit, only the file and the
    request are spoken of: what else would be said of it is guessing.
    """
    facts = known.facts
    findings = [finding for check in all_checks() for finding in check.find(known)]
    if facts.format == "other" or facts.damage or facts.over_limit or facts.unread:
        findings = [f for f in findings if f.code.startswith(("file-", "request-"))]
    return tuple(sorted(findings, key=lambda f: (f.severity != "stop", f.code)))
