"""Open a studio later than it is, let its nights come, and look at what it recorded."""

import json
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import datetime, timedelta
from pathlib import Path

import pytest
import structlog

from platemark.app.open_studio import OpenStudio, open_studio, reading
from platemark.engine.clock import SystemClock
from platemark.engine.upkeep import NIGHTLY
from platemark.imaging import worker
from platemark.imaging.child import Children
from platemark.imaging.steps import STEPS
from platemark.ledger.chain import Entry
from platemark.ledger.keeping import Keeping
from platemark.model.plain import from_plain, to_plain
from platemark.model.work import ChildLimits, Failure, Report, Task

PATIENCE_S = 60


class Killed(BaseException):
    """The process ends here, as it would by a kill: nobody catches this."""


@pytest.fixture
def hands() -> Iterator[None]:
    """Do the children's steps in this process: what they make is not what is tried here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Children, "run", _here)
        yield


def _here(_: Children, task: Task, limits: ChildLimits) -> Report | Failure:
    step = next(name for name, (kind, _) in STEPS.items() if isinstance(task, kind))
    try:
        report = to_plain(worker._dispatch(step, json.loads(json.dumps(to_plain(task)))))
    except Exception as error:
        return worker._failure(error, limits.memory_mb)
    return from_plain(STEPS[step][1], json.loads(json.dumps(report)))


class Later(SystemClock):
    """A clock that is ahead, and may be put further ahead."""

    def __init__(self, **ahead: float) -> None:
        """Be ahead by so much, as `timedelta` has it."""
        self.ahead = timedelta(**ahead)
        self.waited = 0.0

    def now(self) -> datetime:
        """The moment that it shows."""
        return super().now() + self.ahead

    def monotonic(self) -> float:
        """Seconds that only go forward, with those that were waited in thought alone."""
        return super().monotonic() + self.waited


@contextmanager
def opened(root: Path, clock: Later) -> Iterator[OpenStudio]:
    """A studio open for turns, whose nights come."""
    with open_studio(root, clock) as studio:
        studio.dispatch.upkeep.nightly = True
        try:
            yield studio
        finally:
            studio.dispatch.stop()
            structlog.reset_defaults()


def live_through(studio: OpenStudio) -> None:
    """Turn until no upkeep is under way and none is due any more."""
    deadline = time.monotonic() + PATIENCE_S
    rested = 0
    while rested < 3:
        assert time.monotonic() < deadline
        turn = studio.dispatch.turn()
        rests = not studio.dispatch.upkeep.is_at_work and not turn.working and not turn.moved
        rested = rested + 1 if rests else 0
        time.sleep(0.01)


def one_night(root: Path, clock: Later) -> None:
    """Open a studio, let what is due be done, and close it."""
    with opened(root, clock) as studio:
        live_through(studio)


def entries(root: Path, kind: str) -> list[Entry]:
    """Every entry of a kind."""
    with reading(root) as reader:
        return list(reader.entries(kind=kind))


def damages(root: Path) -> list[str]:
    """Paths of what is damaged and not mended."""
    with reading(root) as reader:
        return [each.path for each in Keeping(reader).damages()]


def nights(root: Path) -> list[tuple[str, bool]]:
    """Local date of each upkeep that was begun, and whether it was called late."""
    return [
        (each.body["local_date"], each.body["late"])
        for each in entries(root, "upkeep-begun")
        if each.body["what"] == NIGHTLY
    ]


def flip(path: Path, at: float = 0.5) -> None:
    """Change one bit of a file, its times and rights as they were."""
    status = path.stat()
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    data[int(len(data) * at)] ^= 0x10
    path.write_bytes(data)
    path.chmod(status.st_mode)


def change_entry(root: Path, seq: int) -> None:
    """Change an entry behind the record's back, its guards as they were."""
    with closing(sqlite3.connect(root / "ledger.sqlite3")) as connection, connection:
        ((guard,),) = connection.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'entries_are_never_changed'"
        ).fetchall()
        connection.execute("DROP TRIGGER entries_are_never_changed")
        connection.execute("UPDATE entries SET actor = 'nobody' WHERE seq = ?", (seq,))
        connection.execute(guard)


def archived(root: Path, job: int, kind: str) -> Path:
    """Where one file of a job is in the archive."""
    with reading(root) as reader:
        row = next(
            each
            for each in Keeping(reader).rows_of_job(job)
            if each.kind == kind and each.state == "needed"
        )
    return root / "archive" / row.sha256[:2] / f"{row.sha256}.{row.extension}"
