"""Runs sweeps of studios, each in a process of its own that stops dead at the n-th operation.

Each line on standard input is a JSON list: STUDIO, N, LOG, and OMIT or an empty word. The answer is
a line with the exit code, negative for a signal. What the process said is in a file beside LOG.

The process is a fork of this one, which has loaded everything and started no thread: loading takes
longer than the sweep's own work. N is the operation before which the process kills itself (0:
never). LOG gets a line for every operation that was completed, so that the harness can play a power
cut. OMIT leaves a guard out, for the controls: `sync-file` or `sync-folder`.
"""

import json
import os
import signal
import sys
import traceback
from pathlib import Path

from platemark import durable
from platemark.app import logs
from platemark.app.service import sweep
from platemark.engine.clock import SystemClock


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

    durable.observe(observer)
    logs.configure("json", quiet=True)
    sweep(studio, HurriedClock())


if __name__ == "__main__":
    main()
