"""Labs' ends that hang: a way of delivering that waits, and a file system that never answers."""

import os
import shutil
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from at_work import ask, jobs, wait_for
from hanging_share import Share, mounted
from harness import LAB, LAB_FILE, SURFACE
from recalled_studio import (
    FIRST,
    SECOND,
    kinds,
    opened,
    prepare,
    put,
    recall,
    swept,
    turns,
)

import platemark.delivery
from loaded import Loaded
from platemark.app.open_studio import OpenStudio, reading
from platemark.engine import deliver
from platemark.parcel.bag import verify_parcel

MODULE = """
import threading
from platemark.delivery.folder import FolderCourier

METHOD = "waits"
calls = []
go_on = threading.Event()


class Waits(FolderCourier):
    def upload(self, *told):
        calls.append("upload")
        assert go_on.wait(60)
        super().upload(*told)

    def reveal(self, *told):
        calls.append("reveal")
        return super().reveal(*told)

    def forget(self, *told):
        calls.append("forget")
        super().forget(*told)


COURIER = Waits()
"""


class Way:
    """A way of delivering whose uploads wait until they are let go on."""

    def __init__(self) -> None:
        module = sys.modules["platemark.delivery.waits"]
        self.calls: list[str] = module.calls  # type: ignore[attr-defined]
        self.go_on: threading.Event = module.go_on  # type: ignore[attr-defined]


@pytest.fixture
def way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Way]:
    """One module in a folder that is walked: nothing else is needed for another way."""
    folder = tmp_path / "ways"
    folder.mkdir()
    (folder / "waits.py").write_text(MODULE)
    monkeypatch.setattr(platemark.delivery, "__path__", [*platemark.delivery.__path__, str(folder)])
    assert "waits" in platemark.delivery.methods()
    found = Way()
    yield found
    found.go_on.set()
    del sys.modules["platemark.delivery.waits"]


def by_way_of_waiting(root: Path) -> None:
    """Have the lab's parcels delivered in that way."""
    file = root / "labs" / f"{LAB}.toml"
    file.write_text(file.read_text().replace('method = "folder"', 'method = "waits"'))


def another_lab(root: Path) -> None:
    """A second lab that prints on a surface of its own, each job at once."""
    (root / "surfaces/new-board.toml").write_text(SURFACE.replace("Small rag", "New board"))
    said = LAB_FILE.replace("small-rag", "new-board").replace("Brindlewick", "Third lab")
    said = said.replace('rule = "quiet"\nminutes = 600', 'rule = "each"')
    (root / "labs/third.toml").write_text(said.replace("at-the-lab", "at-the-third"))
    (root / "at-the-third").mkdir()
    (root / "hot/new-board/2x3in").mkdir(parents=True)


