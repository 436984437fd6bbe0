"""The status page: its views with 100,000 jobs on record, and what a flood costs the pictures.

Measures and prints; asserts that the answers came and the work was done, and no times.
`pytest -m bench -n 0 -s tests/bench/test_page_speed.py`.
"""

import os
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from http import HTTPStatus
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))
sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))
sys.path.insert(0, str(Path(__file__).parents[1] / "end_to_end"))
sys.path.insert(0, str(Path(__file__).parents[1] / "page"))

from at_page import Shown, shown_apart
from harness import LAB, LAB_FILE, make_studio, printer_profile
from measuring import Spent, ours, write_picture
from records import Clock, fill, sha

from platemark.ledger.store import Ledger

pytestmark = pytest.mark.bench
JOBS = 100_000
TIMES = 15
PAIRS = 5
ASKERS = 24


@pytest.fixture(scope="module")
def long_studio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A studio with so many jobs on record, one of ten held."""
    root = tmp_path_factory.mktemp("long") / "studio"
    make_studio(root, printer_profile())
    (root / "decisions").mkdir()
    began = time.perf_counter()
    ledger = Ledger(root / "ledger.sqlite3", Clock())
    for setting in ("synchronous = OFF", "journal_mode = MEMORY", "cache_size = -65536"):
        ledger._connection.execute(f"PRAGMA {setting}")
    fill(ledger, JOBS)
    ledger._connection.execute("PRAGMA journal_mode = DELETE")
    entries = ledger.read.head().seq
    ledger.close()
    size = (root / "ledger.sqlite3").stat().st_size / 1e6
    took = time.perf_counter() - began
    print(f"\n{JOBS} jobs, {entries} entries, {size:.0f} MB, made in {took:.0f} s")
    return root


def cpu_s(process: int) -> float:
    """Processor seconds of a process so far (proc(5), stat)."""
    words = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) / os.sysconf("SC_CLK_TCK")


def times(page: Shown, process: int, path: str) -> tuple[float, float, float, float]:
    """Milliseconds of a view by HTTP: the first time, the median, the worst; the processor's."""
    taken, spent = [], cpu_s(process)
    for _ in range(TIMES):
        began = time.perf_counter()
        status, _, _ = page.get(path)
        taken.append((time.perf_counter() - began) * 1000)
        assert status == HTTPStatus.OK
        time.sleep(0.6)  # so that none is refused for being too many
    spent = (cpu_s(process) - spent) * 1000 / TIMES
    return taken[0], statistics.median(taken[1:]), max(taken[1:]), spent


def test_views_of_a_long_record(long_studio: Path) -> None:
    """Each view of `page` as a process of its own, asked over HTTP."""
    views = {
        "first view": "/",
        "first view, kept current": "/now.json",
        "a job": "/job/77777",
        "parcels": "/parcels",
        "record": "/record",
        "metrics": "/metrics",
        "search: nothing asked": "/search",
        "search: a name": "/search?q=heron-054321",
        "search: a word that every job has": "/search?q=heron",
        "search: a word that none has": "/search?q=zebra",
        "search: a title of two words": "/search?q=Heron+54321",
        "search: other letters": "/search?q=h%C3%A9ron",
        "search: an order": "/search?q=Order+42",
        "search: a parcel": "/search?q=brindlewick-000104",
        "search: a date": "/search?q=2026-05-02",
        "search: a month and a surface": "/search?q=2026-05&surface=small-rag",
        "search: a hash of an original": f"/search?q={sha('o', 54321)}",
        "search: the beginning of one": f"/search?q={sha('r', 54321)[:12]}",
        "search: eight words, one of them nowhere": "/search?q=heron+tif+rag+order+2+2026+5+zebra",
        "search: held at a lab": "/search?state=held&lab=brindlewick",
    }
    with shown_apart(long_studio) as (page, process):
        for words, path in views.items():
            first, median, worst, spent = times(page, process.pid, path)
            print(
                f"{words:<42} first {first:4.0f}  median {median:4.0f}  worst {worst:4.0f} ms; "
                f"{spent:4.0f} ms of processor",
                flush=True,
            )


@contextmanager
def flooded(page: Shown) -> Iterator[None]:
    """Everything is asked of a page by many at once, until the block ends."""
    command = [sys.executable, str(Path(__file__).with_name("flooding.py"))]
    process = subprocess.Popen(
        [*command, str(page.port), str(ASKERS)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    time.sleep(1)
    began = time.monotonic()
    try:
        yield
    finally:
        told, _ = process.communicate(timeout=120)
    print(f"  a flood of {time.monotonic() - began:.1f} s, answers by status: {told.strip()}")


def test_a_flood_while_pictures_are_prepared(long_studio: Path, tmp_path: Path) -> None:
    """The same picture prepared in turns without and with a flood, in turns who is first."""
    source = tmp_path / "source.tif"
    write_picture(source, 4000, 6000)
    spent: dict[bool, list[Spent]] = {False: [], True: []}
    with shown_apart(long_studio) as (page, _):
        for pair in range(PAIRS + 1):
            for is_flooded in (pair % 2 == 0, pair % 2 == 1):
                studio = tmp_path / f"studio-{pair}-{is_flooded}"
                make_studio(studio, printer_profile())
                lab = LAB_FILE.replace('rule = "quiet"\nminutes = 600', 'rule = "each"')
                (studio / "labs" / f"{LAB}.toml").write_text(lab)
                with flooded(page) if is_flooded else nullcontext():
                    took = ours(studio, source, "hot/small-rag/2x3in/x.tif")
                shutil.rmtree(studio, ignore_errors=True)  # its lab's end may still be at work
                if pair:  # the first pair only warms up
                    spent[is_flooded].append(took)
    ratios = [
        with_it.wall / without.wall
        for without, with_it in zip(spent[False], spent[True], strict=True)
    ]
    for is_flooded, words in ((False, "without"), (True, "with a flood")):
        walls = [each.wall for each in spent[is_flooded]]
        print(f"{words:<14} median {statistics.median(walls):.2f} s of {len(walls)}")
    print(f"slower by: median {100 * (statistics.median(ratios) - 1):+.1f} % of pairs")
