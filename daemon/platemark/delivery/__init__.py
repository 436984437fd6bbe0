"""Hands a closed parcel over and verifies it at the other end.

A module here has a `METHOD` (the word in a lab's `[delivery]`) and a `COURIER` with three
functions:

`upload(parcel, means, root, delivery_id)` puts a copy under a private name and proves it;
`reveal(parcel, means, root, delivery_id)` gives it its final name, or finds that it has it;
`forget(parcel, means, root, delivery_id)` removes what is left of ours: of an upload that is never
revealed, and beside a parcel whose arrival is on record.

They are called from a thread of the lab's own and may take as long as they need, or never return.

To add a way of delivering, add a file.
"""

from __future__ import annotations

import importlib
import pkgutil
from pathlib import Path
from typing import Literal, Protocol

from platemark.model.lab import DeliveryMeans

__all__ = ["COLLECT", "Courier", "Revealed", "courier_for", "methods"]

COLLECT = "collect"
"""Nobody delivers: somebody fetches the parcel from `outgoing/`."""

Revealed = Literal["delivered", "inferred", "conflict", "gone"]
"""`inferred`: the parcel is gone from a folder that still bears the mark of its reveal, so the lab
took it; `conflict`: another thing has the name; `gone`: the copy went away before it ever had its
name, so nobody took it."""


class Courier(Protocol):
    """One way of delivering."""

    def upload(self, parcel: Path, means: DeliveryMeans, root: Path, delivery_id: str) -> None:
        """Put a proved copy under a private name; may be repeated freely.

        Raises:
            DeliveryFault: the other end cannot be reached or refuses.
        """
        ...

    def reveal(self, parcel: Path, means: DeliveryMeans, root: Path, delivery_id: str) -> Revealed:
        """Give the copy its final name, never over an existing one; may be repeated freely.

        Raises:
            DeliveryFault: the other end cannot be reached or refuses.
        """
        ...

    def forget(self, parcel: Path, means: DeliveryMeans, root: Path, delivery_id: str) -> None:
        """Remove the copy under its private name, and whatever else an upload left there.

        It is asked only for a parcel that was never revealed, or whose arrival is on record, and
        may be repeated freely.

        Raises:
            DeliveryFault: the other end cannot be reached or refuses.
        """
        ...


def courier_for(method: str) -> Courier | None:
    """The courier of that method; None for `collect` and for words that nobody knows."""
    return methods().get(method)


def methods() -> dict[str, Courier]:
    """Every way of delivering, by its word."""
    found: dict[str, Courier] = {}
    for info in pkgutil.iter_modules(__path__):
        module = importlib.import_module(f"{__name__}.{info.name}")
        found[module.METHOD] = module.COURIER
    return found
