"""A small studio, and the service started on it as its own process."""

import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))
sys.path.insert(0, str(Path(__file__).parents[1] / "page"))

from at_work import ask
from harness import drop_pictures, make_studio, printer_profile
from recalled_studio import (  # noqa: F401  # fixtures, and what they share
    closed,
    closed_once,
    delivered,
    delivered_once,
    for_collection,
    for_collection_once,
    in_this_process,
    rendered,
    rendered_once,
)

from loaded import Loaded


@pytest.fixture(scope="session")
def profile() -> bytes:
    return printer_profile()


@pytest.fixture
def studio(tmp_path: Path, profile: bytes) -> Path:
    make_studio(tmp_path / "studio", profile)
    drop_pictures(tmp_path / "studio")
    return tmp_path / "studio"


@pytest.fixture(scope="session")
def _swept(tmp_path_factory: pytest.TempPathFactory, profile: bytes) -> Path:
    root = tmp_path_factory.mktemp("swept") / "studio"
    make_studio(root, profile)
    drop_pictures(root)
    ask(root, "sweep")
    return root


@pytest.fixture
def swept(_swept: Path, tmp_path: Path) -> Path:
    """That studio after a sweep: job 1 delivered, job 2 held for its lack of a profile."""
    return Path(shutil.copytree(_swept, tmp_path / "studio", symlinks=True))


@pytest.fixture
def started(studio: Path) -> Iterator[Callable[[], Loaded]]:
    """Starts the service, and ends whatever is left of it."""
    running: list[Loaded] = []

    def start() -> Loaded:
        running.append(Loaded(["--studio", str(studio), "--log", "json", "run"]))
        return running[-1]

    yield start
    for process in running:
        process.kill()
        process.wait()


@pytest.fixture
def steps_here() -> Iterator[None]:
    """What commands start for a picture's steps is done in this process, which is far sooner."""
    with in_this_process():
        yield
