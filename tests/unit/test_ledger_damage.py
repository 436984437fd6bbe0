"""The record's own file, damaged in any place: found, located where it can be, never repaired."""

import random
import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from records import Clock, contents, fill, make

from platemark.ledger import opening
from platemark.ledger.chain import Fault, canonical_entry, hash_entry
from platemark.ledger.journal import journal_of
from platemark.ledger.proof import find_faults
from platemark.ledger.read import Reader, connect_reader
from platemark.ledger.store import Ledger
from platemark.model.errors import PlatemarkError, RecordDamaged, RecordLocked
from platemark.model.plain import canonical

JOBS = 60
COLUMNS = ("seq", "at", "job", "kind", "actor", "body", "previous", "hash")


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("whole") / "ledger.sqlite3", JOBS)


@pytest.fixture
def path(whole: Path, tmp_path: Path) -> Path:
    copy = tmp_path / "ledger.sqlite3"
    copy.write_bytes(whole.read_bytes())
    return copy


def found_in(path: Path) -> list[Fault]:
    """What `ledger verify` says; a refusal to open the file counts as one fault."""
    try:
        connection = connect_reader(path)
    except PlatemarkError as refusal:
        return [Fault(0, str(refusal))]
    try:
        return find_faults(Reader(connection))
    except PlatemarkError as refusal:
        return [Fault(0, str(refusal))]
    finally:
        connection.close()


def flips(whole: Path, offsets: list[int], folder: Path, seed: int) -> tuple[int, int]:
    """Flip a byte at each offset; how many were found, and how many changed nothing that counts."""
    data, right = whole.read_bytes(), contents(whole)
    path, chance = folder / "ledger.sqlite3", random.Random(seed)
    found = harmless = 0
    for offset in offsets:
        spoilt = bytearray(data)
        spoilt[offset] ^= chance.randrange(1, 256)
        path.write_bytes(spoilt)
        faults = found_in(path)
        if faults:
            found += 1
            continue
        harmless += 1
        assert contents(path) == right, f"byte {offset} was changed unseen"
    return found, harmless


@pytest.mark.fault(44, 45)
def test_a_flipped_byte_anywhere_in_the_file_is_found(whole: Path, tmp_path: Path) -> None:
    """At a seeded sample of places; what is not found is where nothing of the record is.

    That is told from the outside: everything that the file says, read by SQL, is the same.
    """
    size = whole.stat().st_size
    offsets = random.Random(45).sample(range(100, size), 150)
    found, harmless = flips(whole, offsets, tmp_path, 1)
    print(f"\n{found} of {len(offsets)} found, {harmless} in unused room of {size} bytes")
    assert found > len(offsets) / 3


@pytest.mark.fault(44)
def test_a_flipped_byte_of_the_files_head_is_found_or_says_nothing(
    whole: Path, tmp_path: Path
) -> None:
    """Each of the 100 bytes that begin an SQLite file (“Database File Format”, 1.3)."""
    found, harmless = flips(whole, list(range(100)), tmp_path, 2)
    print(f"\n{found} of 100 found, {harmless} say nothing of the record")
    assert found > 30


@pytest.mark.long
@pytest.mark.fault(44, 45)
def test_flipped_bytes_all_over_the_file(whole: Path, tmp_path: Path) -> None:
    """The same at ten thousand places."""
    size = whole.stat().st_size
    offsets = random.Random(46).sample(range(size), 10_000)
    found, harmless = flips(whole, offsets, tmp_path, 3)
    print(f"\n{found} of {len(offsets)} found, {harmless} in unused room of {size} bytes")


def spoil(path: Path, *statements: str) -> None:
    """Change the record the way an intruder with the file would, and leave no other trace."""
    connection = sqlite3.connect(path)
    guards = connection.execute(
        "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
    ).fetchall()
    for name, _ in guards:
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        assert connection.execute(statement).rowcount != 0, statement
    for _, guard in guards:
        connection.execute(guard)
    connection.commit()
    connection.close()


def test_what_is_whole_holds(whole: Path) -> None:
    """Nothing is found in a record that nobody touched."""
    assert found_in(whole) == []


