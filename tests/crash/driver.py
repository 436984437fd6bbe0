"""Runs one sweep of a studio and stops dead at the n-th lasting operation.

Usage: driver.py STUDIO N LOG [OMIT]

N is the operation before which the process kills itself (0: never). LOG gets a line for every
operation that was completed, so that the harness can play a power cut. OMIT leaves a guard out, for
the controls: `sync-file`, `sync-folder` or `rename-guard`.
"""

import json
import os
import signal
import sys
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
    """Run one sweep under observation."""
    studio, stop_at, log = Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
    omit = sys.argv[4] if len(sys.argv) > 4 else ""
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

    if omit == "rename-guard":
        durable._rename_noreplace = unguarded_rename
    durable.observe(observer)
    logs.configure("json", quiet=True)
    sweep(studio, HurriedClock())


if __name__ == "__main__":
    main()
