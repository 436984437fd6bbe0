"""The command in a process of its own that need not load itself: a fork of one that has.

Its children are forks too; what they do from then on is the worker's own. Real starts are tried in
`end_to_end/test_child.py`, in the long form of `crash/test_kills.py`, and wherever `at_work.ask` is
given another command to run it in.
"""

import atexit
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

_BESIDE = [Path(__file__).with_name(name) for name in ("crash", "unit", "end_to_end")]
_LOCK = threading.Lock()
_server: "subprocess.Popen[str] | None" = None


def _asked(**what: Any) -> int | None:
    global _server
    with _LOCK:
        if _server is None:
            _server = subprocess.Popen(
                [sys.executable, str(Path(__file__).with_name("loaded_main.py"))],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
                env={
                    **os.environ, "PYTHONPATH": os.pathsep.join(map(str, _BESIDE)),
                    "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1",
                },
            )  # fmt: skip
            atexit.register(_server.kill)
        assert _server.stdin is not None
        assert _server.stdout is not None
        print(json.dumps(what), file=_server.stdin, flush=True)
        answer: int | None = json.loads(_server.stdout.readline())
        return answer


class Loaded:
    """A running command, as `subprocess.Popen` would have it."""

    def __init__(
        self, words: list[str], *, out: Path | None = None, err: Path | None = None
    ) -> None:
        """Start it.

        Args:
            words: What stands behind the command's name.
            out: Gets what it writes; without one that is lost.
            err: Gets what it complains of.
        """
        self.returncode: int | None = None
        pid = _asked(
            what="start", words=words, cwd=str(Path.cwd()), environment=dict(os.environ),
            out=str(out) if out is not None else None, err=str(err) if err is not None else None,
        )  # fmt: skip
        assert pid is not None
        self.pid = pid

    def poll(self) -> int | None:
        """Its exit code, negative for a signal; None while it lives."""
        if self.returncode is None:
            self.returncode = _asked(what="poll", pid=self.pid)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end.

        Raises:
            subprocess.TimeoutExpired: it did not come in time.
        """
        begun = time.monotonic()
        while (code := self.poll()) is None:
            if timeout is not None and time.monotonic() - begun > timeout:
                raise subprocess.TimeoutExpired("platemark", timeout)
            time.sleep(0.01)
        return code

    def send_signal(self, number: int) -> None:
        """Send it a signal, unless it has ended."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it."""
        self.send_signal(signal.SIGKILL)
