"""What a recall leaves to do, all of it found from the record, so that it may be cut off anywhere.

Parcels that were taken back leave `outgoing/`, their other jobs go into a parcel with the next
number, and labs that have what was called back get a notice.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path

import structlog

from platemark import durable
from platemark.delivery import COLLECT
from platemark.engine.lifecycle import being_sealed
from platemark.engine.pack import close_notice, parcel_folder, repack
from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow, ParcelRow, RecallRow
from platemark.model.lab import Lab
from platemark.model.notice import WaitingLine

LOOKED_S = 10
"""Without news, what people are told is looked up this often."""


def finish_recalls(workshop: Workshop) -> None:
    """Do what recalls have left to do; nothing where nothing is left.

    Raises:
        DiskFull: there is no room for a parcel or a notice; it is tried again.
    """
    for parcel in workshop.ledger.read.parcels(state="taken-back"):
        _take_out(workshop, parcel)
        _pack_rest(workshop, parcel)
    _throw_away(workshop)
    _tell_labs(workshop)


class RecallLines:
    """What people are told of recalls that are not at their end.

    Looked up anew when the record has news, and now and then for what the record cannot know: that
    a notice was fetched, or a file mended.
    """

    def __init__(self, workshop: Workshop) -> None:
        self._workshop = workshop
        self._done: set[int] = set()
        """Jobs whose lab was told, as far as we ever know."""
        self._lines: list[WaitingLine] = []
        self._of = 0
        self._until = 0.0

    def lines(self) -> list[WaitingLine]:
        """One for each job."""
        head, now = self._workshop.ledger.read.head().seq, self._workshop.clock.monotonic()
        if head != self._of or now >= self._until:
            self._of, self._until = head, now + LOOKED_S
            self._lines = [*_stuck_lines(self._workshop), *self._notice_lines()]
        return self._lines

    def _notice_lines(self) -> list[WaitingLine]:
        read, lines = self._workshop.ledger.read, []
        for recall in read.recalls():
            if recall.job in self._done:
                continue
            told = _notice_words(self._workshop, recall) if recall.how == "notice" else None
            row = read.job(recall.job)
            if told is None or row is None:
                self._done.add(recall.job)
            else:
                lines.append(WaitingLine(row.job, row.original_name, "", *told))
        return lines


def _take_out(workshop: Workshop, parcel: ParcelRow) -> None:
    """Bring the folder of a parcel that was taken back out of `outgoing/`, whole."""
    folder = parcel_folder(workshop, parcel)
    if not os.path.lexists(folder):
        return
    away = _away(workshop) / f"{parcel.name}.{secrets.token_hex(4)}"
    durable.make_folder(away.parent)
    durable.publish(folder, away)
    structlog.get_logger().info("parcel-taken-back", parcel=parcel.name)


def _throw_away(workshop: Workshop) -> None:
    away = _away(workshop)
    for left in away.iterdir() if away.is_dir() else ():
        durable.remove_tree(left)


def _away(workshop: Workshop) -> Path:
    return workshop.folders.scratch("taken-back")


def _pack_rest(workshop: Workshop, parcel: ParcelRow) -> None:
    """Pack the other jobs of a parcel that was taken back, as far as that can be done now."""
    rows = _rest(workshop, parcel)
    lab = workshop.settings.lab(parcel.lab)
    sealed = being_sealed(workshop.ledger.read) if rows else set()
    fit = tuple(row for row in rows if row.job not in sealed and not _why_not(workshop, lab, row))
    if fit and lab is not None:
        repack(workshop, lab, parcel, fit)


def _rest(workshop: Workshop, parcel: ParcelRow) -> list[JobRow]:
    rows = workshop.ledger.read.jobs(parcel=parcel.name)
    return [row for row in rows if row.state == "parcelled"]


def _why_not(workshop: Workshop, lab: Lab | None, row: JobRow) -> str:
    """Why a job cannot be packed again, for people; empty where it can."""
    if lab is None or lab.product_for(row.surface) is None:
        return f"The studio's settings no longer say how {row.lab} prints on {row.surface}."
    if workshop.settings.surface(row.surface) is None:
        return f"There is no surfaces/{row.surface}.toml any more."
    printed = workshop.ledger.read.body(row.rendered_seq)["print_file"]
    path = workshop.folders.archived(printed["sha256"], printed["extension"])
    if not path.is_file() or durable.hash_file(path) != printed["sha256"]:
        return f"Its print file in the archive is damaged or gone: {path.name}."
    return ""


def _tell_labs(workshop: Workshop) -> None:
    """Make one notice for each lab that has to be told something."""
    waiting: dict[str, list[int]] = {}
    for row in workshop.ledger.read.recalls():
        if row.how == "notice" and row.notice is None:
            waiting.setdefault(row.lab, []).append(row.job)
    for lab_id, jobs in waiting.items():
        close_notice(workshop, lab_id, jobs)


def _stuck_lines(workshop: Workshop) -> list[WaitingLine]:
    lines = []
    for parcel in workshop.ledger.read.parcels(state="taken-back"):
        lab = workshop.settings.lab(parcel.lab)
        for row in _rest(workshop, parcel):
            sentence = (
                f"Parcel {parcel.name} was taken back, and this job of it cannot be packed again: "
                f"{_why_not(workshop, lab, row) or 'it is tried again.'}"
            )
            then = f"Put that right, or give it up: `platemark recall {row.job}`."
            lines.append(WaitingLine(row.job, row.original_name, "", sentence, then))
    return lines


def _notice_words(workshop: Workshop, recall: RecallRow) -> tuple[str, str] | None:
    """What is said of a recall while the lab has not been told; None once it has."""
    read = workshop.ledger.read
    notice = read.parcel(recall.notice) if recall.notice is not None else None
    if notice is not None and notice.state == "delivered":
        return None
    lab = workshop.settings.lab(recall.lab)
    called = lab.name if lab is not None else recall.lab
    if notice is None:
        return (
            f"It is called back, and {called} has not been told yet.",
            "The notice is made as soon as there is room for it. Call them.",
        )
    if lab is not None and lab.delivery.method != COLLECT:
        return (
            f"It is called back; the notice {notice.name} is not at {called} yet.",
            "It goes before everything else. Call them if it is urgent.",
        )
    if not parcel_folder(workshop, notice).is_dir():
        return None
    return (
        f"It is called back; the notice {notice.name} lies in outgoing/{recall.lab}/ and has not "
        "been fetched.",
        f"Call {called}, or bring it to them.",
    )
