"""Requests that land beside a picture that was claimed already, or beside none."""

from __future__ import annotations

import os
from collections.abc import Collection
from functools import partial

import structlog

from platemark.engine.claim import Ask, gather_anew, jobs_of_drop, said
from platemark.engine.lifecycle import move
from platemark.engine.workshop import Workshop
from platemark.intake import drop_files
from platemark.intake.look import Look, Sighting
from platemark.ledger.read import JobRow
from platemark.model.job import job_number, shown_name
from platemark.model.notice import WaitingLine

PICTURE_ENDINGS = (b".tif", b".tiff", b".jpg", b".jpeg", b".png", b".TIF", b".JPG")


class LateRequests:
    """Plans anew by them while that is possible, and says so where it is not."""

    def __init__(self, workshop: Workshop, ask: Ask) -> None:
        """Know none yet.

        Args:
            workshop: The open studio.
            ask: Has a hot folder touched.
        """
        self._workshop = workshop
        self._ask = ask
        self._seen: Look | None = None
        self.lines: tuple[WaitingLine, ...] = ()
        """What WAITING.txt says of them."""

    async def see_to(self, look: Look, running: Collection[int]) -> None:
        """See to every request that a look found without its picture.

        Args:
            look: What the hot folders hold.
            running: Jobs that are being worked on.

        Raises:
            Silent: a hot folder does not answer.
        """
        if look is self._seen:
            return
        self._seen = look
        lines = []
        for sidecar in look.lone_sidecars:
            line = await self._see_to(sidecar, running)
            if line is not None:
                lines.append(line)
        self.lines = tuple(lines)

    async def _see_to(self, sidecar: Sighting, running: Collection[int]) -> WaitingLine | None:
        picture = sidecar.relative.removesuffix(b".toml")
        drops = self._workshop.ledger.read.drops(path_hex=picture.hex())
        name = shown_name(sidecar.relative.rsplit(b"/", 1)[-1])
        where = shown_name(b"hot/" + sidecar.relative.rsplit(b"/", 1)[0])
        if not drops:
            meant = next((e for e in PICTURE_ENDINGS if self._was_dropped(picture + e)), None)
            beside = shown_name((picture + (meant or b"")).rsplit(b"/", 1)[-1])
            return WaitingLine(
                None, name, where, "There is no picture beside this request.",
                f"It is called after the picture's whole name: rename it {beside}.toml." if meant
                else "Drop the picture of that name, or remove the request. For heron.tif it is "
                "called heron.tif.toml.",
            )  # fmt: skip
        rows = jobs_of_drop(self._workshop.ledger.read, drops[-1].job)
        if any(row.job in running for row in rows):
            return None
        going = [row for row in rows if row.state in ("held", "examined", "rendered")]
        if not going:
            row = rows[0]
            sent = f"already in parcel {row.parcel}" if row.parcel else row.state
            return WaitingLine(
                row.job, name, where, f"This request came too late: job {job_number(row.job)} is "
                f"{sent}.", "Tell the lab if it matters, then remove this file.",
            )  # fmt: skip
        hot = self._workshop.folders.hot
        at = hot / os.fsdecode(sidecar.relative)
        if not await self._ask(sidecar.relative, partial(os.path.lexists, at)):
            return None  # the look was from before it was let go
        if all([await self._ask_anew(row) for row in going]):
            let_go = partial(drop_files.let_go, hot, sidecar.relative, going[0].job)
            await self._ask(sidecar.relative, let_go)
        return None

    def _was_dropped(self, path: bytes) -> bool:
        return bool(self._workshop.ledger.read.drops(path_hex=path.hex()))

    async def _ask_anew(self, row: JobRow) -> bool:
        """Ask a job anew; False where it has moved on meanwhile."""
        workshop = self._workshop
        gathered = await gather_anew(workshop, row, self._ask)
        now = workshop.ledger.read.job(row.job)
        if now is None or now.moved_seq != row.moved_seq:
            return False
        with workshop.ledger.transaction() as transaction:
            if row.state != "held":
                move(transaction, row, "set-back", "held", {"why": "its request came later"})
                row = workshop.ledger.read.job(row.job) or row
            move(transaction, row, "asked-anew", "claimed", said(transaction, gathered))
        structlog.get_logger().info("asked-anew", job=row.job)
        return True
