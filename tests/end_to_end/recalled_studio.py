"""Studios whose jobs wait, lie in a closed parcel, or are with the lab; each is made once."""

import json
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from at_work import ask_here
from harness import LAB, make_studio

from platemark.app.open_studio import OpenStudio, open_studio, reading
from platemark.app.service import Swept, sweep
from platemark.engine.clock import SystemClock
from platemark.imaging.icc import build_matrix_profile

PICTURES = (
    ("dunes.tif", "coffee", {"order": "Alder", "copies": 2, "title": "Dunes"}),
    ("heron.tif", "chelsea", {"order": "Alder"}),
    ("river-a.tif", "astronaut", {"order": "Alder", "set": "River", "set_of": 2}),
    ("river-b.tif", "rocket", {"order": "Alder", "set": "River", "set_of": 2}),
)
"""Jobs 1 to 4: files are taken in the order of their names."""
FIRST, SECOND = f"{LAB}-000001", f"{LAB}-000002"
BECAUSE = "the client's dog is called Waldmeister"
"""A reason that must never leave the studio."""


def put(root: Path, name: str, pixels: str, *, mirrored: bool = False, **asked: Any) -> None:
    """Put a photograph into the hot folder, with its request beside it."""
    import tifffile
    from test_settled import photograph

    hot = root / "hot/small-rag/2x3in"
    srgb = build_matrix_profile("srgb")
    shown = photograph(pixels)[:, ::-1] if mirrored else photograph(pixels)
    tifffile.imwrite(hot / name, shown, photometric="rgb", iccprofile=srgb)
    lines = [f"{key} = {json.dumps(value)}\n" for key, value in asked.items()]
    (hot / f"{name}.toml").write_text("".join(lines))


@contextmanager
def in_this_process() -> Iterator[SystemClock]:
    """Children's steps are done here, which saves the start of each; gives a clock to step."""
    # Loaded when it is needed: pixels are no business of most tests.
    from test_settled import SteppedClock

    from here import Here, examined_here

    with examined_here(), pytest.MonkeyPatch.context() as patch:
        patch.setattr("platemark.app.open_studio.Children", Here)
        yield SteppedClock()


@contextmanager
def opened(root: Path) -> Iterator[OpenStudio]:
    """A studio at work whose children's steps are done in this process."""
    with in_this_process() as clock, open_studio(root, clock) as at_work:
        yield at_work
        at_work.dispatch.stop()


def turns(at_work: OpenStudio, right: Callable[[], bool]) -> None:
    """Take turns until something has come to be so; waiting for quiet takes no time."""
    clock: Any = at_work.workshop.clock
    deadline = time.monotonic() + 90
    while time.monotonic() < deadline:
        at_work.dispatch.turn()
        if right():
            return
        clock.steps += 0.5
        time.sleep(0.01)
    raise AssertionError("it never came to that")


def prepare(root: Path) -> None:
    """Take in what lies in the hot folders, until no job moves and held ones have their pages."""
    with opened(root) as at_work:
        read = at_work.workshop.ledger.read
        dropped = sum(1 for path in (root / "hot").rglob("*.tif") if "taken" not in path.parts)
        wanted = read.newest_job() + dropped
        turns(
            at_work,
            lambda: (
                read.newest_job() == wanted
                and not any(row.state in ("claimed", "examined") for row in read.jobs())
                and not at_work.dispatch._holding.drawing
            ),
        )


def swept(root: Path) -> Swept:
    """Close everything and deliver it, in this process."""
    with in_this_process() as clock:
        return sweep(root, clock)


def recall(root: Path, *words: str, by: str = "Asa", because: str = BECAUSE) -> tuple[int, str]:
    """Give the command."""
    return ask_here(root, "recall", *words, "--by", by, "--because", because)


def job(root: Path, number: int) -> dict[str, Any]:
    """What `job N --json` says."""
    code, text = ask_here(root, "job", str(number), "--json")
    assert code == 0
    return dict(json.loads(text))


def kinds(root: Path, *, number: int | None = None) -> list[str]:
    """The kinds of all entries, or of a job's."""
    with reading(root) as reader:
        return [entry.kind for entry in reader.entries(job=number)]


def ticket(parcel: Path) -> dict[str, Any]:
    """A parcel's ticket."""
    return dict(json.loads((parcel / "ticket.json").read_bytes()))


def collecting(root: Path) -> None:
    """Have the lab's parcels fetched from `outgoing/`."""
    file = root / "labs" / f"{LAB}.toml"
    said = file.read_text().replace('method = "folder"\npath = "at-the-lab"', 'method = "collect"')
    file.write_text(said)


@pytest.fixture(scope="session")
def rendered_once(tmp_path_factory: pytest.TempPathFactory, profile: bytes) -> Path:
    root = tmp_path_factory.mktemp("rendered") / "studio"
    make_studio(root, profile)
    for name, pixels, asked in PICTURES:
        put(root, name, pixels, **asked)
    prepare(root)
    return root


@pytest.fixture(scope="session")
def closed_once(tmp_path_factory: pytest.TempPathFactory, rendered_once: Path) -> Path:
    root = Path(shutil.copytree(rendered_once, tmp_path_factory.mktemp("closed") / "studio"))
    # A lab whose folder is away: the parcel is closed and waits.
    (root / "at-the-lab").rmdir()
    assert "is not there" in swept(root).fault
    (root / "at-the-lab").mkdir()
    return root


@pytest.fixture(scope="session")
def delivered_once(tmp_path_factory: pytest.TempPathFactory, closed_once: Path) -> Path:
    root = Path(shutil.copytree(closed_once, tmp_path_factory.mktemp("delivered") / "studio"))
    assert swept(root).fault == ""
    return root


@pytest.fixture(scope="session")
def for_collection_once(tmp_path_factory: pytest.TempPathFactory, rendered_once: Path) -> Path:
    root = Path(shutil.copytree(rendered_once, tmp_path_factory.mktemp("collect") / "studio"))
    collecting(root)
    assert swept(root).fault == ""
    return root


def _copy(template: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(template, tmp_path / "studio"))


@pytest.fixture
def rendered(rendered_once: Path, tmp_path: Path) -> Path:
    """Four jobs that are rendered and in no parcel."""
    return _copy(rendered_once, tmp_path)


@pytest.fixture
def closed(closed_once: Path, tmp_path: Path) -> Path:
    """The four in a parcel that is closed and was never with its lab."""
    return _copy(closed_once, tmp_path)


@pytest.fixture
def delivered(delivered_once: Path, tmp_path: Path) -> Path:
    """The four with their lab."""
    return _copy(delivered_once, tmp_path)


@pytest.fixture
def for_collection(for_collection_once: Path, tmp_path: Path) -> Path:
    """The four in a parcel that somebody fetches."""
    return _copy(for_collection_once, tmp_path)
