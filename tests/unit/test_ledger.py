import hashlib
import json
import sqlite3
from datetime import UTC, datetime
from pathlib import Path

import pytest

from platemark.ledger.chain import FIRST_PREVIOUS
from platemark.ledger.read import ERASED, Reader, connect_reader
from platemark.ledger.store import Ledger
from platemark.model.errors import RecordDamaged, UsageError
from platemark.model.plain import canonical
from platemark.model.ticket import Witness


def now() -> datetime:
    return datetime(2026, 5, 1, 12, 0, 0, 123456, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    ledger = Ledger(tmp_path / "ledger.sqlite3", now)
    for number in range(5):
        with ledger.transaction() as transaction:
            transaction.append("noted", {"n": number, "order": transaction.word("Alder")})
    ledger.close()
    return tmp_path / "ledger.sqlite3"


def raw(path: Path, *statements: str) -> None:
    """Break the record the way an intruder with the file would, and leave no other trace."""
    connection = sqlite3.connect(path)
    guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
    guards = guards.fetchall()
    for name, _ in guards:
        connection.execute(f"DROP TRIGGER {name}")
    for statement in statements:
        connection.execute(statement)
    for _, guard in guards:
        connection.execute(guard)
    connection.commit()
    connection.close()


def fault_of(path: Path) -> int | None:
    fault = Reader(connect_reader(path)).find_fault()
    return fault.seq if fault is not None else None


def test_the_hash_is_what_the_design_says(path: Path) -> None:
    """Each hash is SHA-256 (FIPS 180-4) of a zero byte, the hash before, the canonical entry."""
    previous = FIRST_PREVIOUS
    for entry in Reader(connect_reader(path)).entries():
        members = {
            "seq": entry.seq,
            "at": entry.at,
            "job": entry.job,
            "kind": entry.kind,
            "actor": entry.actor,
            "body": entry.body,
        }
        data = json.dumps(members, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert entry.hash == hashlib.sha256(b"\x00" + previous + data.encode()).digest()
        assert entry.at == "2026-05-01T12:00:00.123Z"
        previous = entry.hash


def test_sha256_check_values() -> None:
    """SHA-256 of the empty string and of “abc” are those of FIPS 180-4's examples."""
    assert hashlib.sha256(b"").hexdigest().startswith("e3b0c44298fc1c149afbf4c8996fb924")
    assert hashlib.sha256(b"abc").hexdigest().startswith("ba7816bf8f01cfea414140de5dae2223")


def test_an_untouched_record_holds(path: Path) -> None:
    """A record that nobody touched has no fault."""
    assert fault_of(path) is None


@pytest.mark.parametrize(
    ("statement", "seq"),
    [
        ("UPDATE entries SET body = replace(body, '2', '7') WHERE seq = 3", 3),
        ("UPDATE entries SET actor = 'nobody' WHERE seq = 1", 1),
        ("UPDATE entries SET at = '2025-01-01T00:00:00.000Z' WHERE seq = 5", 5),
        ("UPDATE entries SET job = 9 WHERE seq = 2", 2),
        ("DELETE FROM entries WHERE seq = 2", 2),
        ("UPDATE entries SET hash = zeroblob(32) WHERE seq = 4", 4),
        ("UPDATE entries SET previous = zeroblob(32) WHERE seq = 4", 4),
    ],
)
def test_any_change_is_found_and_located(path: Path, statement: str, seq: int) -> None:
    """An edited, removed or re-hashed entry is named."""
    raw(path, statement)
    assert fault_of(path) == seq


def test_a_cut_tail_is_found_against_a_witness(path: Path) -> None:
    """The chain alone cannot show a cut tail; a ticket's witness does."""
    reader = Reader(connect_reader(path))
    witness = reader.head()
    raw(path, "DELETE FROM entries WHERE seq = 5")
    assert fault_of(path) is None
    fault = Reader(connect_reader(path)).find_witness_fault(witness)
    assert fault is not None
    assert fault.seq == 5


def test_a_rewritten_record_is_found_against_a_witness(path: Path, tmp_path: Path) -> None:
    """A whole other record that verifies by itself does not have the witness's hash."""
    witness = Reader(connect_reader(path)).head()
    other = Ledger(tmp_path / "other.sqlite3", now)
    for number in range(6):
        with other.transaction() as transaction:
            transaction.append("noted", {"n": number + 1})
    assert other.read.find_fault() is None
    assert other.read.find_witness_fault(witness) is not None
    assert other.read.find_witness_fault(Witness(*_pair(other))) is None
    other.close()


def _pair(ledger: Ledger) -> tuple[int, str]:
    head = ledger.read.head()
    return head.seq, head.hash


@pytest.mark.parametrize(
    "statement", ["UPDATE entries SET kind = 'x' WHERE seq = 1", "DELETE FROM entries"]
)
def test_the_record_refuses_to_be_changed(path: Path, statement: str) -> None:
    """Triggers forbid UPDATE and DELETE even to whoever has the file open."""
    connection = sqlite3.connect(path)
    with pytest.raises(sqlite3.IntegrityError, match="never"):
        connection.execute(statement)
    connection.close()


def test_readers_cannot_write(path: Path) -> None:
    """A reader's connection refuses every write."""
    connection = connect_reader(path)
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        connection.execute("INSERT INTO marks VALUES ('a', 'b')")
    connection.close()


def test_personal_words_can_be_erased_and_the_chain_verifies(path: Path) -> None:
    """Words stand beside the chain: erased, they read as such, and every hash still holds."""
    reader = Reader(connect_reader(path))
    assert reader.body(1)["order"] == "Alder"
    assert "Alder" not in json.dumps(next(reader.entries()).body)
    connection = sqlite3.connect(path)
    connection.execute("UPDATE words SET text = NULL")
    connection.commit()
    connection.close()
    assert fault_of(path) is None
    assert Reader(connect_reader(path)).body(1)["order"] == ERASED


def test_an_aborted_transaction_leaves_nothing(tmp_path: Path) -> None:
    """What fails in the middle of a transaction never became true."""
    ledger = Ledger(tmp_path / "ledger.sqlite3", now)

    def fail() -> None:
        with ledger.transaction() as transaction:
            transaction.append("noted", {"n": 1})
            raise RuntimeError("stop")

    with pytest.raises(RuntimeError, match="stop"):
        fail()
    assert ledger.read.head().seq == 0
    ledger.close()


def test_floats_never_enter_the_record(tmp_path: Path) -> None:
    """A float has no exact text, so it is refused."""
    ledger = Ledger(tmp_path / "ledger.sqlite3", now)
    with ledger.transaction() as transaction, pytest.raises(TypeError, match="float"):
        transaction.append("noted", {"n": 1.5})
    ledger.close()
    assert canonical({"b": "ä", "a": [1, None]}) == '{"a":[1,null],"b":"ä"}'.encode()


def test_a_newer_record_is_refused(path: Path) -> None:
    """A record of a newer form is not touched by older code."""
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.commit()
    connection.close()
    with pytest.raises(UsageError, match="newer"):
        Ledger(path, now)


def test_a_damaged_file_is_refused_and_left_alone(path: Path) -> None:
    """A damaged database is neither repaired nor replaced."""
    data = bytearray(path.read_bytes())
    data[:16] = b"not a database!!"
    path.write_bytes(data)
    with pytest.raises(RecordDamaged, match="damaged"):
        Ledger(path, now)
    assert path.read_bytes() == data


@pytest.mark.parametrize("body", ["{", "[1]", ""])
def test_an_entry_that_cannot_be_read_is_damage(path: Path, body: str) -> None:
    """Whoever reads an entry whose text was spoilt is told which, and not of a mistake of ours."""
    raw(path, f"UPDATE entries SET body = '{body}' WHERE seq = 3")
    with pytest.raises(RecordDamaged, match="what entry 3 says cannot be read"):
        list(Reader(connect_reader(path)).entries())


def test_start_verifies_the_chain(path: Path) -> None:
    """A start names the first entry that does not hold, and stops."""
    raw(path, "UPDATE entries SET actor = 'nobody' WHERE seq = 3")
    ledger = Ledger(path, now)
    with pytest.raises(RecordDamaged, match="Entry 3"):
        ledger.verify_from_checkpoint()
    ledger.close()


def test_a_start_sets_a_checkpoint_and_the_next_goes_on_from_it(path: Path) -> None:
    """A proved record need not be followed again: the next start looks at what came after.

    Who changed an entry before the checkpoint is found by following all of the chain.
    """
    ledger = Ledger(path, now)
    ledger.verify_from_checkpoint()
    head = ledger.read.head()
    assert ledger.read.checkpoint() == head
    assert ledger.read.head() == head  # it is no entry
    ledger.close()
    raw(path, "UPDATE entries SET actor = 'nobody' WHERE seq = 3")
    ledger = Ledger(path, now)
    ledger.verify_from_checkpoint()
    assert fault_of(path) == 3
    with ledger.transaction() as transaction:
        transaction.append("noted", {"n": 6})
    ledger.verify_from_checkpoint()
    assert ledger.read.checkpoint().seq == 6
    ledger.close()


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE entries SET actor = 'nobody' WHERE seq = 5", "Entry 5 .* was changed"),
        ("UPDATE entries SET actor = 'nobody' WHERE seq = 6", "Entry 6 .* was changed"),
        ("UPDATE entries SET hash = zeroblob(32) WHERE seq = 5", "was rewritten"),
        (
            "UPDATE entries SET previous = zeroblob(32) WHERE seq = 5",
            "Entry 5 .noted. does not follow",
        ),
        ("DELETE FROM entries WHERE seq >= 5", "the last entries were removed"),
        ("DELETE FROM entries WHERE seq = 4", "Entry 4|Entry 5"),
    ],
)
def test_a_start_finds_what_changed_from_its_checkpoint_on(
    path: Path, statement: str, said: str
) -> None:
    """The entry of the checkpoint itself, those after it and a cut are found by the next start."""
    ledger = Ledger(path, now)
    ledger.verify_from_checkpoint()
    with ledger.transaction() as transaction:
        transaction.append("noted", {"n": 6})
    ledger.close()
    raw(path, statement)
    ledger = Ledger(path, now)
    with pytest.raises(RecordDamaged, match=said):
        ledger.verify_from_checkpoint()
    assert ledger.read.checkpoint().seq == 5
    ledger.close()


