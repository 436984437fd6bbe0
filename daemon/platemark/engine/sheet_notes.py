"""The words beside order sheets, `<name>.ANSWER.txt`: written, kept right, and cleared away."""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from functools import partial
from pathlib import Path

import structlog

from platemark import durable
from platemark.engine.claim import Ask
from platemark.engine.hot_side import Silent
from platemark.intake.look import Look
from platemark.intake.scan import SHEET_ANSWER
from platemark.intake.sheet_answer import is_finished
from platemark.model.errors import DiskFault, DiskFull

_BEGINNING = 200


class SheetNotes:
    """Says something beside each order sheet of one studio, where there is something to say.

    They are only words to people, and the hot folders may be on a share: a disk that refuses one is
    no reason to stop.
    """

    def __init__(self, hot: Path, ask: Ask) -> None:
        self._hot = hot
        self._ask = ask
        self._said: dict[bytes, str] = {}
        self._refused: dict[bytes, str] = {}
        """What the disk did not take; it is not tried again and again."""
        self.finished: tuple[bytes, ...] = ()
        """Paths of what was said at the end of sheets that are gone; it stays until it is read."""

    async def say(self, sheet: bytes, text: str) -> None:
        """Put a text beside a sheet; an empty one takes away what is there.

        Args:
            sheet: The sheet's path under the hot root.
            text: All that is to be said of it.
        """
        said, refused = self._said.get(sheet), self._refused.get(sheet)
        try:
            why = await self._ask(
                sheet, partial(self._put, sheet, text, said=said, refused=refused)
            )
        except Silent:
            return
        if why and refused != text:
            structlog.get_logger().warning("sheet-answer-not-written", why=why)
        if why:
            self._refused[sheet] = text
        elif why is not None:
            self._refused.pop(sheet, None)
        self._said[sheet] = text

    def _put(self, sheet: bytes, text: str, *, said: str | None, refused: str | None) -> str | None:
        """Write a text or remove it; why not, empty where it was done, None where it stood so."""
        path = self._at(sheet + SHEET_ANSWER)
        is_as_said = bool(text) == os.path.lexists(path) or text == refused
        if text == said and is_as_said:
            return None
        # Of the same name each time, so that what a crash left of it is found.
        scratch = path.with_name(f".{hashlib.sha256(sheet).hexdigest()[:12]}.tmp")
        try:
            if said is None and os.path.lexists(scratch):
                durable.remove_file(scratch)
            if not text and os.path.lexists(path):
                durable.remove_file(path)
            elif text and _bytes_of(path) != text.encode():
                durable.write_over(path, text.encode(), scratch)
        except (DiskFault, DiskFull, OSError) as fault:
            with suppress(DiskFault, OSError):
                durable.remove_file(scratch)
            return str(fault)
        return ""

    async def clear(self, look: Look) -> None:
        """Remove what was said of sheets that were taken away before their end."""
        finished = []
        for path in look.sheet_answers:
            sheet = path.removesuffix(SHEET_ANSWER)
            try:
                stays, is_end = await self._ask(path, partial(self._clear, path, sheet))
            except Silent:
                continue
            if not stays:
                self._said.pop(sheet, None)
            if is_end:
                finished.append(path)
        self.finished = tuple(finished)

    def _clear(self, path: bytes, sheet: bytes) -> tuple[bool, bool]:
        """Whether a sheet is still there, and whether what stands beside it is its end's."""
        if os.path.lexists(self._at(sheet)):
            return True, False
        beginning = _bytes_of(self._at(path), _BEGINNING)
        if is_finished(beginning):
            return False, True
        if beginning:
            with suppress(DiskFault):
                durable.remove_file(self._at(path))
        return False, False

    def _at(self, path: bytes) -> Path:
        return self._hot / os.fsdecode(path)


def _bytes_of(path: Path, most: int = 1_000_000) -> bytes:
    """The beginning of a file; nothing where there is none, or a link, a pipe or a folder."""
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
        with os.fdopen(descriptor, "rb") as file:
            return file.read(most) or b""
    except OSError:
        return b""
