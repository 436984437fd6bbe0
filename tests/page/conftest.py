"""A studio with jobs in every state, the page on it as a process of its own, and a browser."""

import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "end_to_end"))
sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))

from at_page import Shown, make_full_studio, shown
from harness import printer_profile


@pytest.fixture(scope="session")
def _full(made_once: Callable[[str, Callable[[Path], object]], Path]) -> Path:
    return made_once("page-studio", lambda at: make_full_studio(at / "studio", printer_profile()))


@pytest.fixture
def full(_full: Path, tmp_path: Path) -> Path:
    """A studio after a sweep: jobs delivered, and several held, some with hostile names."""
    return Path(shutil.copytree(_full / "studio", tmp_path / "studio", symlinks=True))


@pytest.fixture
def show(full: Path) -> Iterator[Callable[..., Shown]]:
    """Shows the page of that studio; ends it afterwards."""
    with ExitStack() as stack:
        yield lambda **changes: stack.enter_context(shown(full, **changes))


@pytest.fixture
def page(show: Callable[..., Shown]) -> Shown:
    """The page, on this computer alone."""
    return show()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium."""
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox"]
        )
        yield opened
        opened.close()
