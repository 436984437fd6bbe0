"""Files and words made to do harm, through the real service: held or printed, told, and no more."""

import csv
import io
import json
import os
import socket
import sys
import time
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from at_work import ask_here
from harness import LAB, make_studio, picture

from platemark.app import open_studio as opening
from platemark.app.service import sweep
from platemark.engine.clock import SystemClock
from platemark.imaging.child import Children
from platemark.imaging.icc import build_matrix_profile
from platemark.ledger.read import Reader, connect_reader
from platemark.model.work import ChildLimits, Failure, Report, Task
from platemark.parcel.bag import verify_parcel

POISONED = Path(__file__).with_name("poisoned.py")
HOT = "hot/small-rag/2x3in"
MISLEADING = "\u202e\u2066\u200f\u061c\ufeff"
HARMFUL = f"\x1b]0;x\x07\x1b[2J\x9b31m{MISLEADING}<script>alert(1)</script>&\"'\x00\x7f=1+1"
LONG_AGO = 1_700_000_000


class Hurried(SystemClock):
    """A clock on which whatever must rest has rested."""

    def monotonic(self) -> float:
        """Seconds that pass a thousand times as fast."""
        return super().monotonic() * 1000


def rows_of(studio: Path) -> dict[str, Any]:
    """Every job by its file's name, and that the record holds."""
    connection = connect_reader(studio / "ledger.sqlite3")
    reader = Reader(connection)
    assert reader.find_fault() is None
    found = {row.original_name: row for row in reader.jobs()}
    connection.close()
    return found


def codes_of(studio: Path, job: int) -> set[str]:
    """What holds a job."""
    connection = connect_reader(studio / "ledger.sqlite3")
    row = Reader(connection).job(job)
    assert row is not None
    body = Reader(connection).body(max(n for n in (row.examined_seq, row.held_seq) if n))
    connection.close()
    return {each["code"] for each in body["findings"] if each["severity"] == "stop"}


def drop(studio: Path, name: str | bytes, pixels: np.ndarray, **more: Any) -> Path:
    """A good picture in the hot folder, long there."""
    path = studio / HOT / os.fsdecode(name)
    path.parent.mkdir(parents=True, exist_ok=True)
    given = {"photometric": "rgb", "iccprofile": build_matrix_profile("srgb"), **more}
    tifffile.imwrite(path, pixels, **given)
    os.utime(path, (LONG_AGO, LONG_AGO))
    return path


def is_harmless(text: str) -> bool:
    """Whether a text has nothing that a terminal obeys, that turns writing round or hides it."""
    bad = {"Cc", "Cf", "Cs", "Zl", "Zp"}
    return not any(
        unicodedata.category(sign) in bad for sign in text if sign not in "\n\r\t\u200c\u200d"
    )


# -- words -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def said(tmp_path_factory: pytest.TempPathFactory, profile: bytes) -> Path:
    """A studio after a sweep over two pictures of which everything harmful is said."""
    studio = tmp_path_factory.mktemp("said") / "studio"
    make_studio(studio, profile)
    told = json.dumps(HARMFUL)[1:-1].replace("\\u0000", "")
    free = "".join(f'{key} = "{told}"\n' for key in ("title", "order", "note", "remark", "ship_to"))
    for number, name in enumerate((b"good\x1b[2J\xe2\x80\xae\xff=.tif", b"held<b>.tif")):
        path = drop(studio, name, picture(200, 300, number))
        more = "" if number == 0 else f'"{told}" = "{told}"\nsize = "{told}"\n'
        path.with_name(path.name + ".toml").write_text(free + more, "utf-8")
    sweep(studio, Hurried())
    return studio