SPOILT = {
    "seq": "UPDATE entries SET seq = 9000 WHERE seq = {seq}",
    "at": "UPDATE entries SET at = replace(at, '2026', '2025') WHERE seq = {seq}",
    "job": "UPDATE entries SET job = 77 WHERE seq = {seq}",
    "kind": "UPDATE entries SET kind = 'forged' WHERE seq = {seq}",
    "actor": "UPDATE entries SET actor = 'Nobody' WHERE seq = {seq}",
    "body": "UPDATE entries SET body = replace(body, ':', ': ') WHERE seq = {seq}",
    "previous": "UPDATE entries SET previous = zeroblob(32) WHERE seq = {seq}",
    "hash": "UPDATE entries SET hash = zeroblob(32) WHERE seq = {seq}",
}


@pytest.mark.fault(45)
@pytest.mark.parametrize("column", COLUMNS)
@pytest.mark.parametrize("seq", [2, 60])
def test_every_column_of_an_entry_is_covered(path: Path, column: str, seq: int) -> None:
    """Whatever is changed of an entry is found, and the entry is named with its kind and job."""
    before = Reader(connect_reader(path)).entry(seq)
    assert before is not None
    spoil(path, SPOILT[column].format(seq=seq))
    fault = found_in(path)[0]
    assert fault.seq == seq
    if column == "seq":
        assert f"Entry {seq} is missing: after entry {seq - 1} comes entry {seq + 1} (" in (
            fault.sentence
        )
        return
    job = 77 if column == "job" else before.job
    kind = "forged" if column == "kind" else before.kind
    assert (fault.kind, fault.job) == (kind, job)
    about = f", job {job:06d}" if job is not None else ""
    assert f"Entry {seq} ({kind}{about}) " in fault.sentence


def test_columns_are_all_that_an_entry_has(path: Path) -> None:
    """The list above is the table's own."""
    connection = sqlite3.connect(path)
    assert [row[1] for row in connection.execute("PRAGMA table_info(entries)")] == list(COLUMNS)
    connection.close()


ROW = "at, job, kind, actor, body, previous, hash"


@pytest.mark.fault(45)
@pytest.mark.parametrize(
    ("statements", "seq", "said"),
    [
        (["DELETE FROM entries WHERE seq = 1"], 1, "after it comes entry 2 (examined"),
        (["DELETE FROM entries WHERE seq = 30"], 30, "after entry 29 comes entry 31 ("),
        (["DELETE FROM entries WHERE seq BETWEEN 30 AND 33"], 30, "comes entry 34 ("),
        (
            [
                "UPDATE entries SET seq = -seq WHERE seq >= 30",
                "UPDATE entries SET seq = 1 - seq WHERE seq < 0",
                f"INSERT INTO entries (seq, {ROW}) SELECT 30, at, job, kind, actor, body, "
                "(SELECT hash FROM entries WHERE seq = 29), zeroblob(32) FROM entries "
                "WHERE seq = 20",
            ],
            30,
            "was changed after it was written",
        ),
        (
            [
                "UPDATE entries SET seq = -30 WHERE seq = 30",
                "UPDATE entries SET seq = 30 WHERE seq = 31",
                "UPDATE entries SET seq = 31 WHERE seq = -30",
            ],
            30,
            "does not follow the entry before it",
        ),
    ],
    ids=["first removed", "removed", "four removed", "put in", "two exchanged"],
)
def test_removed_inserted_and_reordered_entries_are_named(
    path: Path, statements: list[str], seq: int, said: str
) -> None:
    """The first entry that is not where the chain has it is the one that is named."""
    spoil(path, *statements)
    fault = found_in(path)[0]
    assert fault.seq == seq
    assert said in fault.sentence


@pytest.mark.fault(45)
def test_a_cut_end_is_found_by_what_was_done_since(path: Path) -> None:
    """The tables and the mark of the last start speak of entries that are not there."""
    spoil(path, "DELETE FROM entries WHERE seq > (SELECT max(seq) - 3 FROM entries)")
    fault = found_in(path)[0]
    assert "the last entries were removed" in fault.sentence
    with pytest.raises(RecordDamaged, match="the last entries were removed"):
        start(path)


