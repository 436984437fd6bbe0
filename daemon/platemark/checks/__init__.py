"""Questions about one picture with one request; one file a question, found by a walk.

A module here has a `CODE`, an `ACCEPT` (who may accept its stop: `never`, `assistant` or
`photographer`) and a function `find(known) -> Iterable[Finding]`. To add a check, add a file.
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


def all_checks() -> tuple[Check, ...]:
    """Every check in this package, by code.

    Raises:
        ValueError: two modules have the same code.
    """
    found: dict[str, Check] = {}
    for info in pkgutil.iter_modules(__path__):
        module = importlib.import_module(f"{__name__}.{info.name}")
        check = Check(module.CODE, module.ACCEPT, module.find)
        if check.code in found:
            raise ValueError(f"two checks are called {check.code}")
        found[check.code] = check
    return tuple(found[code] for code in sorted(found))


def run_checks(known: Known) -> tuple[Finding, ...]:
    """Ask every question; all findings at once, stops first.

    A file that cannot be read whole, or is over a limit, answers no further question: what else
    would be said of it is guessing.
    """
    findings = [finding for check in all_checks() for finding in check.find(known)]
    unreadable = [f for f in findings if f.accept == "never" and f.code.startswith("file-")]
    if unreadable:
        findings = [f for f in findings if f in unreadable or f.code.startswith("request-")]
    return tuple(sorted(findings, key=lambda f: (f.severity != "stop", f.code)))
