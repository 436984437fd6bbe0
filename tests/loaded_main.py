"""Starts commands in processes that are forks of this one, which has loaded everything.

A line on standard input asks for one thing, as JSON; the answer is a line with a number. `start`
gives the process; `poll` its exit code, negative for a signal, or null while it lives.
"""

import atexit
import json
import os
import subprocess
import sys
import threading
import time
import traceback
from typing import Any, NoReturn

from driver import LOADED, Forked

from platemark.app.cli import main as command

_POPEN = subprocess.Popen


def _started(words: Any, **how: Any) -> Any:
    """A picture's step as a fork; anything else as ever."""
    is_step = "platemark.imaging.worker" in words
    return Forked(words, **how) if is_step else _POPEN(words, **how)


def _become(asked: dict[str, Any]) -> NoReturn:
    code = 1
    try:
        nothing = os.open(os.devnull, os.O_RDWR)
        for descriptor, path in ((0, None), (1, asked["out"]), (2, asked["err"])):
            flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND
            os.dup2(nothing if path is None else os.open(path, flags, 0o600), descriptor)
        os.closerange(3, 1024)
        os.chdir(asked["cwd"])
        os.environ.clear()
        os.environ |= asked["environment"]
        time.tzset()
        # A step's fork puts others in their place, which must not close what it was given.
        sys.stdin = os.fdopen(0, closefd=False)
        sys.stdout, sys.stderr = (os.fdopen(end, "w", closefd=False) for end in (1, 2))
        subprocess.Popen = _started  # type: ignore[assignment, misc]
        command(asked["words"])
    except SystemExit as end:
        code = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:
        traceback.print_exc()
    # As an interpreter does at its end.
    threading._shutdown()
    atexit._run_exitfuncs()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)


def main() -> None:
    """Answer until nobody asks any more."""
    assert LOADED
    ended: dict[int, int] = {}
    for line in sys.stdin:
        asked = json.loads(line)
        answer: int | None
        if asked["what"] == "start":
            answer = os.fork()
            if answer == 0:
                _become(asked)
        else:
            pid = asked["pid"]
            if pid not in ended:
                found, status = os.waitpid(pid, os.WNOHANG)
                if found:
                    ended[pid] = os.waitstatus_to_exitcode(status)
            answer = ended.get(pid)
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