@pytest.mark.fault(45)
def test_an_entry_put_at_the_end_is_found_by_the_tables(path: Path) -> None:
    """Whoever can make hashes can add an entry; the tables were not made from it."""
    head = Reader(connect_reader(path)).head()
    entry = ("2026-05-02T00:00:00.000Z", 3, "withdrawn", "Mira", {"state": "withdrawn", "v": 1})
    previous = bytes.fromhex(head.hash)
    own = hash_entry(previous, canonical_entry(head.seq + 1, *entry))
    connection = sqlite3.connect(path)
    connection.execute(
        f"INSERT INTO entries (seq, {ROW}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (head.seq + 1, *entry[:4], canonical(entry[4]).decode(), previous, own),
    )
    connection.commit()
    connection.close()
    assert Reader(connect_reader(path)).find_fault() is None
    assert any("(jobs: 3): state is “delivered”" in fault.sentence for fault in found_in(path))


@pytest.mark.fault(45)
@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("DROP TRIGGER entries_are_never_changed", "guard entries_are_never_changed of entries is"),
        ("DROP TRIGGER entries_are_never_removed", "without it entries can be changed unseen"),
        (
            "CREATE TRIGGER quiet AFTER INSERT ON entries BEGIN DELETE FROM words; END",
            "holds a guard quiet of entries, which is not Platemark's",
        ),
        ("DROP INDEX entries_of_kind", "The index entries_of_kind of entries is gone"),
        ("DROP INDEX jobs_by_state", "The index jobs_by_state of jobs is gone"),
        ("ALTER TABLE entries ADD COLUMN more TEXT", "The table entries was changed"),
        ("ALTER TABLE jobs ADD COLUMN more TEXT", "The table jobs was changed"),
        ("DROP TABLE decisions", "The table decisions is gone"),
        ("CREATE TABLE mine (a)", "holds a table mine, which is not Platemark's"),
    ],
)
def test_dropped_guards_and_changed_tables_are_found(path: Path, statement: str, said: str) -> None:
    """Tables, indexes and guards must be the very ones; a start refuses others, too."""
    connection = sqlite3.connect(path)
    connection.execute(statement)
    connection.commit()
    connection.close()
    assert said in found_in(path)[0].sentence
    before = path.read_bytes()
    with pytest.raises(RecordDamaged, match=re.escape(said)):
        start(path)
    assert path.read_bytes() == before


def start(path: Path) -> None:
    """What a start asks of the record."""
    with closing(Ledger(path, Clock())) as ledger:
        ledger.verify_from_checkpoint()


def standing(path: Path) -> dict[str, bytes]:
    """Everything that lies beside the record, and the record."""
    return {each.name: each.read_bytes() for each in path.parent.iterdir() if each.is_file()}


@pytest.mark.fault(44)
@pytest.mark.parametrize("how", ["gone", "empty"])
@pytest.mark.parametrize("beside", ["archive", "outgoing", "held"])
def test_a_lost_record_is_never_begun_anew(path: Path, how: str, beside: str) -> None:
    """Where archive, parcels or held jobs say that there was a record, none is made unasked."""
    if how == "gone":
        path.unlink()
    else:
        path.write_bytes(b"")
    left = path.parent / beside / "ab" / "left"
    left.parent.mkdir(parents=True)
    left.write_bytes(b"x")
    before = standing(path)
    for opened in (start, lambda at: connect_reader(at).close()):
        with pytest.raises(RecordDamaged) as refused:
            opened(path)
        assert beside in refused.value.sentence
        assert "no picture is lost" in refused.value.hint
        assert "ledger read-back" in refused.value.hint
        assert refused.value.exit_code == 1
    assert standing(path) == before


def test_a_new_studio_begins_its_record(tmp_path: Path) -> None:
    """Empty folders are no sign that a record was lost, nor is an empty file beside them."""
    for name in ("archive", "outgoing", "held"):
        (tmp_path / name).mkdir()
    (tmp_path / "ledger.sqlite3").touch()
    start(tmp_path / "ledger.sqlite3")


@pytest.mark.fault(44)
@pytest.mark.parametrize("left", [0.1, 0.5, 0.9, 0.999])
def test_a_cut_off_file_is_refused_and_left_alone(path: Path, left: float) -> None:
    """However much of it is left, nothing is opened, changed or made good."""
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * left)])
    before = standing(path)
    with pytest.raises(RecordDamaged, match="damaged"):
        start(path)
    assert found_in(path)
    assert standing(path) == before


@pytest.mark.fault(44)
def test_no_database_and_no_form_are_refused(path: Path) -> None:
    """Neither a text file nor a database of something else becomes a record."""
    path.write_bytes(b"This is a letter and no record.\n" * 100)
    with pytest.raises(RecordDamaged, match="not a database"):
        start(path)
    path.unlink()
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE music (title)")
    other.commit()
    other.close()
    before = standing(path)
    with pytest.raises(RecordDamaged, match="not Platemark's"):
        start(path)
    assert standing(path) == before