def _with_patience(monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    """Wait that long for a lab's end, however much it has to take."""
    monkeypatch.setattr(deliver, "PATIENCE_S", seconds)
    monkeypatch.setattr(deliver, "SLOWEST", 1 << 40)


def waiting(root: Path) -> str:
    return (root / "hot/WAITING.txt").read_text()


@pytest.mark.fault(12)
def test_a_lab_that_hangs_keeps_nobody_waiting(
    closed: Path, way: Way, monkeypatch: pytest.MonkeyPatch
) -> None:
    """New pictures are taken, printed and delivered to another lab; people are told who hangs."""
    _with_patience(monkeypatch, 0)
    by_way_of_waiting(closed)
    another_lab(closed)
    with opened(closed) as at_work:
        turns(at_work, lambda: way.calls == ["upload"])
        put(closed, "dance.tif", "coffee", order="Birch")
        for ending in ("", ".toml"):
            name = f"dance.tif{ending}"
            shutil.move(
                closed / "hot/small-rag/2x3in" / name, closed / "hot/new-board/2x3in" / name
            )
        third = closed / "at-the-third" / "third-000001"
        turns(at_work, third.is_dir)
        turns(at_work, lambda: "Brindlewick has not answered since" in waiting(closed))
        assert "at-the-lab hangs with parcel brindlewick-000001. Nothing is lost" in waiting(closed)
        # One errand to one lab at a time, however long it takes.
        assert way.calls == ["upload"]
        way.go_on.set()
        turns(at_work, (closed / "at-the-lab" / FIRST).is_dir)
        turns(at_work, lambda: "has not answered" not in waiting(closed))
    assert way.calls == ["upload", "reveal", "forget"]
    found = kinds(closed)
    assert found.index("parcel-verified-at-lab") < found.index("parcel-delivered")
    assert found.count("parcel-delivered") == 2
    assert ask(closed, "ledger", "verify")[0] == 0


def test_a_sweep_waits_for_couriers_that_work(closed: Path, way: Way) -> None:
    """A delivery that takes its time is waited for."""
    by_way_of_waiting(closed)
    threading.Timer(0.7, way.go_on.set).start()
    assert swept(closed).fault == ""
    assert (closed / "at-the-lab" / FIRST).is_dir()


@pytest.mark.fault(12)
def test_a_sweep_ends_with_a_fault_where_a_lab_hangs(
    closed: Path, way: Way, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond its patience it ends and says why; the next one finishes the delivery, once."""
    by_way_of_waiting(closed)
    _with_patience(monkeypatch, 0.3)
    began = time.monotonic()
    fault = swept(closed).fault
    assert "Brindlewick has not answered since" in fault
    assert time.monotonic() - began < 20
    assert not way.go_on.is_set()
    assert list((closed / "at-the-lab").iterdir()) == []
    way.go_on.set()
    # As with a process that ended: nothing of the old one is at the lab's end any more.
    for thread in threading.enumerate():
        if thread.name == f"courier-{LAB}":
            thread.join(20)
    assert swept(closed).fault == ""
    assert kinds(closed).count("parcel-delivered") == 1
    assert (closed / "at-the-lab" / FIRST).is_dir()


def test_what_is_taken_back_during_its_upload_is_never_revealed(closed: Path, way: Way) -> None:
    """The courier comes back with a parcel that is sent no more: its private copy is removed."""
    by_way_of_waiting(closed)
    with opened(closed) as at_work:
        turns(at_work, lambda: way.calls == ["upload"])
        _recall_while_it_runs(at_work, closed, 1)
        turns(at_work, lambda: SECOND in os.listdir(closed / "outgoing" / LAB))
        assert FIRST not in os.listdir(closed / "outgoing" / LAB)
        way.go_on.set()
        turns(at_work, (closed / "at-the-lab" / SECOND).is_dir)
        turns(at_work, lambda: "forget" in way.calls and "parcel-cleared" in kinds(closed))
    assert os.listdir(closed / "at-the-lab") == [SECOND]
    assert way.calls == ["upload", "upload", "reveal", "forget", "forget"]


def test_one_parcel_that_is_refused_keeps_no_other_from_its_lab(closed: Path) -> None:
    """A parcel that was changed in outgoing/ waits by itself; the next one goes."""
    (closed / "outgoing" / LAB / FIRST / "ticket.html").write_text("changed")
    put(closed, "later.tif", "coffee", order="Birch")
    prepare(closed)
    assert "was changed after it was closed" in swept(closed).fault
    assert os.listdir(closed / "at-the-lab") == [SECOND]


def _recall_while_it_runs(at_work: OpenStudio, root: Path, number: int) -> None:
    """Give the command from another thread, as somebody does who sits elsewhere."""
    outcome: list[tuple[int, str]] = []
    thread = threading.Thread(target=lambda: outcome.append(recall(root, str(number))))
    thread.start()
    turns(at_work, lambda: bool(outcome))
    thread.join()
    assert outcome[0][0] == 0, outcome


@pytest.fixture
def share(tmp_path: Path) -> Callable[[Path], AbstractContextManager[Share]]:
    """Puts a lab's folder on a share of its own."""

    def put_on_share(lab: Path) -> AbstractContextManager[Share]:
        backing = tmp_path / "server"
        backing.mkdir()
        return mounted(backing, lab)

    return put_on_share


@pytest.mark.root
@pytest.mark.fault(12)
def test_a_real_share_hangs_in_the_middle_of_a_delivery_and_answers_again(
    closed: Path,
    share: Callable[[Path], AbstractContextManager[Share]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Pictures go on meanwhile and people are told; once it answers, the parcel is there, once."""
    _with_patience(monkeypatch, 0.2)
    with share(closed / "at-the-lab") as lab, opened(closed) as at_work:
        lab.hang()
        turns(at_work, lambda: "Brindlewick has not answered since" in waiting(closed))
        put(closed, "later.tif", "coffee", order="Birch")
        turns(
            at_work,
            lambda: [row.job for row in at_work.workshop.ledger.read.jobs(state="rendered")] == [5],
        )
        assert kinds(closed).count("parcel-verified-at-lab") == 0
        lab.answer()
        turns(at_work, lambda: "parcel-delivered" in kinds(closed))
        # Our mark beside it goes by an errand of its own.
        turns(at_work, lambda: os.listdir(closed / "at-the-lab") == [FIRST])
        assert verify_parcel(closed / "at-the-lab" / FIRST) == ()
    assert kinds(closed).count("parcel-verified-at-lab") == 1


@pytest.mark.root
@pytest.mark.fault(12)
def test_the_service_goes_on_and_ends_while_the_labs_share_hangs(
    studio: Path,
    started: Callable[[], Loaded],
    share: Callable[[Path], AbstractContextManager[Share]],
) -> None:
    """A share that is silent: pictures go on, the service ends when told; then all is delivered."""
    file = studio / "labs" / f"{LAB}.toml"
    file.write_text(file.read_text().replace('rule = "quiet"\nminutes = 600', 'rule = "each"'))
    with share(studio / "at-the-lab") as lab:
        lab.hang()
        process = started()
        wait_for(studio, lambda rows: any(job["state"] == "parcelled" for job in rows))
        put(studio, "later.tif", "coffee", order="Birch")
        wait_for(studio, lambda rows: sum(job["state"] == "parcelled" for job in rows) == 2)
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=20) == 0
        lab.answer()
        ask(studio, "sweep")
        assert sorted(os.listdir(studio / "at-the-lab")) == [FIRST, SECOND]
    assert sum(job["state"] == "delivered" for job in jobs(studio)) == 2
    with reading(studio) as reader:
        assert reader.find_fault() is None
