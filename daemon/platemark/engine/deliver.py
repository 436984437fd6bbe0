"""Parcelled to delivered: proved at the other end, revealed once, never sent twice."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from platemark.delivery import COLLECT, courier_for
from platemark.engine.lifecycle import move
from platemark.engine.pack import parcel_folder
from platemark.engine.workshop import Workshop
from platemark.ledger.read import ParcelRow
from platemark.model.errors import DeliveryFault, PlatemarkError
from platemark.model.lab import Lab
from platemark.parcel.bag import verify_parcel

FIRST_WAIT_S = 60
LONGEST_WAIT_S = 3600


@dataclass(slots=True)
class Couriers:
    """Deliveries under way, with the waits after failures; only in memory."""

    not_before: dict[str, float] = field(default_factory=dict)
    waits: dict[str, float] = field(default_factory=dict)
    troubles: dict[str, PlatemarkError] = field(default_factory=dict)
    """What each lab's last failed delivery said, for WAITING.txt."""


def deliver_closed(workshop: Workshop, couriers: Couriers) -> int:
    """Deliver every closed parcel whose lab has a way; gives how many arrived."""
    arrived = 0
    now = workshop.clock.monotonic()
    for state in ("closed", "verified"):
        for parcel in workshop.ledger.read.parcels(state=state):
            lab = workshop.settings.lab(parcel.lab)
            if lab is None or lab.delivery.method == COLLECT:
                continue
            if couriers.not_before.get(lab.id, 0) > now:
                continue
            try:
                arrived += _deliver(workshop, lab, parcel)
            except PlatemarkError as error:
                _wait(couriers, lab, parcel, error, now)
            else:
                for memory in (couriers.not_before, couriers.waits, couriers.troubles):
                    memory.pop(lab.id, None)
    return arrived


def delivery_id(parcel: ParcelRow, lab: Lab) -> str:
    """Names one parcel to one place, the same however often it is tried."""
    text = f"{parcel.name}\0{parcel.tagmanifest}\0{lab.delivery.method}\0{lab.delivery.path}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _deliver(workshop: Workshop, lab: Lab, parcel: ParcelRow) -> int:
    courier = courier_for(lab.delivery.method)
    if courier is None:
        raise DeliveryFault(
            f"Nobody knows how to deliver by “{lab.delivery.method}” to {lab.name}.",
            f"Correct [delivery] in labs/{lab.id}.toml.",
        )
    folder, ident = parcel_folder(workshop, parcel), delivery_id(parcel, lab)
    if parcel.state == "closed":
        _still_whole(folder, parcel)
        courier.upload(folder, lab.delivery, workshop.folders.root, ident)
        with workshop.ledger.transaction() as transaction:
            # From here on nothing is ever uploaded again for this parcel.
            transaction.append("parcel-verified-at-lab", {"parcel": parcel.name, "delivery": ident})
    outcome = courier.reveal(folder, lab.delivery, workshop.folders.root, ident)
    if outcome == "conflict":
        raise DeliveryFault(
            f"{lab.name} already has something else called {parcel.name}.",
            "Nothing was overwritten. Ask the lab, move that away, and it is tried again.",
        )
    closed = workshop.ledger.read.jobs(parcel=parcel.name)
    with workshop.ledger.transaction() as transaction:
        transaction.append(
            "parcel-delivered", {"parcel": parcel.name, "delivery": ident, "how": outcome}
        )
        for row in closed:
            if row.state == "parcelled":
                move(transaction, row, "delivered", "delivered", {"parcel": parcel.name})
    structlog.get_logger().info("delivered", parcel=parcel.name, lab=lab.id, how=outcome)
    return 1


def _still_whole(folder: Path, parcel: ParcelRow) -> None:
    wrong = verify_parcel(folder, parcel.tagmanifest)
    if wrong:
        raise DeliveryFault(
            f"The parcel {parcel.name} in outgoing/ was changed after it was closed: {wrong[0]}.",
            "Nothing was sent. Put back what was changed; it is tried again.",
        )


def _wait(
    couriers: Couriers, lab: Lab, parcel: ParcelRow, error: PlatemarkError, now: float
) -> None:
    wait = min(couriers.waits.get(lab.id, FIRST_WAIT_S / 2) * 2, LONGEST_WAIT_S)
    first = lab.id not in couriers.troubles
    couriers.waits[lab.id] = wait
    couriers.not_before[lab.id] = now + wait
    couriers.troubles[lab.id] = error
    if first:
        structlog.get_logger().warning(
            "delivery-waits", lab=lab.id, parcel=parcel.name, why=error.sentence
        )
