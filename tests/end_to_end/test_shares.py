"""Hot folders on a share that hangs, breaks off and comes back: the rest goes on, nothing is lost.

The share is a real mount whose server is stopped (see `hanging_share`); whoever touches it is held
in the system, as by a network share whose server is gone.
"""

import io
import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import tifffile
from at_work import ask, jobs, states, wait_for
from hanging_share import Share, mounted
from harness import LAB, LAB_FILE, STUDIO, SURFACE, make_studio, picture

from loaded import Loaded
from platemark.app.open_studio import open_studio
from platemark.app.service import sweep
from platemark.engine import hot_side
from platemark.engine.clock import SystemClock
from platemark.imaging.icc import build_matrix_profile

pytestmark = pytest.mark.root
SHARE_S = "share_s = 1\n"


def drop(folder: Path, name: str, seed: int) -> bytes:
    """Drop a good small picture; gives its bytes."""
    made = io.BytesIO()
    srgb = build_matrix_profile("srgb")
    tifffile.imwrite(made, picture(200, 300, seed), photometric="rgb", iccprofile=srgb)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(made.getvalue())
    return made.getvalue()


@pytest.fixture
def studio(tmp_path: Path, profile: bytes) -> Path:
    """A studio with a second surface, whose folder is to be a share."""
    root = tmp_path / "studio"
    make_studio(root, profile)
    (root / "studio.toml").write_text(STUDIO.replace("local_s = 1\n", f"local_s = 1\n{SHARE_S}"))
    (root / "surfaces/far-rag.toml").write_text(SURFACE.replace("Small rag", "Far rag"))
    product = LAB_FILE[LAB_FILE.index("[[products]]") :].replace("small-rag", "far-rag")
    (root / "labs" / f"{LAB}.toml").write_text(LAB_FILE + product)
    (root / "hot/far-rag").mkdir()
    return root


@pytest.fixture
def share(studio: Path, tmp_path: Path) -> Iterator[Share]:
    """The second surface's hot folder, on a share."""
    (tmp_path / "far").mkdir()
    with mounted(tmp_path / "far", studio / "hot/far-rag") as share:
        yield share


def proved(studio: Path) -> None:
    """The record holds, and nothing was delivered twice."""
    assert ask(studio, "ledger", "verify")[0] == 0
    names = [path.name for path in (studio / "at-the-lab").iterdir()]
    assert len(names) == len(set(names))


@pytest.mark.fault(12)
def test_a_surface_on_a_share_that_hangs_holds_nobody_up(
    studio: Path, share: Share, started: Callable[[], Loaded]
) -> None:
    """Other surfaces are taken in, answers applied, and the service ends when it is told to."""
    process = started()
    drop(studio / "hot/far-rag/2x3in", "far.tif", 1)
    tifffile.imwrite(studio / "hot/small-rag/untagged_2x3in.tif", picture(200, 300, 4),
                     photometric="rgb")  # fmt: skip
    wait_for(studio, lambda rows: states(rows) == {"far.tif": "rendered",
                                                   "untagged_2x3in.tif": "held"})  # fmt: skip
    (taken,) = (studio / "hot/far-rag/taken").iterdir()
    assert taken.name.endswith("-far.tif")
    drop(studio / "hot/far-rag/2x3in", "later.tif", 2)
    share.hang()
    drop(studio / "hot/small-rag/2x3in", "near.tif", 3)
    wait_for(studio, lambda rows: states(rows).get("near.tif") == "rendered")
    number = str(next(job["job"] for job in jobs(studio) if job["state"] == "held"))
    code, text = ask(
        studio, "decide", number, "--accept", "colour-untagged", "--by", "Mira", "--because", "mine"
    )
    assert code == 0, text
    wait_for(studio, lambda rows: states(rows)["untagged_2x3in.tif"] == "rendered")
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=10) == 0
    share.answer()
    assert ask(studio, "sweep")[0] == 0
    assert set(states(jobs(studio)).values()) == {"delivered"}
    proved(studio)


