"""Asks the disk or share of a hot folder for something without waiting for it.

A share whose server is gone holds whoever touches it, in the system itself, where nothing can be
ended. So every touch is made in a thread that may be held: a `HotSide`. The service's own thread,
which alone writes the record, goes on meanwhile. What needs both is a story: a coroutine that is
driven by the service's thread and says `await side.ask(…)` where it touches a hot folder.
"""

from __future__ import annotations

import errno
import threading
import time
from collections import deque
from collections.abc import Callable, Coroutine, Generator
from contextlib import suppress
from datetime import UTC, datetime
from queue import Empty, SimpleQueue
from typing import Any, Generic, TypeVar

from platemark.model.errors import PlatemarkError

SILENT_S = 60.0
"""A side at which nothing has moved for so long is silent: what it was asked is given up."""

PATIENCE_S = 0.05
"""A disk that is well answers within this, and so within the same turn."""

AT_ONCE_S = 0.5
"""After this long a turn goes on, whatever the hot folders still have to tell."""

T = TypeVar("T")
Story = Coroutine["Asked[Any] | None", None, None]


class Silent(OSError):
    """The disk or share does not answer; what it was asked may still happen some time."""

    def __init__(self) -> None:
        super().__init__(errno.ETIMEDOUT, "it does not answer")


class Asked(Generic[T]):
    """One thing that a side was asked, to be awaited in a story."""

    def __init__(
        self,
        action: Callable[[], T],
        lives: Callable[[], object],
        undo: Callable[[T], object] | None,
    ) -> None:
        self.action = action
        self.lives = lives
        self.undo = undo
        self.since = time.monotonic()
        self.is_over = False
        self.given_up = False
        self.outcome: T | None = None
        self.error: BaseException | None = None

    def __await__(self) -> Generator[Asked[T], None, T]:
        """Let whoever drives the story go on until there is an answer.

        Raises:
            Silent: there is none.
        """
        yield self
        if self.error is not None:
            raise self.error
        return self.outcome  # type: ignore[return-value] # an action may well give None

    def give_up(self) -> None:
        """End the waiting; the answer, should it come, is undone."""
        self.given_up = self.is_over = True
        self.error = Silent()


class NextTurn:
    """Awaited in a story: go on in the next turn."""

    def __await__(self) -> Generator[None, None, None]:
        """Wait for the next turn."""
        yield None


class HotSide:
    """A thread that touches one disk or share, and whether that still answers.

    The thread is a daemon's: the service ends without it.
    """

    def __init__(self, answered: Callable[[], None]) -> None:
        """Begin nothing yet.

        Args:
            answered: Called from the side's thread whenever it has answered.
        """
        self._answered = answered
        self._lock = threading.Condition()
        self._waiting: deque[Asked[Any]] = deque()
        self._at: Asked[Any] | None = None
        self._sign: tuple[float, object] = (0.0, None)
        self._thread: threading.Thread | None = None
        self._ended = False
        self.silent_since: datetime | None = None
        """Since when it has been held up, once that is too long."""

    def ask(
        self,
        action: Callable[[], T],
        *,
        lives: Callable[[], object] = lambda: None,
        undo: Callable[[T], object] | None = None,
    ) -> Asked[T]:
        """Have something done in the side's thread; what is asked first is done first.

        Args:
            action: What touches the disk.
            lives: Gives another value as long as a long action gets on; asked by the service's
                own thread, so it touches no hot folder.
            undo: Takes back, in the side's thread, an answer that came when it was given up.
        """
        asked = Asked(action, lives, undo)
        with self._lock:
            if self.silent_since is not None:
                asked.give_up()
                return asked
            self._waiting.append(asked)
            self._lock.notify()
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="hot side", daemon=True)
                self._thread.start()
        return asked

    def look_after(self) -> bool:
        """Give up what is not answered for too long; whether the side is silent."""
        with self._lock:
            at, now = self._at, time.monotonic()
            if at is not None and self.silent_since is None:
                sign = at.lives()
                if sign != self._sign[1]:
                    self._sign = now, sign
                elif now - self._sign[0] >= SILENT_S:
                    held_s = now - self._sign[0]
                    self.silent_since = datetime.fromtimestamp(time.time() - held_s, UTC)
                    for asked in (at, *self._waiting):
                        asked.give_up()
                    self._waiting.clear()
            return self.silent_since is not None

    def end(self) -> None:
        """Let the thread end as soon as it can; it is not waited for."""
        with self._lock:
            self._ended = True
            self._waiting.clear()
            self._lock.notify()

    def _run(self) -> None:
        while True:
            with self._lock:
                while not self._waiting and not self._ended:
                    self._lock.wait()
                if self._ended:
                    return
                self._at = asked = self._waiting.popleft()
                self._sign = time.monotonic(), asked.lives()
            self._do(asked)
            self._answered()

    def _do(self, asked: Asked[Any]) -> None:
        outcome, error = None, None
        try:
            outcome = asked.action()
        except BaseException as fault:  # whoever awaits it is told
            error = fault
        with self._lock:
            self._at = None
            self.silent_since = None
            if not asked.given_up:
                asked.outcome, asked.error, asked.is_over = outcome, error, True
                return
        if error is None and asked.undo is not None:
            with suppress(OSError, PlatemarkError):
                asked.undo(outcome)