def crashed(path: Path) -> tuple[bytes, bytes]:
    """A record in the middle of a write, and the journal that a crash would leave."""
    writer = sqlite3.connect(path, isolation_level=None)
    writer.execute("PRAGMA cache_size = 5")
    writer.execute("BEGIN IMMEDIATE")
    writer.execute("UPDATE marks SET value = value || 'x'")
    for number in range(400):
        writer.execute("INSERT INTO attempts (job, step, n) VALUES (?, ?, 1)", (number, "s" * 500))
    data = path.read_bytes(), journal_of(path).read_bytes()
    writer.execute("ROLLBACK")
    writer.close()
    return data


@pytest.mark.fault(44)
def test_a_journal_of_its_own_is_played_back(path: Path) -> None:
    """A crash in the middle of a commit leaves half of it in the file: all of that is undone."""
    right = contents(path)
    half, journal = crashed(path)
    path.write_bytes(half)
    journal_of(path).write_bytes(journal)
    start(path)
    assert contents(path) == right
    assert not journal_of(path).exists()


@pytest.mark.fault(44)
@pytest.mark.parametrize("kind", ["later", "another", "shorter"])
def test_a_journal_of_another_database_is_refused(
    path: Path, whole: Path, tmp_path: Path, kind: str
) -> None:
    """Played back, it would spoil a good record; nothing is opened, and nothing changes.

    As when a copy is put in the record's place and the crash's journal is left beside it.
    """
    if kind == "another":
        other = make(tmp_path / "other.sqlite3", JOBS + 3)
        _, journal = crashed(other)
    else:
        _, journal = crashed(path)
        with closing(Ledger(path, Clock())) as ledger:
            fill(ledger, 12, first=JOBS + 1)
        if kind == "shorter":
            journal = journal[:16] + (4).to_bytes(4, "big") + journal[20:]
    journal_of(path).write_bytes(journal)
    before = standing(path)
    for opened in (start, lambda at: connect_reader(at).close()):
        with pytest.raises(RecordDamaged, match="belongs to another database") as refused:
            opened(path)
        assert "Nothing was opened or changed" in refused.value.hint
        assert {k: v for k, v in standing(path).items() if k != ".lock"} == before


@pytest.mark.fault(44)
def test_a_locked_record_is_waited_for_and_told(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another program holds the file: the sentence says so, and it may be tried again."""
    monkeypatch.setattr(opening, "LOCK_WAIT_S", 0.2)
    before = path.read_bytes()
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        for opened in (start, lambda at: found_strictly(at)):
            with pytest.raises(RecordLocked, match="Another program has locked") as refused:
                opened(path)
            assert "Nothing is lost" in refused.value.hint
            assert refused.value.retry
        other.execute("ROLLBACK")
    assert path.read_bytes() == before
    start(path)


def found_strictly(path: Path) -> list[Fault]:
    with closing(connect_reader(path)) as connection:
        return find_faults(Reader(connection))


@pytest.mark.fault(44)
def test_a_damaged_page_is_named_by_its_first_entry(path: Path) -> None:
    """Where a page of the entries is gone, the first entry on it is told with its kind and job.

    Both are known from the indexes, which have pages of their own (`dbstat` would tell the same).
    """
    connection = sqlite3.connect(path)
    size = connection.execute("PRAGMA page_size").fetchone()[0]
    connection.close()
    data = bytearray(path.read_bytes())
    leaf = next(
        page for page in range(size * 20, len(data), size)
        if data[page] == 13 and b'{"accepted"' in data[page : page + size]
    )  # fmt: skip
    data[leaf : leaf + 200] = bytes(200)
    path.write_bytes(data)
    faults = found_in(path)
    assert re.match(r"Entry \d+ \([a-z-]+(, job \d{6})?\) cannot be read", faults[0].sentence)
    assert any("itself is damaged" in fault.sentence for fault in faults[1:])


def test_a_changed_mark_is_found(path: Path) -> None:
    """The mark of the last proof names an entry and its hash; another hash is told."""
    spoil(path, "UPDATE marks SET value = '5:' || hex(zeroblob(32))")
    assert "is not that of entry 5" in found_in(path)[0].sentence
