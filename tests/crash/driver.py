"""Runs sweeps of studios, each in a process of its own that stops dead at the n-th operation.

Each line on standard input is an `Order` as JSON. The answer is a line with the exit code, negative
for a signal. What the process said is in a file beside the log.

The process is a fork of this one, which has loaded everything and started no thread: loading takes
longer than the sweep's own work. So are its children, which else would load the pixel libraries
anew some two thousand times; what they do from then on is the worker's own.
"""

import hashlib
import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NoReturn

import numpy.fft
import numpy.ma
import numpy.random
from PIL import Image

from platemark import durable
from platemark.app import logs, open_studio, service
from platemark.engine import deliver, recovery
from platemark.engine.clock import SystemClock
from platemark.engine.workshop import Workshop
from platemark.imaging import admission, check, measure, paper, preview, probe, render, worker
from platemark.imaging.child import Children, readable_files, written_files
from platemark.imaging.steps import STEPS
from platemark.ledger import projection, store
from platemark.ledger.chain import Entry
from platemark.model import plain
from platemark.model.lab import Lab
from platemark.model.plain import from_plain, to_plain
from platemark.model.work import ChildLimits, Failure, Report, Task

LOADED = (
    admission,
    check,
    measure,
    paper,
    preview,
    probe,
    render,
    numpy.fft,
    numpy.ma,
    numpy.random,
)
"""What the children work with, all that it would load on its way included."""
Image.preinit()
RECOVERED = "recovered"
"""A line of the log that is no operation: from here on new work is taken."""


@dataclass(frozen=True)
class Order:
    """One sweep, and how it is to be disturbed."""

    studio: str
    log: str
    """Gets a line for every operation that was completed."""
    stop_at: int = 0
    """The operation before which the process kills itself; 0 for never."""
    omit: str = ""
    """A guard that is left out, for the controls.

    `sync-file`, `sync-folder`: the log does not speak of it, so that a power cut takes what it
    would have kept. `skip-file`, `skip-folder`: the system is not asked for it, for a trace.
    `rename-guard`: a rename replaces what has the name. `transaction`: an entry and what follows
    from it become true one after the other. `sent-once`: a start uploads again what was proved.
    """
    memory: str = ""
    """A folder of what children made before of the same things; without one they do it anew."""
    rival: str = ""
    """A folder in which somebody takes each name just before it is given."""
    ahead_days: int = 0
    """The clock is ahead by so much, and the nights that were missed come instead of a sweep."""


class HurriedClock(SystemClock):
    """A clock on which waiting for quiet takes a fraction of the time."""

    def __init__(self, ahead_days: int = 0) -> None:
        """Be ahead by so much."""
        self._ahead = timedelta(days=ahead_days)

    def now(self) -> datetime:
        """The moment that it shows."""
        return super().now() + self._ahead

    def monotonic(self) -> float:
        """Seconds that pass a hundred times as fast."""
        return super().monotonic() * 100


class HurriedEvent(threading.Event):
    """An event that is waited for on that clock."""

    def wait(self, timeout: float | None = None) -> bool:
        """Wait a hundredth of the time."""
        return super().wait(None if timeout is None else timeout / 100)


class Forked:
    """A child process as `subprocess.Popen` would start it, but of what is loaded already."""

    def __init__(self, _command: object, *, cwd: str, env: dict[str, str], **_: Any) -> None:
        """Fork; the child becomes the worker."""
        self.returncode: int | None = None
        given, answer, trace = os.pipe(), os.pipe(), os.pipe()
        # Held by another thread at this moment, nobody would ever let go of it in the child.
        held = plain._first
        held.acquire()
        self.pid = os.fork()
        held.release()
        if self.pid == 0:
            _become_worker((given[0], answer[1], trace[1]), cwd, env)
        for taken in (given[0], answer[1], trace[1]):
            os.close(taken)
        self.stdin = os.fdopen(given[1], "wb", buffering=0)
        self.stdout = os.fdopen(answer[0], "rb", buffering=0)
        self.stderr = os.fdopen(trace[0], "rb", buffering=0)

    def wait(self) -> int:
        """Wait for its end and say how it came."""
        if self.returncode is None:
            _, status = os.waitpid(self.pid, 0)
            self.returncode = os.waitstatus_to_exitcode(status)
        return self.returncode


def _become_worker(pipes: tuple[int, int, int], cwd: str, env: dict[str, str]) -> NoReturn:
    try:
        os.setsid()
        for wanted, pipe in enumerate(pipes):
            os.dup2(pipe, wanted)
        # The record, its lock and this driver's log are none of a child's business.
        os.closerange(3, 1024)
        durable.observe(None)
        os.chdir(cwd)
        os.environ.clear()
        os.environ |= env
        sys.stdin, sys.stdout, sys.stderr = os.fdopen(0), os.fdopen(1, "w"), os.fdopen(2, "w")
        worker.main()
    except BaseException:
        traceback.print_exc()
    os._exit(1)


