"""A recall notice: what a lab is told of prints that it has, or may have, and is not to make.

These classes are the shape of `recall.json`; its JSON Schema is made from them. A field that is
added gets a default, so that notices from before stay valid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from platemark.model.ticket import TicketRecall, Witness

RECALL_VERSION = "1"


@dataclass(frozen=True, slots=True)
class RecalledPrint:
    """One job that is called back, named so that it can be found at the lab."""

    job: int
    parcel: str
    """The parcel that it came in."""
    product: str
    """The lab's own product name."""
    surface: str
    size: str
    copies: int
    purpose: Literal["final", "test"]
    print_file: str
    """From that parcel's root."""
    print_file_sha256: str
    title: str | None
    order: str | None


@dataclass(frozen=True, slots=True)
class RecallNotice:
    """`recall.json`: everything that one lab is told of one recall."""

    version: str
    parcel: str
    """The notice's own name; also its folder's."""
    lab: str
    lab_name: str
    studio: str
    created: str
    """UTC, RFC 3339."""
    witness: Witness
    prints: tuple[RecalledPrint, ...]
    whole_parcels: tuple[str, ...]
    """Parcels of which nothing is to be printed; of all others the rest is."""
    before: tuple[TicketRecall, ...]
    """Other jobs of the same parcels that earlier notices called back: they stay so."""
    instructions: tuple[str, ...]
    """What to do, one sentence each; never why."""
    studio_contact: str | None = None
