"""What all tests share: the folder of good values, and programs that may be absent."""

import fcntl
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "unit"))

MakeFolder = Callable[[Path], object]

REQUIRED = os.environ.get("PLATEMARK_REQUIRE_TOOLS") == "1"


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a test whose program is absent, by name; where programs are required, fail it."""
    for mark in item.iter_markers("tool"):
        name = mark.args[0]
        if shutil.which(name) is None:
            if REQUIRED:
                pytest.fail(f"{name} is not installed, and is required here", pytrace=False)
            pytest.skip(f"{name} is not installed")
    if item.get_closest_marker("root") is not None and os.geteuid() != 0:
        if REQUIRED:
            pytest.fail("this is tried as root only, and is required here", pytrace=False)
        pytest.skip("only root may mount and limit disks")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name what is wanting, programs or rights, and count what could not be tried without it."""
    skipped = [
        str(report.longrepr[2])
        for report in terminalreporter.stats.get("skipped", [])
        if isinstance(report.longrepr, tuple)
        and ("is not installed" in report.longrepr[2] or "only root" in report.longrepr[2])
    ]
    for reason in sorted(set(skipped)):
        count = skipped.count(reason)
        terminalreporter.write_line(f"{reason.removeprefix('Skipped: ')}: {count} tests not tried")


@pytest.fixture(autouse=True)
def _nobody_watches_the_disk() -> Iterator[None]:
    """No test leaves an observer behind."""
    from platemark import durable

    yield
    durable.observe(None)


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, MakeFolder], Path]:
    """Gives a folder by its name that the first who asks for it makes, of all that test at once."""
    base = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent

    def give(name: str, make: MakeFolder) -> Path:
        folder = base / f"once-{name}"
        with (base / f"once-{name}.lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not folder.exists():
                making = base / f"making-{name}"
                # Whoever made it before broke down over it.
                shutil.rmtree(making, ignore_errors=True)
                making.mkdir()
                make(making)
                making.rename(folder)
        return folder

    return give