def test_a_checkpoint_is_kept_when_the_tables_are_made_anew(path: Path) -> None:
    """The checkpoint is not derived from the entries, so making the tables anew leaves it."""
    ledger = Ledger(path, now)
    ledger.verify_from_checkpoint()
    ledger.rebuild()
    assert ledger.read.checkpoint().seq == 5
    ledger.close()


def test_blanks_in_a_body_are_found(path: Path) -> None:
    """An entry's hash covers the very bytes that are kept, not only what they mean."""
    raw(path, "UPDATE entries SET body = replace(body, ':', ': ') WHERE seq = 2")
    assert fault_of(path) == 2


def parcels(ledger: Ledger, *numbers: int) -> None:
    for number in numbers:
        for lab in ("brindlewick", "tarnmoor"):
            body = {
                "parcel": f"{lab}-{number:06d}", "lab": lab, "number": number, "jobs": [],
                "tagmanifest_sha256": "00", "staging": "x",
            }  # fmt: skip
            with ledger.transaction() as transaction:
                transaction.append("parcel-sealed", body)


def test_one_parcel_and_the_newest_number(path: Path) -> None:
    """A lab's newest number is its own highest, 0 before the first; one parcel is had by name."""
    ledger = Ledger(path, now)
    assert ledger.read.newest_parcel_number("brindlewick") == 0
    parcels(ledger, 1, 2, 11)
    assert ledger.read.newest_parcel_number("brindlewick") == 11
    assert ledger.read.newest_parcel_number("nobody") == 0
    found = ledger.read.parcel("tarnmoor-000002")
    assert found is not None
    assert (found.lab, found.number, found.state) == ("tarnmoor", 2, "sealed")
    assert ledger.read.parcel("tarnmoor-000003") is None
    ledger.close()


@pytest.mark.parametrize(
    ("query", "index"),
    [
        ("SELECT * FROM parcels WHERE state = 'sealed' ORDER BY lab, number", "parcels_by_state"),
        ("SELECT max(number) FROM parcels WHERE lab = 'a'", "sqlite_autoindex_parcels_2"),
        ("SELECT * FROM jobs WHERE job > 1 AND state = 'held' ORDER BY job", "jobs_by_state"),
        ("SELECT * FROM jobs WHERE original_sha256 = 'a'", "jobs_by_original"),
        ("SELECT * FROM jobs WHERE original_name = 'a'", "jobs_by_name"),
    ],
)
def test_what_is_asked_often_is_found_by_an_index(path: Path, query: str, index: str) -> None:
    """Each frequent question is answered from an index, and nothing is sorted for it."""
    connection = sqlite3.connect(path)
    plan = " ".join(row[3] for row in connection.execute(f"EXPLAIN QUERY PLAN {query}"))
    connection.close()
    assert index in plan
    assert "TEMP B-TREE" not in plan