@pytest.mark.fault(22)
def test_harmful_words_are_shown_as_words(said: Path) -> None:
    """What is printed on terminals and written on pages, notes, tickets and tables is only text."""
    rows = rows_of(said)
    assert sorted(row.state for row in rows.values()) == ["delivered", "held"]
    screens = [ask_here(said, *words)[1] for words in (
        ("jobs",), *(("job", str(row.job)) for row in rows.values()), ("ledger", "show"),
        ("ledger", "export", "--format", "csv"),
    )]  # fmt: skip
    ends = (".html", ".txt")
    files = [path for path in said.rglob("*") if path.name.endswith(ends) and path.is_file()]
    assert {"WHY.html", "WHY.txt", "ANSWER.txt", "WAITING.txt", "ticket.html", "changes.txt"} <= {
        path.name for path in files
    }
    wrong = [screen[:300] for screen in screens if not is_harmless(screen)]
    wrong += [str(path) for path in files if not is_harmless(path.read_text("utf-8"))]
    assert wrong == []
    for page in (path for path in files if path.suffix == ".html"):
        assert "<script" not in page.read_text("utf-8").lower()
    for row in csv.reader(io.StringIO(screens[-1])):
        assert not any(cell.startswith(("=", "+", "-", "@", "\t")) for cell in row)


@pytest.mark.fault(22)
def test_harmful_names_are_no_way_out(said: Path) -> None:
    """What is sent to the lab has plain names, and every bag holds."""
    bags = sorted((said / "at-the-lab").iterdir())
    assert bags
    for path in (said / "at-the-lab").rglob("*"):
        assert set(path.name) <= set(
            "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-"
        )
    assert [fault for bag in bags for fault in verify_parcel(bag)] == []


# -- decoders that break down ----------------------------------------------------------------------


BAD = ("segv", "abort", "memory", "endless")


class Household(Children):
    """Children whose decoder breaks down over pictures that say so."""

    def __init__(self) -> None:
        super().__init__([sys.executable, "-I", "-B", str(POISONED)])

    def run(self, task: Task, limits: ChildLimits) -> Report | Failure:
        """Run one; nobody wants to wait a quarter of an hour for those that never end."""
        original = Path(getattr(task, "path", "") or getattr(task, "original", ""))
        never_ends = original.is_file() and original.read_bytes().endswith((b"endless", b"busy"))
        return super().run(task, replace(limits, seconds=2) if never_ends else limits)


def ramp() -> np.ndarray:
    """65,536 levels from black to white, each twice and more."""
    wide = np.linspace(0, 65535, 300 * 240).round().astype(np.uint16).reshape(300, 240)
    return np.stack([wide, wide, wide], -1)[:, :200]


def with_poison(path: Path, how: str) -> None:
    """Say in a file's last bytes, which no decoder looks at, how it breaks one."""
    with path.open("ab") as stream:
        stream.write(b"breaks its decoder: " + how.encode())
    os.utime(path, (LONG_AGO, LONG_AGO))


@dataclass(frozen=True)
class Poisoned:
    """A studio after a sweep, with how long that took and what lay in the hot folder."""

    studio: Path
    took_s: float
    originals: dict[str, bytes]


def sweep_with_poison(studio: Path, good: int, bad: Sequence[str], at_once: int) -> Poisoned:
    """Drop good pictures and bad ones, and sweep with as many workers as there are bad ones."""
    settings = studio / "studio.toml"
    settings.write_text(settings.read_text().replace("jobs = 1", f"jobs = {at_once}"))
    lab = studio / f"labs/{LAB}.toml"
    front, _, _ = lab.read_text().partition("[products.profile]")
    lab.write_text(front.replace("[products.ppi]", 'working_spaces = ["srgb"]\n[products.ppi]'))
    # The first that are taken keep every worker busy.
    for number, how in enumerate(bad):
        with_poison(drop(studio, f"a{number}-{how}.tif", picture(200, 300, 90 + number)), how)
    drop(studio, "ramp.tif", ramp())
    for number in range(good):
        drop(studio, f"good-{number}.tif", picture(200, 300, number))
    originals = {path.name: path.read_bytes() for path in (studio / HOT).iterdir()}
    began = time.monotonic()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(opening, "Children", Household)
        swept = sweep(studio, Hurried())
    assert swept.fault == ""
    return Poisoned(studio, time.monotonic() - began, originals)


@pytest.fixture(scope="module")
def poisoned(tmp_path_factory: pytest.TempPathFactory, profile: bytes) -> Poisoned:
    studio = tmp_path_factory.mktemp("poisoned") / "studio"
    make_studio(studio, profile)
    return sweep_with_poison(studio, 1, BAD, len(BAD))


