"""The forms in which a parcel's tickets are written, found by a walk over this package.

A new form is one module here with a `FORM`; nothing else is edited.
"""

from __future__ import annotations

import functools
import importlib
import pkgutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from platemark.model.paper import Paper
from platemark.model.ticket import ParcelTicket

Drawings = Mapping[int, bytes]
"""A JPEG for each job's number."""

Draw = Callable[[Mapping[str, Paper]], Mapping[str, bytes]]
"""Draws papers as PDF, by file name; one that a mistake of ours spoils is left out."""


@dataclass(frozen=True, slots=True)
class Pictures:
    """What a form may show beside its words."""

    drawings: Drawings
    """The whole print file, small, with its lines and its top."""
    previews: Drawings
    """How the picture will look on its surface; not every job has one."""
    drawing_files: Mapping[int, str] = field(default_factory=dict)
    """Where the same lie, for papers: those are drawn in a process of their own."""
    preview_files: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TicketForm:
    """One file beside the print files, and how it is made."""

    file_name: str
    make: Callable[[ParcelTicket, Pictures], bytes | Paper]
    """A paper is drawn as PDF before it is put into the parcel."""


@functools.cache
def ticket_forms() -> tuple[TicketForm, ...]:
    """Every form that this package has, by file name."""
    package = importlib.import_module("platemark.parcel")
    found = []
    for entry in pkgutil.iter_modules(package.__path__, "platemark.parcel."):
        form = getattr(importlib.import_module(entry.name), "FORM", None)
        if isinstance(form, TicketForm):
            found.append(form)
    return tuple(sorted(found, key=lambda form: form.file_name))
