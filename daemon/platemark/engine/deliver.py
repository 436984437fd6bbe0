"""Parcelled to delivered: proved at the other end, revealed once, never sent twice.

What a lab's end is asked is asked in a thread of its own, one for each lab and one thing at a time,
because a share that hangs holds whoever waits for it. The threads are daemons: nothing waits for
them at the end. They touch no record; what came of an errand is recorded by the service's own
thread, and an outcome for a parcel that has moved on meanwhile is dropped.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Literal

import structlog

from platemark import durable
from platemark.delivery import COLLECT, Courier, Revealed, courier_for
from platemark.engine.lifecycle import move
from platemark.engine.pack import parcel_folder
from platemark.engine.recall_work import RecallLines
from platemark.engine.render import drawing_path
from platemark.engine.workshop import Workshop
from platemark.ledger.read import ParcelRow
from platemark.model.errors import DeliveryFault, PlatemarkError
from platemark.model.lab import Lab
from platemark.model.notice import WaitingLine
from platemark.parcel.bag import verify_parcel

FIRST_WAIT_S = 60
LONGEST_WAIT_S = 3600
PATIENCE_S = 300
"""A lab's end that is silent for longer is told of, and a sweep waits no more."""
TIDYING_S = 5
"""A sweep waits for so long until what is ours is gone from a lab's end."""
SLOWEST = 1 << 20
"""Bytes a second below which a copy counts as hanging."""

Errands = Literal["upload", "reveal", "forget"]


@dataclass(slots=True)
class _Errand:
    """One thing asked of a lab's end."""

    what: Errands
    lab: Lab
    parcel: ParcelRow
    ident: str
    since: datetime
    started: float
    """By a clock that nobody sets."""
    patience_s: float
    done: threading.Event = field(default_factory=threading.Event)
    outcome: Revealed | None = None
    error: BaseException | None = None

    @property
    def is_late(self) -> bool:
        """Whether it was waited for long enough."""
        return not self.done.is_set() and time.monotonic() - self.started > self.patience_s

    @property
    def is_waited_for(self) -> bool:
        """Whether a sweep does not end before it; what only tidies up is not worth a long wait."""
        if self.what == "forget":
            return time.monotonic() - self.started <= TIDYING_S
        return not self.is_late

    def run(self, action: Callable[[], Revealed | None], wake: Callable[[], None]) -> None:
        """Do it; whatever comes of it is kept for the service's own thread."""
        try:
            self.outcome = action()
        except BaseException as error:
            self.error = error
        self.done.set()
        wake()


