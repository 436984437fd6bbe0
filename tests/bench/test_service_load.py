"""The service under load: how soon a drop is seen, ten thousand at once, and what idling costs.

Measures and prints; asserts that the work was done, and no times. `/proc` is read, so Linux only.
`pytest -m bench -n 0 -s tests/bench/test_service_load.py`.
"""

import os
import signal
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))
sys.path.insert(0, str(Path(__file__).parents[1] / "end_to_end"))

from at_work import PLATEMARK
from harness import LAB, LAB_FILE, STUDIO, SURFACE, make_studio, printer_profile

from platemark.app.open_studio import open_studio, reading
from platemark.ledger.store import Ledger

pytestmark = pytest.mark.bench
SETTLE_S = 1.0
DROPS = 50
MANY = 10_000
FOLDERS = 20
IDLE_S = 60


@contextmanager
def running(studio: Path) -> Iterator["subprocess.Popen[bytes]"]:
    """The service at work on a studio."""
    with (studio.parent / "log").open("wb") as log:
        process = subprocess.Popen(
            [str(PLATEMARK), "--studio", str(studio), "--log", "json", "run"], stderr=log
        )
        try:
            until(lambda: '"started"' in (studio.parent / "log").read_text())
            yield process
            process.send_signal(signal.SIGTERM)
            assert process.wait(timeout=60) == 0
        finally:
            process.kill()
            process.wait()


def until(right: Callable[[], bool], patience_s: float = 900) -> None:
    """Wait until something has come to be so."""
    deadline = time.monotonic() + patience_s
    while not right():
        assert time.monotonic() < deadline
        time.sleep(0.005)


def claimed(studio: Path) -> int:
    """How many jobs there are."""
    with reading(studio) as read:
        return read.newest_job()


def cpu_s(process: int) -> float:
    """Processor seconds of a process so far, its children left out (proc(5), stat)."""
    words = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def highest_mb(process: int) -> float:
    """The most memory that a process has had, resident (proc(5), status)."""
    status = Path(f"/proc/{process}/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def test_how_soon_a_drop_is_seen(tmp_path: Path) -> None:
    """From the end of its writing to its job, beyond the settle time; fifty drops, one by one."""
    studio = tmp_path / "studio"
    make_studio(studio, printer_profile())
    hot, beyond = studio / "hot/small-rag", []
    with running(studio):
        time.sleep(2)
        for number in range(DROPS):
            (hot / f"{number}_2x3in.tif").write_bytes(b"no picture, but a drop" * 5000)
            dropped = time.monotonic()
            until(lambda: claimed(studio) > number)  # noqa: B023
            beyond.append(time.monotonic() - dropped - SETTLE_S)
            time.sleep(0.05 * (number % 7))
    beyond.sort()
    print(
        f"\nseen beyond the settle time: median {statistics.median(beyond) * 1000:.0f} ms, "
        f"worst {beyond[-1] * 1000:.0f} ms of {DROPS}"
    )


def test_ten_thousand_at_once(tmp_path: Path) -> None:
    """Tiny files that are no pictures, in twenty folders: all claimed, and what that took."""
    studio = tmp_path / "studio"
    make_studio(studio, printer_profile())
    with running(studio) as process:
        for number in range(MANY):
            folder = studio / f"hot/small-rag/order {number % FOLDERS}"
            folder.mkdir(exist_ok=True)
            (folder / f"{number}_2x3in.tif").write_bytes(b"no picture %d" % number)
        began, spent = time.monotonic(), cpu_s(process.pid)
        until(lambda: claimed(studio) >= MANY)
        took, spent = time.monotonic() - began, cpu_s(process.pid) - spent
        print(
            f"\n{MANY} files claimed in {took:.0f} s ({spent:.0f} s of processor time); "
            f"highest {highest_mb(process.pid):.0f} MB"
        )
        with reading(studio) as read:
            before = len(read.jobs(state="claimed"))
            time.sleep(20)
            after = len(read.jobs(state="claimed"))
        print(f"then {(before - after) / 20:.1f} files a second are read and held")
    # Each turn of the service, with all of them on its hands.
    with open_studio(studio) as opened:
        turns = []
        for _ in range(30):
            began = time.monotonic()
            opened.dispatch.turn()
            turns.append(time.monotonic() - began)
        scan = opened.dispatch._taking._root.hot
        known = {(d.device, d.inode, d.size, d.mtime_ns)
                 for d in opened.workshop.ledger.read.drops(here=True)}  # fmt: skip
        looks = []
        for _ in range(5):
            began = time.monotonic()
            scan.look(known)
            looks.append(time.monotonic() - began)
        opened.dispatch.stop()
    print(
        f"a turn takes {statistics.median(turns) * 1000:.0f} ms (worst {max(turns) * 1000:.0f}), "
        f"a look {statistics.median(looks) * 1000:.0f} ms"
    )
    with reading(studio) as read:
        assert len(read.jobs()) == MANY
        assert read.find_fault() is None


def grown(studio: Path, count: int) -> None:
    """Put jobs on record that were delivered long ago, with originals in the archive."""
    ledger = Ledger(studio / "ledger.sqlite3", lambda: datetime.now(UTC))
    for first in range(1, count + 1, 100):
        with ledger.transaction() as transaction:
            for job in range(first, first + 100):
                sha256 = f"{job:064x}"
                path = studio / "archive" / sha256[-2:] / f"{sha256}.tif"
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(b"%d" % job)
                drop = {"surface_folder": "small-rag", "path_hex": b"small-rag/x.tif".hex(),
                        "size": 1, "mtime_ns": 1, "inode": 1, "device": 1}  # fmt: skip
                original = {"sha256": sha256, "extension": "tif", "bytes": "1"}
                body = {"state": "claimed", "name": "x.tif", "drop": drop, "original": original,
                        "sidecar_hex": None, "layers": [], "troubles": []}  # fmt: skip
                transaction.append("claimed", body, job=job)
                transaction.append("let-go", {"outcome": "taken", "taken": ""}, job=job)
                transaction.append("delivered", {"state": "delivered"}, job=job)
    ledger.close()


def test_what_idling_costs(tmp_path: Path) -> None:
    """Twenty hot folders and ten thousand jobs on record, nothing to do for a minute."""
    studio = tmp_path / "studio"
    make_studio(studio, printer_profile())
    (studio / "studio.toml").write_text(STUDIO.replace("local_s = 1", "local_s = 2"))
    products = LAB_FILE[LAB_FILE.index("[[products]]") :]
    lab = LAB_FILE
    for number in range(FOLDERS - 1):
        (studio / f"surfaces/rag-{number}.toml").write_text(SURFACE)
        (studio / f"hot/rag-{number}/16x20in").mkdir(parents=True)
        lab += products.replace("small-rag", f"rag-{number}")
    (studio / "labs" / f"{LAB}.toml").write_text(lab)
    with open_studio(studio) as opened:
        opened.dispatch.stop()
    grown(studio, MANY)
    with running(studio) as process:
        time.sleep(5)
        before = cpu_s(process.pid)
        time.sleep(IDLE_S)
        spent = cpu_s(process.pid) - before
        print(
            f"\nidle: {100 * spent / IDLE_S:.2f} % of a core with {FOLDERS} hot folders and {MANY} "
            f"jobs on record; highest {highest_mb(process.pid):.0f} MB"
        )