def main() -> None:
    """Fork for every line, and tell how it ended."""
    for line in sys.stdin:
        order = Order(**json.loads(line))
        child = os.fork()
        if child == 0:
            code = 1
            try:
                said = os.open(f"{order.log}.said", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
                os.dup2(said, 1)
                os.dup2(said, 2)
                run(order)
                code = 0
            except BaseException:
                traceback.print_exc()
                sys.stderr.flush()
            finally:
                os._exit(code)
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


def run(order: Order) -> None:
    """Run one sweep under observation."""
    descriptor = os.open(order.log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    count, one_at_a_time = 0, threading.Lock()
    graves = Path(order.studio).with_name(f"{Path(order.log).name}.graves")
    buried = dict[Path, Path]()

    def tell(name: str, paths: tuple[Path, ...] = ()) -> None:
        line = json.dumps([name, [os.fsdecode(path) for path in paths]])
        os.write(descriptor, line.encode() + b"\n")

    def observer(moment: durable.Moment, name: str, paths: tuple[Path, ...]) -> None:
        nonlocal count
        if moment == "before":
            with one_at_a_time:
                count += 1
                if count == order.stop_at:
                    os.kill(os.getpid(), signal.SIGKILL)
            if name == "remove" and paths[0].is_file():
                # A second name, by which a power cut gives back what nobody made gone for good.
                graves.mkdir(exist_ok=True)
                os.link(paths[0], graves / f"{count}")
                buried[paths[0]] = graves / f"{count}"
            if name == "publish" and order.rival and str(paths[1].parent) == order.rival:
                paths[1].mkdir(exist_ok=True)
        elif name != order.omit:
            grave = buried.pop(paths[0], None) if name == "remove" else None
            tell(name, paths if grave is None else (*paths, grave))

    def recover(workshop: Workshop) -> None:
        recovery.recover(workshop)
        tell(RECOVERED)

    subprocess.Popen = Forked  # type: ignore[assignment, misc]
    open_studio.recover = recover
    service.threading = SimpleNamespace(  # type: ignore[assignment]
        Event=HurriedEvent, Thread=threading.Thread
    )
    if order.memory:
        remember(Path(order.memory))
    leave_out(order.omit)
    durable.observe(observer)
    logs.configure("json", quiet=True)
    clock = HurriedClock(order.ahead_days)
    if order.ahead_days:
        live_through(Path(order.studio), clock)
    else:
        service.sweep(Path(order.studio), clock)


def live_through(root: Path, clock: HurriedClock) -> None:
    """Open a studio and let what is due at night be done."""
    with open_studio.open_studio(root, clock) as studio:
        studio.dispatch.upkeep.nightly = True
        rested = 0
        while rested < 3:
            turn = studio.dispatch.turn()
            rests = not studio.dispatch.upkeep.is_at_work and not turn.working and not turn.moved
            rested = rested + 1 if rests else 0
            time.sleep(0.001)
        studio.dispatch.stop()


# -- children that remember ------------------------------------------------------------------


def remember(memory: Path) -> None:
    """Have what a child makes of the same things come from memory: the same report, and files.

    What a child does depends on its task and the bytes that it may read alone, so it is worked out
    once, by a real child, and not for each of some thousand sweeps.
    """
    work = Children._run

    def recall(self: Children, task: Task, limits: ChildLimits, folder: str) -> Report | Failure:
        step, report_kind = next(
            (name, report) for name, (kind, report) in STEPS.items() if isinstance(task, kind)
        )
        written = written_files(task)
        kept = memory / _digest(step, task, written)
        if (kept / "report").exists():
            for number, file in enumerate(written):
                Path(file).write_bytes((kept / str(number)).read_bytes())
            return from_plain(report_kind, json.loads((kept / "report").read_bytes()))
        report = work(self, task, limits, folder)
        if not isinstance(report, Failure):
            kept.mkdir(parents=True, exist_ok=True)
            for number, file in enumerate(written):
                (kept / str(number)).write_bytes(Path(file).read_bytes())
            whole = kept / f"report.{os.getpid()}"
            whole.write_text(json.dumps(to_plain(report)))
            whole.rename(kept / "report")
        return report

    Children._run = recall  # type: ignore[method-assign]


def _digest(step: str, task: Task, written: tuple[str, ...]) -> str:
    text = json.dumps(to_plain(task))
    for number, file in enumerate(written):
        text = text.replace(json.dumps(file), f'"written {number}"')
    for file in readable_files(task):
        text = text.replace(json.dumps(file), f'"{durable.hash_file(Path(file))}"')
    return hashlib.sha256(f"{step} {text}".encode()).hexdigest()


# -- guards that are left out ----------------------------------------------------------------


def leave_out(guard: str) -> None:
    """Take a guard out of the running program."""
    match guard:
        case "skip-file":
            durable._fsync = lambda _: None
        case "skip-folder":
            durable._sync_folder = lambda _: None
        case "rename-guard":
            durable._rename_noreplace = unguarded_rename
        case "transaction":
            store.projection = SimpleNamespace(  # type: ignore[assignment]
                **{**vars(projection), "apply": _apart}
            )
        case "sent-once":
            deliver.Couriers._errands = _as_if_unsent(  # type: ignore[method-assign]
                deliver.Couriers._errands
            )


def _as_if_unsent(errands: Callable[..., list[Any]]) -> Callable[..., list[Any]]:
    """Have a parcel that an earlier start proved at the lab uploaded once more."""
    uploaded: set[str] = set()

    def forgetful(self: deliver.Couriers, lab: Lab) -> list[Any]:
        found = [
            ("upload" if what == "reveal" and parcel.name not in uploaded else what, parcel)
            for what, parcel in errands(self, lab)
        ]
        uploaded.update(parcel.name for what, parcel in found if what == "upload")
        return found

    return forgetful


def unguarded_rename(
    old: bytes, new: bytes, old_folder: int | None = None, new_folder: int | None = None
) -> None:
    """The rename without its guard: what has the name is replaced where the system can."""
    os.rename(old, new, src_dir_fd=old_folder, dst_dir_fd=new_folder)


def _apart(connection: sqlite3.Connection, entry: Entry) -> None:
    """Make an entry true first, and what follows from it after."""
    with durable.step("commit"):
        connection.execute("COMMIT")
    connection.execute("BEGIN IMMEDIATE")
    projection.apply(connection, entry)


if __name__ == "__main__":
    main()