class Couriers:
    """Deliveries under way, with the waits after failures; only in memory."""

    def __init__(self, workshop: Workshop) -> None:
        self._workshop = workshop
        self._recalls = RecallLines(workshop)
        self._out: dict[str, _Errand] = {}
        """By lab."""
        self._not_before: dict[str, float] = {}
        self._waits: dict[str, float] = {}
        self._faults: dict[str, PlatemarkError] = {}
        """What each parcel's last failed errand said."""
        self._cleared: set[str] = set()
        """Parcels beside which nothing of ours is left at the lab."""
        self._arrived: dict[str, ParcelRow | None] = {}
        """By lab, the last that arrived: a mark of ours may lie beside it."""

    def tend(self, wake: Callable[[], None] = lambda: None) -> None:
        """Record what couriers came back with, and send those that are free.

        Args:
            wake: Called from another thread when one comes back.
        """
        mistake: Exception | None = None
        for errand in [each for each in self._out.values() if each.done.is_set()]:
            try:
                self._come_back(errand)
            except PlatemarkError:
                raise
            except Exception as error:
                self._wait(errand.parcel, _our_fault(errand))
                mistake = error
            del self._out[errand.lab.id]
        for lab in self._workshop.settings.labs:
            if lab.id not in self._out and lab.delivery.method != COLLECT:
                self._send(lab, wake)
        if mistake is not None:
            raise mistake

    @property
    def working(self) -> int:
        """How many are at a lab's end, those left out that are silent for too long."""
        return sum(errand.is_waited_for for errand in self._out.values())

    @property
    def troubles(self) -> tuple[PlatemarkError, ...]:
        """What labs' ends refused or do not answer, each sentence once."""
        late = [_silence(self._workshop, each) for each in self._out.values() if each.is_late]
        # One that is out again has not failed again yet.
        failed = [self._faults[name] for name in sorted(self._faults)]
        return tuple({error.sentence: error for error in (*late, *failed)}.values())

    @property
    def lines(self) -> list[WaitingLine]:
        """What WAITING.txt says of recalls that labs have not been told."""
        return self._recalls.lines()

    # -- sending -----------------------------------------------------------------------------

    def _send(self, lab: Lab, wake: Callable[[], None]) -> None:
        """Send a lab's courier on the errand that comes first; none where nothing is to be done."""
        now = self._workshop.clock.monotonic()
        for what, parcel in self._errands(lab):
            if self._not_before.get(parcel.name, 0) > now:
                continue
            try:
                self._start(lab, what, parcel, wake)
            except PlatemarkError as error:
                self._wait(parcel, error)
                continue
            return

    def _errands(self, lab: Lab) -> list[tuple[Errands, ParcelRow]]:
        """What is to be done at a lab's end, the most pressing first.

        What the lab is about to see comes before its recall, and a recall before more to print.
        """
        read = self._workshop.ledger.read
        notices = {row.notice for row in read.recalls(lab=lab.id)}
        closed = [
            parcel
            for parcel in read.parcels(state="closed", lab=lab.id)
            # A notice not to print may come twice, and must come.
            if parcel.name in notices or not self._was_for_collection(parcel)
        ]
        closed.sort(key=lambda parcel: (parcel.name not in notices, parcel.number))
        verified = read.parcels(state="verified", lab=lab.id)
        taken_back = read.parcels(state="taken-back", lab=lab.id)
        return [
            *(("reveal", parcel) for parcel in verified),
            *(("forget", parcel) for parcel in self._marked(lab)),
            *(("upload", parcel) for parcel in closed),
            *(("forget", parcel) for parcel in taken_back if not self._is_cleared(parcel)),
        ]

    def _was_for_collection(self, parcel: ParcelRow) -> bool:
        """Whether a parcel was put out to be fetched; the lab may have it, whatever it is now."""
        entry = self._workshop.ledger.read.entry(parcel.seq)
        return entry is not None and entry.body.get("method") == COLLECT

    def _marked(self, lab: Lab) -> list[ParcelRow]:
        """The parcel that arrived last, unless its mark is gone; a start does not know, and looks.

        It goes before the next is uploaded. One that cannot be removed then is left there; it
        means nothing to anybody else.
        """
        if lab.id not in self._arrived:
            arrived = self._workshop.ledger.read.parcels(state="delivered", lab=lab.id)
            self._arrived[lab.id] = arrived[-1] if arrived else None
        last = self._arrived[lab.id]
        return [last] if last is not None and last.name not in self._cleared else []

    def _is_cleared(self, parcel: ParcelRow) -> bool:
        if parcel.name in self._cleared:
            return True
        entry = self._workshop.ledger.read.entry(parcel.seq)
        if entry is None or entry.kind != "parcel-cleared":
            return False
        self._cleared.add(parcel.name)
        return True

    def _start(self, lab: Lab, what: Errands, parcel: ParcelRow, wake: Callable[[], None]) -> None:
        courier = courier_for(lab.delivery.method)
        if courier is None:
            raise DeliveryFault(
                f"Nobody knows how to deliver by “{lab.delivery.method}” to {lab.name}.",
                f"The parcel waits in outgoing/. Correct [delivery] in labs/{lab.id}.toml.",
            )
        folder = parcel_folder(self._workshop, parcel)
        ident = delivery_id(parcel, lab)
        action = partial(_do, courier, what, folder, parcel, lab, self._workshop, ident)
        errand = _Errand(
            what=what,
            lab=lab,
            parcel=parcel,
            ident=ident,
            since=self._workshop.clock.now(),
            started=time.monotonic(),
            patience_s=PATIENCE_S + _bytes_in(folder) / SLOWEST,
        )
        thread = threading.Thread(
            target=errand.run, args=(action, wake), name=f"courier-{lab.id}", daemon=True
        )
        try:
            thread.start()
        except RuntimeError as error:
            raise DeliveryFault(
                f"The system would not start the courier to {lab.name}.",
                "The parcel waits in outgoing/ and is tried again.",
            ) from error
        self._out[lab.id] = errand

    # -- recording ---------------------------------------------------------------------------

    def _come_back(self, errand: _Errand) -> None:
        name, log = errand.parcel.name, structlog.get_logger()
        now = self._workshop.ledger.read.parcel(name)
        if now is None or now.state != errand.parcel.state:
            # It was taken back meanwhile; what the courier left at the lab is fetched next.
            log.info("delivery-dropped", parcel=name, lab=errand.lab.id)
            self._forgive(name)
            return
        error = errand.error
        if error is None and errand.outcome == "conflict":
            error = DeliveryFault(
                f"{errand.lab.name} already has something else called {name}.",
                "Nothing was overwritten. Ask the lab, move that away, and it is tried again.",
            )
        if isinstance(error, PlatemarkError):
            self._wait(errand.parcel, error)
            return
        if error is not None:
            raise error
        self._record(errand)
        self._forgive(name)

    def _record(self, errand: _Errand) -> None:
        body = {"parcel": errand.parcel.name, "delivery": errand.ident}
        ledger = self._workshop.ledger
        if errand.what == "upload":
            with ledger.transaction() as transaction:
                # From here on nothing is ever uploaded again for this parcel.
                transaction.append("parcel-verified-at-lab", body)
            return
        if errand.what == "forget" and errand.parcel.state == "delivered":
            self._cleared.add(errand.parcel.name)
            return
        if errand.what == "forget":
            with ledger.transaction() as transaction:
                transaction.append("parcel-cleared", body)
            return
        rows = ledger.read.jobs(parcel=errand.parcel.name)
        with ledger.transaction() as transaction:
            transaction.append("parcel-delivered", {**body, "how": errand.outcome})
            for row in rows:
                if row.state == "parcelled":
                    move(transaction, row, "delivered", "delivered", {"parcel": errand.parcel.name})
        self._arrived[errand.lab.id] = ledger.read.parcel(errand.parcel.name)
        for row in rows:
            durable.remove_file(drawing_path(self._workshop, row.job))
        structlog.get_logger().info(
            "delivered", parcel=errand.parcel.name, lab=errand.lab.id, how=errand.outcome
        )

    def _forgive(self, parcel: str) -> None:
        self._not_before.pop(parcel, None)
        self._waits.pop(parcel, None)
        self._faults.pop(parcel, None)

    def _wait(self, parcel: ParcelRow, error: PlatemarkError) -> None:
        name = parcel.name
        wait = min(self._waits.get(name, FIRST_WAIT_S / 2) * 2, LONGEST_WAIT_S)
        self._waits[name] = wait
        self._not_before[name] = self._workshop.clock.monotonic() + wait
        if parcel.state in ("taken-back", "delivered"):
            # What may be left at the lab is under a name that nobody looks at: nobody is asked.
            structlog.get_logger().info("copy-not-fetched", parcel=name, why=error.sentence)
            return
        if name not in self._faults:
            structlog.get_logger().warning(
                "delivery-waits", lab=parcel.lab, parcel=name, why=error.sentence
            )
        self._faults[name] = error