def answer_within(seconds: float, action: Callable[[], T]) -> T:
    """Ask a disk or share that may hang, once, and wait for the answer.

    Raises:
        Silent: it does not come in time.
    """
    came: SimpleQueue[Asked[T]] = SimpleQueue()
    side = HotSide(lambda: came.put(asked))
    asked = side.ask(action)
    try:
        came.get(timeout=seconds)
    except Empty:
        raise Silent from None
    finally:
        side.end()
    if asked.error is not None:
        raise asked.error
    return asked.outcome  # type: ignore[return-value] # an action may well give None


class Stories:
    """The stories under way, each of a name; driven by the service's own thread alone."""

    def __init__(self, guard: Callable[[str, Callable[[], Any]], None]) -> None:
        """Know none yet.

        Args:
            guard: Runs one step of a story, which gives False before its end, and sees to what goes
                wrong in it.
        """
        self._guard = guard
        self._told: dict[str, Story] = {}
        self._awaits: dict[str, Asked[Any] | None] = {}
        self._heard = threading.Event()

    def __contains__(self, name: str) -> bool:
        """Whether a story of that name is under way."""
        return name in self._told

    @property
    def waiting(self) -> int:
        """How many are under way."""
        return len(self._told)

    @property
    def can_go_on(self) -> bool:
        """Whether one has its answer and was not taken on."""
        return any(asked is not None and asked.is_over for asked in self._awaits.values())

    def answered(self) -> None:
        """Say, from any thread, that a side has answered."""
        self._heard.set()

    def begin(self, name: str, make: Callable[[], Story]) -> None:
        """Begin a story, unless the last of that name is not at its end."""
        if name not in self._told:
            self._told[name] = make()
            self._awaits[name] = None

    def go_on(self, *names: str) -> None:
        """Take stories as far as they come without waiting long for anything.

        Args:
            names: How the names of those to drive begin; all by default.
        """
        begun = time.monotonic()
        rested: set[str] = set()
        while True:
            self._heard.clear()
            # One story may begin another.
            going = [name for name in self._told if name.startswith(names or "")]
            stepped = [name for name in going if name not in rested and self._step(name, rested)]
            now = time.monotonic()
            awaited = [self._awaits[name] for name in going if name in self._told]
            fresh = [each.since for each in awaited if each is not None]
            left = max(fresh, default=0.0) + PATIENCE_S - now
            if now - begun > AT_ONCE_S or (not stepped and not self._wait(left)):
                return

    def close(self) -> None:
        """End every story where it stands."""
        for story in self._told.values():
            story.close()
        self._told, self._awaits = {}, {}

    def _wait(self, seconds: float) -> bool:
        return seconds > 0 and self._heard.wait(seconds)

    def _step(self, name: str, rested: set[str]) -> bool:
        """Take one story to its next question, where the last is answered; whether it moved."""
        asked = self._awaits[name]
        if asked is not None and not asked.is_over:
            return False
        ended = True

        def step() -> bool:
            nonlocal ended
            with suppress(StopIteration):
                self._awaits[name] = self._told[name].send(None)
                ended = False
            return ended

        try:
            self._guard(name, step)
        finally:
            if ended:
                del self._told[name], self._awaits[name]
        if not ended and self._awaits[name] is None:
            rested.add(name)
        return True
