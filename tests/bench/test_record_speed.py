"""A record of a million entries: how long a start takes, and how long every proof.

Measures and prints; asserts only that the record is as long and that it holds. The entries are a
job's real ones, their bodies as long as those of a studio at work (850 bytes on the average).
`pytest -m bench -n 0 -s tests/bench/test_record_speed.py`.
"""

import resource
import sqlite3
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))

from records import Clock, claimed, examined, parcel, rendered

from platemark.ledger.chain import FIRST_PREVIOUS, canonical_entry, hash_entry
from platemark.ledger.proof import find_shortening, find_table_faults, find_word_faults
from platemark.ledger.read import Reader, connect_reader
from platemark.ledger.store import Ledger, stamp
from platemark.model.plain import canonical

ENTRIES = 1_000_000
BOX = [{"kind": "trim", "box": {"left": 1, "top": 1, "width": 4800, "height": 6000}}]


@contextmanager
def timed(what: str) -> Iterator[None]:
    wall, cpu = time.perf_counter(), time.process_time()
    yield
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    spent = f"{time.perf_counter() - wall:7.2f} s, {time.process_time() - cpu:7.2f} s of processor"
    print(f"{what:<52} {spent}; largest so far {peak:.0f} MB")


def bodies(jobs: int) -> Iterator[tuple[str, dict[str, Any], int | None]]:
    """What happens to jobs, of which ten go together into a parcel."""
    word = {"word": "ab" * 32}
    for first in range(1, jobs, 10):
        together = list(range(first, first + 10))
        for job in together:
            yield "claimed", claimed(job), job
            planned = {"state": "examined", **examined(job, word), "lines": BOX * 30}
            yield "examined", planned, job
            yield "let-go", {"outcome": "taken", "taken": f"{job:x}"}, job
            yield "rendered", rendered(job), job
        sealed = parcel("brindlewick", first // 10 + 1, together)
        yield "parcel-sealed", sealed, None
        yield "parcel-closed", sealed, None
        for job in together:
            summary = {"parcel": sealed["parcel"]}
            yield "parcelled", {"state": "parcelled", "summary": summary}, job
        yield "parcel-delivered", {"parcel": sealed["parcel"], "how": "revealed"}, None
        for job in together:
            yield "delivered", {"state": "delivered", "parcel": sealed["parcel"]}, job


def rows(jobs: int) -> Iterator[tuple[Any, ...]]:
    clock, previous = Clock(), FIRST_PREVIOUS
    for seq, (kind, body, job) in enumerate(bodies(jobs), 1):
        full = {"v": 1, **body}
        at = stamp(clock())
        own = hash_entry(previous, canonical_entry(seq, at, job, kind, "service", full))
        yield seq, at, job, kind, "service", canonical(full).decode(), previous, own
        previous = own


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A record of a million entries and its tables."""
    path = tmp_path_factory.mktemp("long") / "ledger.sqlite3"
    Ledger(path, Clock()).close()
    with timed("\nmade"), closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("PRAGMA cache_size = -65536")
        connection.execute("BEGIN")
        connection.executemany(
            "INSERT INTO entries (seq, at, job, kind, actor, body, previous, hash)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            rows(ENTRIES * 10 // 63),
        )
        connection.execute("COMMIT")
    yield path
    path.unlink()


@pytest.mark.bench
def test_a_million_entries(path: Path) -> None:
    """Tables, the whole proof, a start from the mark of the last, an entry more."""
    with (
        closing(Ledger(path, Clock(), to_mend=True)) as ledger,
        timed("tables made anew (rebuild-tables)"),
    ):
        ledger.rebuild()
    print(f"{path.stat().st_size / 1e6:.0f} MB")
    with (
        timed("first start, no mark: the whole chain"),
        closing(Ledger(path, Clock())) as ledger,
    ):
        ledger.verify_from_checkpoint()
    with timed("start: opened, proved from the mark"), closing(Ledger(path, Clock())) as ledger:
        ledger.verify_from_checkpoint()
        head = ledger.read.head().seq
        assert head >= ENTRIES * 0.99
        ledger.read.newest_job()
        list(ledger.read.drops(here=True))
        ledger.read.parcels(state="sealed")
    with closing(connect_reader(path)) as connection:
        reader = Reader(connection)
        with timed("the whole chain followed (find_fault)"):
            assert reader.find_fault() is None
        with timed("the end (find_shortening)"):
            assert find_shortening(reader) is None
        with timed("words"):
            assert list(find_word_faults(reader)) == []
        with timed("SQLite's own proof of its file"):
            assert reader.find_file_faults() == []
        with timed("every table held against the entries"):
            assert list(find_table_faults(reader)) == []