def delivery_id(parcel: ParcelRow, lab: Lab) -> str:
    """Names one parcel to one place, the same however often it is tried."""
    text = f"{parcel.name}\0{parcel.tagmanifest}\0{lab.delivery.method}\0{lab.delivery.path}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _do(
    courier: Courier,
    what: Errands,
    folder: Path,
    parcel: ParcelRow,
    lab: Lab,
    workshop: Workshop,
    ident: str,
) -> Revealed | None:
    """What a courier's thread does; it may never come back."""
    root = workshop.folders.root
    if what == "reveal":
        outcome = courier.reveal(folder, lab.delivery, root, ident)
        if outcome != "gone":
            return outcome
        # Nobody has seen it, so bringing it once more is not sending it twice.
        _still_whole(folder, parcel)
        courier.upload(folder, lab.delivery, root, ident)
        outcome = courier.reveal(folder, lab.delivery, root, ident)
        if outcome == "gone":
            raise DeliveryFault(
                f"Something in {lab.name}'s folder removes {parcel.name} before it has its name.",
                "The parcel waits in outgoing/ and is tried again. Ask the lab what clears that "
                "folder; it must leave names alone that begin with a dot.",
            )
        return outcome
    if what == "forget":
        courier.forget(folder, lab.delivery, root, ident)
        return None
    _still_whole(folder, parcel)
    courier.upload(folder, lab.delivery, root, ident)
    return None


def _still_whole(folder: Path, parcel: ParcelRow) -> None:
    wrong = verify_parcel(folder, parcel.tagmanifest)
    if wrong:
        raise DeliveryFault(
            f"The parcel {parcel.name} in outgoing/ was changed after it was closed: {wrong[0]}.",
            "Nothing was sent. Put back what was changed; it is tried again.",
        )


def _bytes_in(folder: Path) -> int:
    """Bytes of a parcel; 0 where it is not there, which its courier finds out."""
    try:
        return sum(path.stat().st_size for path in folder.rglob("*"))
    except OSError:
        return 0


def _silence(workshop: Workshop, errand: _Errand) -> DeliveryFault:
    since = workshop.local(errand.since)
    day = "" if since.date() == workshop.local(workshop.clock.now()).date() else (
        f"{since.day} {since:%B}, "
    )  # fmt: skip
    return DeliveryFault(
        f"{errand.lab.name} has not answered since {day}{since:%H:%M}: {errand.lab.delivery.path} "
        f"hangs with parcel {errand.parcel.name}.",
        "Nothing is lost and everything else goes on. Connect that disk or share anew; the parcel "
        "stays in outgoing/ and goes on by itself.",
    )


def _our_fault(errand: _Errand) -> DeliveryFault:
    return DeliveryFault(
        f"Platemark made a mistake with parcel {errand.parcel.name} for {errand.lab.name}.",
        "The parcel stays in outgoing/ and is tried again. Tell whoever looks after Platemark; the "
        "log says more.",
    )
