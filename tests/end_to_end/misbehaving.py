"""A child process that ends badly in the way that its argument names, sandbox and all."""

import ctypes
import json
import os
import sys
import threading
import time

from platemark.imaging.sandbox import confine


def main() -> None:
    """Read a task as the worker does, confine the process, and go wrong."""
    message = json.loads(sys.stdin.buffer.read())
    confine(**message["limits"])
    print("something on standard error", file=sys.stderr, flush=True)
    {
        "segv": lambda: ctypes.string_at(0),
        "abort": os.abort,
        "memory": lambda: bytearray(8 << 30),
        "hang": lambda: time.sleep(600),
        "closed": close_and_hang,
        "busy": burn,
        "thread": start_a_thread,
        "flood": flood,
        "noise": lambda: print("this is no report"),
        "other": lambda: print(json.dumps({"report": {"colour": "blue"}})),
        "bug": lambda: 1 / 0,
        "mark": mark_and_hang,
    }[sys.argv[1]]()


def close_and_hang() -> None:
    """Close all pipes but live on."""
    for handle in (0, 1, 2):
        os.close(handle)
    time.sleep(600)


def burn() -> None:
    """Use processor time and nothing else."""
    while True:
        pass


def start_a_thread() -> None:
    """Ask for a thread whose stack is larger than the memory."""
    threading.stack_size(4 << 30)
    threading.Thread(target=print).start()


def flood() -> None:
    """Say far more than any report."""
    while True:
        sys.stdout.write("x" * 65536)


def mark_and_hang() -> None:
    """Tell where this process can be found, then wait."""
    with open("pid", "w", encoding="ascii") as stream:  # noqa: PTH123
        stream.write(str(os.getpid()))
    time.sleep(600)


main()
