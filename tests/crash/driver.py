"""Runs sweeps of studios, each in a process of its own that stops dead at the n-th operation.

Each line on standard input is a JSON list: STUDIO, N, LOG, and OMIT or an empty word. The answer is
a line with the exit code, negative for a signal. What the process said is in a file beside LOG.

The process is a fork of this one, which has loaded everything and started no thread: loading takes
longer than the sweep's own work. So are its children, which else would load the pixel libraries
anew some two thousand times; what they do from then on is the worker's own. N is the operation
before which the process kills itself (0: never). LOG gets a line for every operation that was
completed, so that the harness can play a power cut. OMIT leaves a guard out, for the controls:
`sync-file` or `sync-folder`.
"""

import json
import os
import signal
import subprocess
import sys
import traceback
from pathlib import Path
from typing import Any, NoReturn

from platemark import durable
from platemark.app import logs
from platemark.app.service import sweep
from platemark.engine.clock import SystemClock
from platemark.imaging import admission, check, measure, preview, probe, render, worker

LOADED = (admission, check, measure, preview, probe, render)
"""What the children work with."""


class HurriedClock(SystemClock):
    """A clock on which waiting for quiet takes a fraction of the time."""

    def monotonic(self) -> float:
        """Seconds that pass a hundred times as fast."""
        return super().monotonic() * 100


def unguarded_rename(
    old: bytes, new: bytes, old_folder: int | None = None, new_folder: int | None = None
) -> None:
    """The rename without its guard: what has the name is replaced where the system can."""
    os.rename(old, new, src_dir_fd=old_folder, dst_dir_fd=new_folder)


class Forked:
    """A child process as `subprocess.Popen` would start it, but of what is loaded already."""

    def __init__(self, _command: object, *, cwd: str, env: dict[str, str], **_: Any) -> None:
        """Fork; the child becomes the worker."""
        self.returncode: int | None = None
        given, answer, trace = os.pipe(), os.pipe(), os.pipe()
        self.pid = os.fork()
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
        studio, stop_at, log, omit = json.loads(line)
        child = os.fork()
        if child == 0:
            code = 1
            try:
                said = os.open(f"{log}.said", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
                os.dup2(said, 1)
                os.dup2(said, 2)
                run(Path(studio), stop_at, log, omit)
                code = 0
            except BaseException:
                traceback.print_exc()
                sys.stderr.flush()
            finally:
                os._exit(code)
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


def run(studio: Path, stop_at: int, log: str, omit: str) -> None:
    """Run one sweep under observation."""
    descriptor = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    count = 0

    def observer(moment: durable.Moment, name: str, paths: tuple[Path, ...]) -> None:
        nonlocal count
        if moment == "before":
            count += 1
            if count == stop_at:
                os.kill(os.getpid(), signal.SIGKILL)
        elif name != omit:
            line = json.dumps([name, [os.fsdecode(path) for path in paths]])
            os.write(descriptor, line.encode() + b"\n")

    subprocess.Popen = Forked  # type: ignore[assignment, misc]
    durable.observe(observer)
    logs.configure("json", quiet=True)
    sweep(studio, HurriedClock())


if __name__ == "__main__":
    main()