@pytest.mark.long
@pytest.mark.fault(12)
def test_a_copy_that_hangs_holds_nobody_up(
    studio: Path, share: Share, started: Callable[[], Loaded]
) -> None:
    """A large file half taken in: other work goes on, an end is prompt, and it is taken later."""
    large = studio / "hot/far-rag/2x3in/large.tif"
    large.parent.mkdir()
    with large.open("wb") as file:
        file.truncate(400 << 20)
    process = started()
    deadline = time.monotonic() + 60
    while not any(path.stat().st_size for path in (studio / "work/spool").glob("?" * 16)):
        assert time.monotonic() < deadline
        time.sleep(0.002)
    share.hang()
    drop(studio / "hot/small-rag/2x3in", "near.tif", 3)
    wait_for(studio, lambda rows: states(rows) == {"near.tif": "rendered"})
    process.send_signal(signal.SIGTERM)
    assert process.wait(timeout=10) == 0
    share.answer()
    large.write_text("this is no picture")
    code, text = ask(studio, "sweep")
    assert code == 3, text
    assert states(jobs(studio)) == {"near.tif": "delivered", "large.tif": "held"}
    assert not list((studio / "work/spool").iterdir())
    proved(studio)


@pytest.fixture
def all_on_share(studio: Path, tmp_path: Path) -> Iterator[Share]:
    """All hot folders on one share."""
    (tmp_path / "far/small-rag").mkdir(parents=True)
    with mounted(tmp_path / "far", studio / "hot") as share:
        yield share