@pytest.mark.fault(27, 28, 32)
def test_what_breaks_its_decoder_is_held_and_the_others_go(poisoned: Poisoned) -> None:
    """A crash, an abort, memory without end, a decode without end: each file is held by itself.

    Every worker was busy with one of them, and none but they is blamed; every original is kept.
    """
    assert_only_the_bad_are_held(poisoned)


def assert_only_the_bad_are_held(poisoned: Poisoned) -> None:
    rows = rows_of(poisoned.studio)
    assert {name: row.state for name, row in rows.items()} == {
        name: "held" if name.startswith("a") else "delivered" for name in poisoned.originals
    }
    for name, row in rows.items():
        kept = poisoned.studio / "archive" / row.original_sha256[:2]
        (path,) = kept.glob(f"{row.original_sha256}.*")
        assert path.read_bytes() == poisoned.originals[name]
        if row.state == "held":
            assert codes_of(poisoned.studio, row.job) == {"file-stops-its-reader"}
            assert name in (poisoned.studio / "hot/WAITING.txt").read_text()
    sent = list((poisoned.studio / "at-the-lab").glob("*/data/*"))
    assert len(sent) == sum(row.state == "delivered" for row in rows.values())
    for kind in ("spool", "prints", "faces"):
        assert list((poisoned.studio / "work" / kind).iterdir()) == []


@pytest.mark.fault(30)
def test_sixteen_bits_stay_sixteen_bits(poisoned: Poisoned) -> None:
    """A ramp of far more than 256 levels is the same ramp in the lab's file, read by tifffile."""
    (path,) = (poisoned.studio / "at-the-lab").glob("*/data/*ramp*.tif")
    printed = tifffile.imread(path)
    assert printed.dtype == np.uint16
    assert len(np.unique(printed)) > 10_000
    assert np.array_equal(printed, ramp())


@pytest.mark.long
@pytest.mark.fault(32)
def test_one_bad_file_among_forty(tmp_path: Path, profile: bytes) -> None:
    """Two workers, one file that kills its process, thirty-nine that do not: one is held."""
    make_studio(tmp_path / "studio", profile)
    assert_only_the_bad_are_held(sweep_with_poison(tmp_path / "studio", 38, ("segv",), 2))


# -- what is no file -------------------------------------------------------------------------------


@pytest.mark.fault(21)
def test_what_is_no_file_is_told_and_never_opened(tmp_path: Path, profile: bytes) -> None:
    """A pipe, a socket, a device, links to a file, to a folder and to nothing: none blocks a sweep.

    Each is named in WAITING.txt and stays as it is; nothing behind a link becomes a job.
    """
    studio = tmp_path / "studio"
    make_studio(studio, profile)
    hot, elsewhere = studio / HOT, tmp_path / "elsewhere"
    elsewhere.mkdir()
    tifffile.imwrite(elsewhere / "secret.tif", picture(200, 300, 1), photometric="rgb")
    os.mkfifo(hot / "pipe.tif")
    (hot / "link.tif").symlink_to(elsewhere / "secret.tif")
    (hot / "folder").symlink_to(elsewhere)
    (hot / "nothing.tif").symlink_to(tmp_path / "not there")
    (hot / "self.tif").symlink_to(hot / "self.tif")
    names = ["pipe.tif", "link.tif", "folder", "nothing.tif", "self.tif", "socket.tif"]
    if os.geteuid() == 0:
        os.mknod(hot / "disk.tif", 0o060600, os.makedev(7, 99))
        os.mknod(hot / "zero.tif", 0o020600, os.makedev(1, 5))
        names += ["disk.tif", "zero.tif"]
    with socket.socket(socket.AF_UNIX) as server:
        # A socket's name has room for 108 bytes only, and a test's folder lies deep.
        folder = os.open(hot, os.O_RDONLY | os.O_DIRECTORY)
        server.bind(f"/proc/self/fd/{folder}/socket.tif")
        os.close(folder)
        began = time.monotonic()
        sweep(studio, Hurried())
    assert time.monotonic() - began < 30
    assert rows_of(studio) == {}
    told = (studio / "hot/WAITING.txt").read_text()
    assert [name for name in names if name not in told] == []
    assert sorted(path.name for path in hot.iterdir()) == sorted(names)
