"""The real service under load, killed at random times, with its children or without them."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest
import tifffile

sys.path.insert(0, str(Path(__file__).parent))

from harness import LAB, make_studio, nothing_is_left_over, picture, printer_profile

from loaded import Loaded
from platemark.imaging.icc import build_matrix_profile
from platemark.ledger.read import JobRow, Reader, connect_reader
from platemark.parcel.bag import verify_parcel

PLATEMARK = Path(sys.executable).with_name("platemark")
DROPPING = Path(__file__).with_name("dropping.py")
SEED = 20261127
REST_S = 180
"""So long nothing may come into the record while anything is still to be done."""
A_SECOND = 1.0
"""How long a child may live on without the service."""
ENDED = ("delivered", "held", "withdrawn")
Service = Loaded | subprocess.Popen[bytes]


@dataclass
class Storm:
    """A studio that is being worked in, and what was done to it."""

    root: Path
    chance: random.Random
    loaded: bool = False
    """The service is started as a fork of a process that has loaded everything."""
    killed: Counter[str] = field(default_factory=Counter)
    """How often the service alone, or with its children; and how many children outlived it."""
    length: int = 0
    """Of the service's log when it was started last."""
    longest_s: float = 0.0
    """How long the last child of a service that was killed alone lived on."""

    def start(self) -> Service:
        """Start the real service."""
        path = self.root.parent / "service.log"
        words = ["--studio", str(self.root), "--log", "json", "run"]
        with path.open("ab") as log:
            self.length = log.tell()
            if self.loaded:
                return Loaded(words, out=path, err=path)
            return subprocess.Popen([str(PLATEMARK), *words], stderr=log, stdout=log)

    def let_work(self, service: Service) -> None:
        """Wait for a random time: now and then of its start, else of its work."""
        if self.chance.random() < 0.2:
            time.sleep(self.chance.uniform(0, 1))
            return
        log = self.root.parent / "service.log"
        while b'"started"' not in log.read_bytes()[self.length :] and service.poll() is None:
            time.sleep(0.01)
        time.sleep(self.chance.uniform(0, 1.8))

    def kill(self, service: Service) -> None:
        """Kill it, by chance with all its children; those that it leaves end by themselves."""
        assert service.poll() is None, "the service ended by itself"
        children = descendants(service.pid)
        alone = self.chance.random() < 0.5
        if not alone:
            # It stands still meanwhile, so their numbers stay their own and it notices nothing.
            service.send_signal(signal.SIGSTOP)
            for child in children:
                with suppress(ProcessLookupError):
                    os.kill(child, signal.SIGKILL)
        service.kill()
        service.wait()
        self.killed["alone" if alone else "with its children"] += 1
        if alone and children:
            self.killed["children left"] += len(children)
            self.longest_s = max(self.longest_s, ended_after(children))


def descendants(pid: int) -> list[int]:
    """Every process that a process started, and that those started."""
    parents: dict[int, list[int]] = {}
    for folder in Path("/proc").iterdir():
        if folder.name.isdigit():
            with suppress(OSError):
                fields = (folder / "stat").read_text().rpartition(")")[2].split()
                parents.setdefault(int(fields[1]), []).append(int(folder.name))
    found = list(parents.get(pid, []))
    for child in found:
        found.extend(parents.get(child, []))
    return found


def ended_after(children: list[int]) -> float:
    """Wait until processes have ended, and give how many seconds that took."""
    begun = time.monotonic()
    while any(_is_alive(child) for child in children):
        assert time.monotonic() - begun < 10 * A_SECOND, f"{children} live on"
        time.sleep(0.005)
    return time.monotonic() - begun