@pytest.mark.fault(12)
def test_a_hot_root_that_hangs_is_told_in_held(
    studio: Path, all_on_share: Share, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is under way goes on, `held/` says what is the matter, and all goes on when it is back.

    Only the wait for an answer is made shorter.
    """
    drop(studio / "hot/small-rag/2x3in", "good.tif", 1)
    with open_studio(studio) as opened:
        read, note = opened.workshop.ledger.read, studio / "held/WAITING.txt"

        def turn_until(right: Callable[[], bool]) -> None:
            deadline = time.monotonic() + 60
            while not right():
                assert time.monotonic() < deadline
                began = time.monotonic()
                opened.dispatch.turn()
                assert time.monotonic() - began < 5
                time.sleep(0.02)

        turn_until(lambda: [row.state for row in read.jobs()] == ["claimed"])
        all_on_share.hang()
        monkeypatch.setattr(hot_side, "SILENT_S", 1.0)
        turn_until(lambda: [row.state for row in read.jobs()] == ["rendered"])
        turn_until(lambda: bool(opened.dispatch.troubles) and note.exists())
        assert "has not answered since" in note.read_text()
        assert "Nothing is lost" in note.read_text()
        assert not list(read.entries(kind="let-go"))
        all_on_share.answer()
        turn_until(lambda: not opened.dispatch.troubles and not note.exists())
        turn_until(lambda: bool(list(read.entries(kind="let-go"))))
        opened.dispatch.stop()
    assert (studio / "hot/small-rag/taken/000001-good.tif").is_file()
    assert ask(studio, "sweep")[0] == 0
    proved(studio)


@pytest.mark.long
@pytest.mark.fault(12)
def test_a_sweep_ends_although_the_hot_folders_hang(
    studio: Path, all_on_share: Share, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It does what it can and says what it could not; the next takes what lies there."""
    drop(studio / "hot/small-rag/2x3in", "good.tif", 1)
    monkeypatch.setattr(hot_side, "SILENT_S", 1.0)

    class Late(SystemClock):
        """A clock that stops the share once the sweep has begun."""

        asked = False

        def monotonic(self) -> float:
            """The time; the share hangs from the first question on."""
            if not self.asked:
                self.asked = True
                all_on_share.hang()
            return super().monotonic()

    swept = sweep(studio, Late())
    assert "has not answered since" in swept.fault
    assert swept.took == 0
    all_on_share.answer()
    assert ask(studio, "sweep")[0] == 0
    assert states(jobs(studio)) == {"good.tif": "delivered"}
    proved(studio)


@pytest.mark.long
@pytest.mark.fault(12)
def test_doctor_does_not_hang(studio: Path, share: Share, monkeypatch: pytest.MonkeyPatch) -> None:
    """It names the folder that does not answer, and how each is watched."""
    from platemark.app import doctor_hot

    code, text = ask(studio, "doctor")
    assert "watching far-rag: the folders are looked through again and again" in text
    assert "a disk of the kind fuse" in text
    assert "watching: the system tells at once" in text
    monkeypatch.setattr(doctor_hot, "PATIENCE_S", 0.5)
    share.hang()
    from platemark.settings.load import load_settings

    told = [said for said in doctor_hot.words_of_hot(studio, load_settings(studio))
            if said[0] == "wrong"]  # fmt: skip
    assert [f"{studio}/hot/far-rag does not answer" == said[2] for said in told] == [True]
    del code


@pytest.mark.long
@pytest.mark.fault(11, 13)
def test_a_surface_whose_share_is_gone_is_only_away(
    studio: Path, tmp_path: Path, profile: bytes
) -> None:
    """Its empty mount point counts for nothing: no drop vanished, no sheet was removed."""
    far = tmp_path / "far"
    (far / "2x3in").mkdir(parents=True)
    hot = studio / "hot/far-rag"
    with open_studio(studio) as opened:
        read = opened.workshop.ledger.read

        def turn_until(right: Callable[[], bool]) -> None:
            deadline = time.monotonic() + 60
            while not right():
                assert time.monotonic() < deadline, [row.state for row in read.jobs()]
                opened.dispatch.turn()
                time.sleep(0.02)

        def note() -> str:
            path = studio / "hot/WAITING.txt"
            return path.read_text() if path.exists() else ""

        with mounted(far, hot):
            (hot / "spring.csv").write_text("file,size\nheron.tif,2x3in\nlate.tif,2x3in\n")
            turn_until(lambda: bool(list(read.entries(kind="sheet-read"))))
            drop(hot, "heron.tif", 1)
            turn_until(lambda: [row.state for row in read.jobs()] == ["rendered"])
        (hot / "stray.tif").write_bytes(b"dropped where the share should be")
        turn_until(lambda: "is not connected" in note())
        for _ in range(100):
            opened.dispatch.turn()
            time.sleep(0.02)
        assert len(read.jobs()) == 1
        assert not list(read.entries(kind="sheet-let-go"))
        with mounted(far, hot):
            drop(hot, "late.tif", 2)
            turn_until(lambda: [row.state for row in read.jobs()] == ["rendered"] * 2)
            turn_until(lambda: bool(list(read.entries(kind="sheet-let-go"))))
            turn_until(lambda: "is not connected" not in note())
        opened.dispatch.stop()
    assert {entry.body["outcome"] for entry in _entries(studio, "let-go")} == {"taken"}
    proved(studio)


def _entries(studio: Path, kind: str) -> list[object]:
    from platemark.app.open_studio import reading

    with reading(studio) as read:
        return list(read.entries(kind=kind))


@pytest.mark.long
@pytest.mark.fault(12)
def test_a_share_that_breaks_off_in_the_middle(studio: Path, tmp_path: Path) -> None:
    """Errors in place of answers are as good as an absent folder; it is taken when it is back."""
    far = tmp_path / "far"
    far.mkdir()
    hot = studio / "hot/far-rag"
    with open_studio(studio) as opened:
        read = opened.workshop.ledger.read
        with mounted(far, hot) as share:
            drop(hot / "2x3in", "heron.tif", 1)
            opened.dispatch.turn()
            share.break_off()
            deadline = time.monotonic() + 3
            while time.monotonic() < deadline:
                opened.dispatch.turn()
                time.sleep(0.02)
            assert read.jobs() == []
        with mounted(far, hot):
            deadline = time.monotonic() + 60
            while [row.state for row in read.jobs()] != ["rendered"]:
                assert time.monotonic() < deadline
                opened.dispatch.turn()
                time.sleep(0.02)
        opened.dispatch.stop()
    assert os.listdir(far / "taken") == ["000001-heron.tif"]
    proved(studio)
