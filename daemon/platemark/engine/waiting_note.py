"""Keeps WAITING.txt current: in the hot folders, or in `held/` while those cannot be reached."""

from __future__ import annotations

import os
import time
from collections.abc import Sequence
from functools import partial

import structlog

from platemark import durable
from platemark.engine.claim import Ask
from platemark.engine.hot_side import Silent
from platemark.engine.workshop import Workshop
from platemark.intake.waiting import waiting_text
from platemark.model.errors import DiskFault, DiskFull
from platemark.model.notice import WaitingLine

NAME = "WAITING.txt"
MANY = 200
"""So many lines are not written at every change: a batch that is held one by one would be slow."""
SPACING_S = 2.0


class WaitingNote:
    """The word to people in one studio."""

    def __init__(self, workshop: Workshop, ask: Ask) -> None:
        """Have said nothing yet.

        Args:
            workshop: The open studio.
            ask: Has a hot folder touched.
        """
        self._workshop = workshop
        self._ask = ask
        self._shown: tuple[WaitingLine, ...] | None = None
        self._shown_in_held: tuple[WaitingLine, ...] | None = None
        self._written = 0.0

    def is_early(self, lines: Sequence[WaitingLine]) -> bool:
        """Whether so much was written just now that the next change may wait for another."""
        return len(lines) > MANY and time.monotonic() - self._written < SPACING_S

    async def show(self, lines: tuple[WaitingLine, ...]) -> None:
        """Write the note into the hot root, unless it stands there as it should."""
        write = partial(self._write, lines, is_news=lines != self._shown)
        try:
            why = await self._ask(NAME.encode(), write)
        except Silent:
            return
        if why is None:
            return
        if why:
            # It is only a word to people, and hot/ may be on a share: no reason to stop.
            structlog.get_logger().warning("waiting-not-written", why=why)
        self._shown, self._written = lines, time.monotonic()

    def show_in_held(self, lines: tuple[WaitingLine, ...] | None) -> None:
        """Write the note into `held/`, which is on the studio's own disk; None takes it away."""
        if lines == self._shown_in_held and lines is not None:
            return
        folders = self._workshop.folders
        note = folders.held / NAME
        try:
            if lines is not None:
                now = self._workshop.local(self._workshop.clock.now())
                scratch = folders.scratch("held") / NAME
                durable.write_over(note, waiting_text(lines, now).encode(), scratch)
            elif os.path.lexists(note):
                durable.remove_file(note)
        except (DiskFault, DiskFull) as fault:
            structlog.get_logger().warning("waiting-not-written", why=fault.sentence)
        self._shown_in_held = lines

    def _write(self, lines: tuple[WaitingLine, ...], *, is_news: bool) -> str | None:
        """Write the note; why not, or empty; None where these are not the hot folders.

        Something may have been mounted over them since they were last looked into.
        """
        hot = self._workshop.folders.hot
        note = hot / NAME
        if not is_news and os.path.lexists(note):
            return ""
        scratch = note.with_name(f".{NAME}.tmp")
        text = waiting_text(lines, self._workshop.local(self._workshop.clock.now()))
        try:
            if not {*os.listdir(hot)} - {NAME, scratch.name}:
                return None
            durable.write_over(note, text.encode(), scratch)
        except (DiskFault, DiskFull) as fault:
            return fault.sentence
        except OSError as error:
            return f"{error.strerror}."
        return ""