def _is_alive(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state not in ("Z", "X")


def studio_for_load(folder: Path) -> Path:
    """A studio whose lab gets each picture in a parcel of its own, at once."""
    root = folder / "studio"
    make_studio(root, printer_profile())
    lab = root / "labs" / f"{LAB}.toml"
    lab.write_text(lab.read_text().replace('rule = "quiet"\nminutes = 600', 'rule = "each"'))
    for place in ("took", "twice"):
        (folder / place).mkdir()
    return root


def stock_of(folder: Path, count: int) -> dict[str, bytes]:
    """Different small pictures, every fourth of which has no profile; their bytes by name."""
    folder.mkdir()
    srgb = build_matrix_profile("srgb")
    for number in range(count):
        icc = srgb if number % 4 else None
        name = folder / f"picture-{number:04}.tif"
        tifffile.imwrite(name, picture(200, 300, number), photometric="rgb", iccprofile=icc)
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


@contextmanager
def dropping(storm: Storm, stock: Path, pause_s: float) -> Iterator["subprocess.Popen[bytes]"]:
    """Let pictures be dropped, answers be given and parcels be taken while the block runs."""
    takes = str(storm.chance.randint(0, 1))
    seed = str(storm.chance.randint(0, 10**9))
    process = subprocess.Popen(
        [sys.executable, str(DROPPING), str(storm.root), str(stock), seed, str(pause_s), takes],
        stdin=subprocess.PIPE,
    )
    try:
        yield process
    finally:
        assert process.stdin is not None
        process.stdin.close()
        process.wait(10)


def comes_to_rest(storm: Storm, stock: Path) -> None:
    """Start the service once more, wait until everything is done, and stop it politely."""
    service = storm.start()
    try:
        head, deadline = -1, 0.0
        while any(stock.iterdir()) or not _rests(storm.root):
            if (now := _head(storm.root)) != head:
                head, deadline = now, time.monotonic() + REST_S
            assert service.poll() is None, (storm.root.parent / "service.log").read_text()[-3000:]
            assert time.monotonic() < deadline, _standing(storm.root)
            time.sleep(0.3)
        service.terminate()
        assert service.wait(30) == 0
    finally:
        service.kill()
        service.wait()


def _rests(root: Path) -> bool:
    rows = _jobs(root)
    dropped = [path for path in (root / "hot/small-rag/2x3in").iterdir() if path.suffix == ".tif"]
    unanswered = list(root.glob("held/*/*"))
    marks = [path for path in (root / "at-the-lab").iterdir() if path.name.startswith(".")]
    return bool(rows) and not (dropped or unanswered or marks) and {
        row.state for row in rows
    } <= set(ENDED)  # fmt: skip


def _standing(root: Path) -> str:
    lying = sorted(path.name for path in root.glob("hot/small-rag/2x3in/*"))
    return f"{Counter(row.state for row in _jobs(root))}, {lying}"


def _head(root: Path) -> int:
    """How many entries the record has."""
    if not (root / "ledger.sqlite3").exists():
        return 0
    with closing(connect_reader(root / "ledger.sqlite3")) as connection:
        return Reader(connection).head().seq


def _jobs(root: Path) -> list[JobRow]:
    if not (root / "ledger.sqlite3").exists():
        return []
    with closing(connect_reader(root / "ledger.sqlite3")) as connection:
        return Reader(connection).jobs()


def check(storm: Storm, stock: dict[str, bytes]) -> Counter[str]:
    """Every picture is one job and was delivered once, and nothing is left over."""
    root = storm.root
    rows = _jobs(root)
    names = Counter(row.original_name for row in rows)
    assert names == Counter(stock.keys()), names - Counter(stock.keys())
    for row in rows:
        (original,) = (root / "archive").glob(f"*/{row.original_sha256}.tif")
        assert original.read_bytes() == stock[row.original_name]
    assert not list((root.parent / "twice").iterdir())
    arrived: Counter[int] = Counter()
    for parcel in (*(root / "at-the-lab").iterdir(), *(root.parent / "took").iterdir()):
        assert verify_parcel(parcel) == ()
        ticket = json.loads((parcel / "ticket.json").read_text())
        arrived.update(each["job"] for each in ticket["tickets"])
    assert arrived == Counter(row.job for row in rows if row.state == "delivered")
    assert {row.state for row in rows} == {"delivered"}
    nothing_is_left_over(root, drawn=set(), shown=set())
    verified = subprocess.run(
        [str(PLATEMARK), "--studio", str(root), "ledger", "verify", "--files"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert verified.returncode == 0, verified.stdout + verified.stderr
    return Counter(row.state for row in rows)


@pytest.mark.fault(1, 31)
@pytest.mark.parametrize(
    ("kills", "files", "loaded"),
    [(20, 10, True), pytest.param(200, 130, False, marks=pytest.mark.long)],
)
def test_killed_again_and_again_every_picture_arrives_once(
    tmp_path: Path, kills: int, files: int, loaded: bool
) -> None:
    """Whatever was being done when the service was killed, each picture is printed once.

    Half of the kills spare its children: those end by themselves within a second.
    """
    storm = Storm(studio_for_load(tmp_path), random.Random(SEED), loaded)
    stock = tmp_path / "stock"
    kept = stock_of(stock, files)
    print(f"seed {SEED}")
    with dropping(storm, stock, pause_s=1.3 * kills / files):
        for _ in range(kills):
            service = storm.start()
            storm.let_work(service)
            storm.kill(service)
        comes_to_rest(storm, stock)
    states = check(storm, kept)
    print(dict(storm.killed), f"the longest lived on {storm.longest_s:.3f} s;", dict(states))
    assert storm.longest_s < A_SECOND


@pytest.mark.fault(31)
def test_a_child_ends_with_the_service_and_what_it_made_counts_for_nothing(tmp_path: Path) -> None:
    """The service is killed alone while a large picture is printed; a restart prints it anew."""
    storm = Storm(studio_for_load(tmp_path), random.Random(SEED))
    hot = storm.root / "hot/small-rag/2x3in"
    icc = build_matrix_profile("srgb")
    tifffile.imwrite(hot / "large.tif", picture(1500, 2250, 1), photometric="rgb", iccprofile=icc)
    kept = {"large.tif": (hot / "large.tif").read_bytes()}
    service = storm.start()
    deadline = time.monotonic() + REST_S
    while not (children := descendants(service.pid)):
        assert time.monotonic() < deadline
        time.sleep(0.01)
    time.sleep(0.2)
    service.kill()
    service.wait()
    assert ended_after(children) < A_SECOND
    (stock := tmp_path / "stock").mkdir()
    comes_to_rest(storm, stock)
    assert check(storm, kept) == {"delivered": 1}
