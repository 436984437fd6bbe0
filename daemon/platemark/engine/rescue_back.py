"""Reads a lost part of the record back from the studio's files, as entries that say so.

What lies in a parcel counts as sent and is never sent again by itself. Whatever may have been sent
is held until a person has asked the lab; pictures that waited for an answer wait for one again.
Numbers that may have been given are left out.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import structlog

from platemark import durable
from platemark.checks.record_restored import stop_for
from platemark.delivery import COLLECT
from platemark.engine.claim import said
from platemark.engine.doubtful import DOUBTFUL
from platemark.engine.examine import held_body
from platemark.engine.knowing import restored_of
from platemark.engine.lifecycle import move
from platemark.engine.people import signer
from platemark.engine.rescue_bodies import as_claimed, body_of_ticket
from platemark.engine.rescue_gate import behind
from platemark.engine.rescue_look import (
    Found,
    FoundFile,
    FoundHeld,
    FoundParcel,
    archived_as,
    archived_files,
    look_through,
)
from platemark.engine.workshop import Workshop, space_hashes
from platemark.intake.answers import is_reason
from platemark.intake.drop_files import TAKEN, taken_path
from platemark.intake.layers import Gathered, gather
from platemark.ledger.chain import Entry
from platemark.ledger.keeping import Keeping
from platemark.ledger.store import Transaction, stamp
from platemark.model.errors import DecisionRefused, UsageError
from platemark.model.job import job_number, shown_name
from platemark.model.known import Restored
from platemark.model.plain import to_plain
from platemark.model.recall import RecallNotice
from platemark.model.studio import Person, Studio
from platemark.model.ticket import Ticket

JOBS_LEFT_OUT = 1000
PARCELS_LEFT_OUT = 100
"""So many numbers at least are left out after the highest that anything speaks of."""
_FILES_TOLD = 500
"""In one entry."""
_PICTURES = ("tif", "jpg", "png", "bin")
_UNKNOWN = (
    "who decided what, and why",
    "which profiles were admitted, refused or retired",
    "what was settled for pictures, and what was called back",
    "what labs confirmed",
)


@dataclass(slots=True)
class ReadBack:
    """What came of it."""

    parcels: list[str] = field(default_factory=list)
    doubtful: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    """Parcels that are not whole, with what is wrong."""
    jobs: list[int] = field(default_factory=list)
    """Jobs that count as sent by what their tickets say."""
    held: list[int] = field(default_factory=list)
    twice: list[str] = field(default_factory=list)
    """Jobs whose number the record has for another picture."""
    files: list[str] = field(default_factory=list)
    """Archived pictures that belong to no job any more."""
    held_unknown: list[str] = field(default_factory=list)
    first_job: int = 0


def read_back(workshop: Workshop, by: str, because: str) -> ReadBack:
    """Bring the record up to what the files tell; all of it becomes true together, or nothing.

    Args:
        workshop: Its lock held, nothing of it begun; the record may be empty.
        by: Who says so.
        because: Why.

    Raises:
        DecisionRefused: nobody of the studio says so, or without a reason.
        UsageError: the record knows all that the files tell.
        RecordDamaged: the record does not hold.
        DiskFault: the disk refuses.
    """
    person = who_says(workshop.settings.studio, by, because)
    if workshop.ledger.read.head().seq and not behind(workshop):
        raise UsageError(
            "The record knows everything that lies here: there is nothing to read back.",
            "Nothing was changed.",
        )
    found = look_through(workshop)
    done = ReadBack(held_unknown=found.held_unknown)
    with workshop.ledger.transaction() as transaction:
        writer = _Writer(workshop, transaction, found, done, person, because)
        writer.write()
    done.first_job = workshop.ledger.read.newest_job() + 1
    structlog.get_logger().warning("read-back", jobs=len(done.jobs), held=len(done.held))
    return done


def who_says(studio: Studio, by: str, because: str) -> Person:
    """The person who says that the record goes on from less than it was.

    Raises:
        DecisionRefused: nobody of the studio has that name, or nothing says why.
    """
    person = signer(studio, by)
    if not is_reason(because):
        raise DecisionRefused("Nothing says why.", "Give a reason with --because.")
    return person


class _Writer:
    """Writes everything within one transaction."""

    def __init__(
        self,
        workshop: Workshop,
        transaction: Transaction,
        found: Found,
        done: ReadBack,
        person: Person,
        because: str,
    ) -> None:
        self._workshop = workshop
        self._read = workshop.ledger.read
        self._transaction = transaction
        self._found = found
        self._done = done
        self._person = person
        self._because = because
        self._fetched = {lab.id for lab in workshop.settings.labs if lab.delivery.method == COLLECT}

    def write(self) -> None:
        """The one entry that says what happened comes first; everything else refers to it."""
        open_before = self._known_parcels()
        entry = self._begin([name for name, state in open_before.items() if state == DOUBTFUL])
        restored = restored_of(entry)
        for parcel in self._found.parcels:
            if parcel.notice is None:
                self._parcel(parcel, open_before)
        for parcel in self._found.parcels:
            if parcel.notice is not None:
                self._notice(parcel, parcel.notice)
        for name, state in open_before.items():
            if state == "given-up":
                self._append("parcel-given-up", {"parcel": name, "lab": self._lab_of(name)})
        self._hold_unsent(restored)
        for held in self._found.held:
            if self._read.job(held.job) is None:
                self._held(held)
        self._done.held += [
            row.job for state in ("claimed", "held") for row in self._read.jobs(state=state)
        ]
        self._done.held.sort()
        self._files()

    def _append(self, kind: str, body: dict[str, Any], job: int | None = None) -> Entry:
        return self._transaction.append(kind, body, job=job, actor=self._person.name)

    def _lab_of(self, name: str) -> str:
        row = self._read.parcel(name)
        return row.lab if row is not None else ""

    # -- what the record knows -------------------------------------------------------------------

    def _known_parcels(self) -> dict[str, str]:
        """What becomes of the record's own parcels that were not sent by what it knows.

        Of those that were closed nobody knows whether they were sent since. One that was sealed and
        lies in `outgoing/` was closed; else it was perhaps never made, and its jobs are held.
        """
        here = {parcel.name for parcel in self._found.parcels}
        becomes = {}
        for state in ("closed", "verified", "sealed"):
            for row in self._read.parcels(state=state):
                if state == "sealed":
                    becomes[row.name] = "sealed" if row.name in here else "given-up"
                elif row.lab not in self._fetched:
                    becomes[row.name] = DOUBTFUL
        return becomes

    def _begin(self, doubtful: list[str]) -> Entry:
        rescued = self._rescued()
        head = self._read.entry(self._read.head().seq)
        made = head.at if head is not None else stamp(self._workshop.clock.now())
        made = rescued.body["made"] if rescued is not None else made
        jobs, by_lab = self._numbers(rescued)
        self._done.doubtful += doubtful
        return self._append(
            "record-restored",
            {
                "copy": f"read-back-{stamp(self._workshop.clock.now())}",
                "copy_made": made,
                "how": "lost",
                "because": self._transaction.word(self._because),
                "last_job": jobs,
                "last_number": _beyond(jobs, JOBS_LEFT_OUT),
                "last_parcels": by_lab,
                "doubtful": doubtful,
                "whole_record_lost": head is None,
                "parcels_found": len(self._found.parcels),
                "held_found": len(self._found.held),
                "unknown": list(_UNKNOWN) if head is None else [],
            },
        )

    def _rescued(self) -> Entry | None:
        """The entry of a rescue since which nothing was read back."""
        keeping = Keeping(self._read)
        rescued, restored = keeping.newest("rescued"), keeping.newest("record-restored")
        if rescued is None or (restored is not None and restored.seq > rescued.seq):
            return None
        return rescued

    def _numbers(self, rescued: Entry | None) -> tuple[int, dict[str, int]]:
        """The highest number that a job was given, and by lab those that parcels may have been."""
        told: dict[str, Any] = {"last_job": 0, "last_parcels": {}}
        told = rescued.body if rescued is not None else told
        jobs = max(self._read.newest_job(), self._found.newest_job, told["last_job"])
        labs = {lab.id for lab in self._workshop.settings.labs}
        labs |= {row.lab for row in self._read.parcels()}
        labs |= self._found.newest_parcels.keys() | told["last_parcels"].keys()
        return jobs, {
            lab: _beyond(
                max(
                    self._read.newest_parcel_number(lab),
                    self._found.newest_parcels.get(lab, 0),
                    told["last_parcels"].get(lab, 0),
                ),
                PARCELS_LEFT_OUT,
            )
            for lab in sorted(labs)
        }

    # -- parcels ---------------------------------------------------------------------------------

    def _parcel(self, parcel: FoundParcel, open_before: dict[str, str]) -> None:
        row = self._read.parcel(parcel.name)
        if row is not None and row.name not in open_before and row.state != "given-up":
            return
        becomes = self._becomes(parcel)
        if row is not None and open_before.get(row.name) == DOUBTFUL and becomes == DOUBTFUL:
            return
        if parcel.wrong:
            self._done.damaged.append(f"{parcel.name}: {parcel.wrong}")
        state = "delivered" if becomes == "delivered" else "parcelled"
        tickets = parcel.ticket.tickets if parcel.ticket is not None else ()
        jobs = [ticket.job for ticket in tickets if self._job(parcel, ticket, state)]
        self._append(
            "parcel-read-back",
            {
                **self._about(parcel, becomes),
                "jobs": jobs,
                "files": {
                    str(ticket.job): self._transaction.word(ticket.print_file.path)
                    for ticket in tickets
                },
                "witness": to_plain(parcel.ticket.witness) if parcel.ticket is not None else None,
            },
        )
        self._done.parcels.append(parcel.name)
        if becomes == DOUBTFUL and parcel.name not in self._done.doubtful:
            self._done.doubtful.append(parcel.name)

    def _notice(self, parcel: FoundParcel, notice: RecallNotice) -> None:
        """Prints that were called back by a notice stay so."""
        row = self._read.parcel(parcel.name)
        jobs = []
        for each in notice.prints:
            if self._read.job(each.job) is None or self._read.recall(each.job) is not None:
                continue
            body = {"from": "notice", "how": "notice", "parcel": each.parcel, "lab": parcel.lab}
            self._append("recalled", body, job=each.job)
            jobs.append(each.job)
        if row is not None and not jobs:
            return
        becomes = row.state if row is not None else self._becomes(parcel)
        self._append(
            "parcel-read-back",
            {
                **self._about(parcel, becomes),
                "jobs": [],
                "recalls": jobs,
                "witness": to_plain(notice.witness),
            },
        )
        self._done.parcels.append(parcel.name)
        if becomes == DOUBTFUL and parcel.name not in self._done.doubtful:
            self._done.doubtful.append(parcel.name)

    def _becomes(self, parcel: FoundParcel) -> str:
        if parcel.at_lab or not parcel.folder.is_relative_to(self._workshop.folders.outgoing):
            return "delivered"
        return "closed" if parcel.lab in self._fetched else DOUBTFUL

    @staticmethod
    def _about(parcel: FoundParcel, becomes: str) -> dict[str, Any]:
        return {
            "parcel": parcel.name,
            "lab": parcel.lab,
            "number": parcel.number,
            "becomes": becomes,
            "tagmanifest_sha256": parcel.tagmanifest,
            "wrong": parcel.wrong,
        }

    def _job(self, parcel: FoundParcel, ticket: Ticket, state: str) -> bool:
        """Record a job as its ticket tells it; False where its number is another picture's."""
        row = self._read.job(ticket.job)
        if row is not None and row.original_sha256 != ticket.original.sha256:
            name = shown_name(os.fsencode(ticket.original.name))
            self._done.twice.append(f"{job_number(ticket.job)} {name}, in {parcel.name}")
            return False
        if row is not None and row.state == "delivered":
            return True
        self._append(
            "job-read-back",
            body_of_ticket(
                self._workshop.folders.archive, self._transaction, parcel, ticket, state
            ),
            job=ticket.job,
        )
        self._done.jobs.append(ticket.job)
        return True

    # -- what waits for a person -----------------------------------------------------------------

    def _hold_unsent(self, restored: Restored) -> None:
        """Hold every job that was not sent by what the record knows, and that no parcel has.

        A claimed one is held by the check when it is read; one that is held already is read again,
        so that its folder says this too.
        """
        for row in self._read.jobs(state="held"):
            why = {"why": "the record was lost in part"}
            move(self._transaction, row, "looked-again", "claimed", why)
        for state in ("examined", "rendered"):
            for row in self._read.jobs(state=state):
                body = held_body(self._workshop, row, stop_for(row.original_name, restored))
                move(self._transaction, row, "held", "held", body)

    def _held(self, held: FoundHeld) -> None:
        """A picture that waited for an answer waits for one again, under its own number.

        It is read anew, and the check that asks about lost records holds it with all its findings.
        """
        gathered, sidecar = self._gathered(held)
        self._append(
            "job-read-back",
            {
                "state": "claimed",
                "from": "held-folder",
                **as_claimed(held.surface, held.name),
                "sidecar_hex": sidecar.hex() if sidecar is not None else None,
                **said(self._transaction, gathered),
                "original": {
                    "sha256": held.sha256,
                    "extension": archived_as(self._workshop.folders.archive, held.sha256),
                },
            },
            job=held.job,
        )

    def _gathered(self, held: FoundHeld) -> tuple[Gathered, bytes | None]:
        """What is asked of it by its name, its folders, and the sidecar that went to `taken/`."""
        hot = self._workshop.folders.hot
        name = os.fsencode(held.name)
        surface = self._workshop.settings.surface(held.surface)
        defaults = surface.defaults if surface is not None else ()
        plain = gather(hot, os.fsencode(held.surface) + b"/" + name, defaults)
        taken = taken_path(hot, held.surface, held.job, name)
        there = os.fsencode(f"{held.surface}/{TAKEN}/{taken.name}")
        with_sidecar = gather(hot, there, defaults)
        if with_sidecar.sidecar is None:
            return plain, None
        own = [e for e in with_sidecar.layers if e.source.startswith("sidecar ")]
        troubles = [t for t in with_sidecar.troubles if t.sentence.startswith("Sidecar ")]
        joined = Gathered(
            (*plain.layers, *own), (*plain.troubles, *troubles), with_sidecar.sidecar, None
        )
        return joined, with_sidecar.sidecar

    # -- files -----------------------------------------------------------------------------------

    def _files(self) -> None:
        """Record every archived file that belongs to no entry: it is listed, not lost."""
        keeping = Keeping(self._read)
        ours = set(space_hashes().values())
        loose = [
            file
            for file in archived_files(self._workshop.folders.archive)
            if file.sha256 not in ours and not keeping.rows_of(file.sha256)
        ]
        sizes = {file.bytes for file in loose}
        names = dict(_taken_names(self._found, sizes))
        for page in (loose[at : at + _FILES_TOLD] for at in range(0, len(loose), _FILES_TOLD)):
            self._append("files-found", {"files": [_told(file, names) for file in page]})
        # Those of which a name is known say most.
        loose.sort(key=lambda file: (file.sha256 not in names, file.sha256))
        self._done.files += [
            f"{file.sha256}.{file.extension}"
            + (f"  ({names[file.sha256]})" if file.sha256 in names else "")
            for file in loose
            if file.extension in _PICTURES
        ]


def _beyond(newest: int, least: int) -> int:
    return -(-(newest + least) // least) * least


def _taken_names(found: Found, sizes: Iterable[int]) -> Iterator[tuple[str, str]]:
    """The name under which a file was taken in, by its content; only files of such sizes count."""
    for size in sizes:
        for _, path in found.taken.get(size, ()):
            yield durable.hash_file(path), _shown(path)


def _shown(path: Path) -> str:
    return f"hot/{path.parent.parent.name}/{TAKEN}/{shown_name(os.fsencode(path.name))}"


def _told(file: FoundFile, names: dict[str, str]) -> dict[str, Any]:
    return {
        "sha256": file.sha256,
        "extension": file.extension,
        "bytes": str(file.bytes),
        "taken_as": names.get(file.sha256),
    }
