"""The worker, whose decoder breaks down over pictures that say how in their last bytes.

Everything is the worker's own, confinement too; what a real picture cannot be made to do to a
decoder without a fault of its own is done in its place, once the picture has been read.
"""

import ctypes
import os
import time
from pathlib import Path
from typing import Any

from platemark.imaging import worker

MARK = b"breaks its decoder: "
WAYS = {
    "segv": lambda: ctypes.string_at(0),
    "abort": os.abort,
    "memory": lambda: [bytearray(64 << 20) for _ in range(10_000)],
    "endless": lambda: time.sleep(600),
    "busy": lambda: [None for _ in iter(int, 1)],
}


def breaking(step: str, data: Any) -> Any:
    """Do the step, and break down if the picture says so."""
    path = data.get("path") or data.get("original")
    with Path(path).open("rb") as stream:
        stream.seek(-64, os.SEEK_END)
        end = stream.read()
    done = real(step, data)
    if MARK in end:
        WAYS[end.rpartition(MARK)[2].decode()]()
    return done


real = worker._dispatch
worker._dispatch = breaking
worker.main()
