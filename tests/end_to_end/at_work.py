"""Ask the real command, and wait for what a running service comes to."""

import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import structlog
from click.testing import CliRunner

from loaded import Loaded
from platemark.app.cli import main

PLATEMARK = Path(sys.executable).with_name("platemark")
PATIENCE_S = 90
HERE = {"jobs", "job", "ledger", "profiles", "decide", "retrieve", "examine"}
"""Commands that are asked within the tests' own process: starting Python costs more than they."""
LOADED = {"sweep"}
"""Commands that are run as forks of a process that has loaded everything."""


def ask(
    studio: Path, *words: str, within: Sequence[str] = (), patience_s: int = 120
) -> tuple[int, str]:
    """Run a command on a studio, perhaps with others before it; its exit code and all it said."""
    if not within and words[0] in HERE:
        return ask_here(studio, *words)
    if not within and words[0] in LOADED:
        return _ask_loaded(studio, words, patience_s)
    done = subprocess.run(
        [*within, str(PLATEMARK), "--studio", str(studio), *words],
        capture_output=True,
        text=True,
        timeout=patience_s,
        check=False,
    )
    assert "Traceback" not in done.stderr + done.stdout
    return done.returncode, done.stdout + done.stderr


def _ask_loaded(studio: Path, words: Sequence[str], patience_s: int) -> tuple[int, str]:
    with tempfile.TemporaryDirectory() as folder:
        out, err = Path(folder, "out"), Path(folder, "err")
        process = Loaded(["--studio", str(studio), *words], out=out, err=err)
        try:
            code = process.wait(patience_s)
        finally:
            process.kill()
        said = out.read_text() + err.read_text()
    assert "Traceback" not in said
    return code, said


def ask_here(studio: Path, *words: str) -> tuple[int, str]:
    """Run a command on a studio within this process; its exit code and all it said."""
    try:
        done = CliRunner().invoke(main, ["--studio", str(studio), *words])
    finally:
        structlog.reset_defaults()
    assert done.exception is None or isinstance(done.exception, SystemExit)
    return done.exit_code, done.output


def jobs(studio: Path, within: Sequence[str] = ()) -> list[dict[str, Any]]:
    """Every job of a studio; none while there is no record yet."""
    code, text = ask(studio, "jobs", "--json", within=within)
    return json.loads(text) if code == 0 else []


def wait_for(
    studio: Path, right: Callable[[list[dict[str, Any]]], bool], within: Sequence[str] = ()
) -> list[dict[str, Any]]:
    """Wait until the jobs are as they should be, and give them."""
    deadline = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline:
        found = jobs(studio, within)
        if right(found):
            return found
        time.sleep(0.3)
    raise AssertionError(f"it never came to that: {found}")


def states(found: list[dict[str, Any]]) -> dict[str, str]:
    """The state of each job by the name of its file."""
    return {job["original_name"]: job["state"] for job in found}
