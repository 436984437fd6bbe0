"""The record of a real studio, spoilt in one place, and what `ledger verify` says of it."""

import json
import shutil
import sqlite3
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))

from harness import LAB, drive, drop_pictures, make_studio, printer_profile

from platemark.app.cli import main

PARCEL = f"outgoing/{LAB}/{LAB}-000001"


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A studio that delivered one picture and holds another."""
    root = tmp_path_factory.mktemp("swept") / "studio"
    make_studio(root, printer_profile())
    drop_pictures(root)
    sidecar = root / "hot/small-rag/2x3in/good.tif.toml"
    sidecar.write_text(sidecar.read_text() + 'ship_to = "Main Street 1"\n')
    assert drive(root, 0, root.parent / "log") == 0
    return root


@pytest.fixture
def studio(swept: Path, tmp_path: Path) -> Path:
    return shutil.copytree(swept, tmp_path / "studio", copy_function=shutil.copy2)


def verify(studio: Path, *options: str) -> tuple[int, str]:
    """Ask the command; its exit code and all that it says."""
    done = CliRunner().invoke(main, ["--studio", str(studio), "ledger", "verify", *options])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.output


def spoil(studio: Path, *statements: str) -> None:
    """Change the record the way an intruder with the file would."""
    connection = sqlite3.connect(studio / "ledger.sqlite3")
    for statement in statements:
        assert connection.execute(statement).rowcount != 0, statement
    connection.commit()
    connection.close()


def rewrite(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


def test_an_untouched_studio_holds(studio: Path) -> None:
    """Nothing is found wrong in a studio that nobody touched, with the ticket and all files."""
    code, text = verify(studio, "--against", str(studio / PARCEL / "ticket.json"), "--files")
    assert code == 0, text
    assert "The record holds" in text
    assert f"The whole ticket of {LAB}-000001 is as it was sent." in text
    assert "1 parcels in outgoing/ are what the record says." in text
    code, text = verify(studio, "--json")
    assert (code, json.loads(text)["faults"]) == (0, [])


@pytest.mark.parametrize("where", ["in the parcel", "elsewhere"])
def test_a_changed_ticket_is_found(studio: Path, tmp_path: Path, where: str) -> None:
    """A ticket that asks for 200 copies, its witness untouched, is not the one that was sent.

    A copy that lies elsewhere is held against the list of the parcel in `outgoing/`.
    """
    ticket = studio / PARCEL / "ticket.json"
    data = json.loads(ticket.read_text())
    data["tickets"][0]["request"]["copies"] = 200
    changed = ticket if where == "in the parcel" else tmp_path / "ticket.json"
    changed.write_text(json.dumps(data))
    code, text = verify(studio, "--against", str(changed))
    assert code == 1
    assert f"The ticket of parcel {LAB}-000001 was changed after it was written" in text


def test_a_ticket_with_a_list_of_its_own_is_found(studio: Path) -> None:
    """A changed ticket whose parcel's list was made to fit is found by the hash in the record."""
    folder = studio / PARCEL
    rewrite(folder / "ticket.json", '"copies": 2', '"copies": 7')
    rewrite(folder / "tagmanifest-sha256.txt", "  ticket.json", " *ticket.json")
    code, text = verify(studio, "--against", str(folder / "ticket.json"))
    assert code == 1
    assert "is not the list that parcel" in text


def test_it_is_said_when_only_the_witness_was_compared(studio: Path, tmp_path: Path) -> None:
    """Without the parcel's list nothing can be said of what a ticket asks, and that is told."""
    shutil.move(studio / PARCEL / "ticket.json", tmp_path / "ticket.json")
    shutil.rmtree(studio / PARCEL)
    code, text = verify(studio, "--against", str(tmp_path / "ticket.json"))
    assert code == 0
    assert "Only the ticket's witness was compared" in text


def test_a_ticket_of_another_studio_is_found(studio: Path) -> None:
    """A parcel that the record does not know is named."""
    ticket = studio / PARCEL / "ticket.json"
    rewrite(ticket, f'"{LAB}-000001"', f'"{LAB}-000009"')
    code, text = verify(studio, "--against", str(ticket))
    assert (code, "no such parcel" in text) == (1, True)


def test_a_changed_word_is_found_and_one_that_vanished(studio: Path) -> None:
    """A word beside the chain is held against its salted hash; only an entry may take it away."""
    spoil(studio, "UPDATE words SET text = NULL WHERE text = 'Main Street 1'")
    code, text = verify(studio)
    assert (code, "are gone, and no entry says that they were erased" in text) == (1, True)
    spoil(studio, "UPDATE words SET text = 'Elm' WHERE text = 'Alder'")
    code, text = verify(studio)
    assert code == 1
    assert "were changed after they were written; they now read “Elm”" in text


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("UPDATE jobs SET state = 'held' WHERE job = 1", "(jobs: 1): state is “held”, and by"),
        ("UPDATE jobs SET original_name = 'x.tif' WHERE job = 2", "original_name is “x.tif”"),
        ("UPDATE parcels SET tagmanifest = '00'", f"(parcels: {LAB}-000001): tagmanifest is “00”"),
        ("DELETE FROM jobs WHERE job = 2", "lack what the entries say (jobs: 2)"),
        ("INSERT INTO decisions VALUES ('d1', 3)", "have what no entry says (decisions: d1)"),
        ("UPDATE drops SET here = 1 WHERE job = 1", "(drops: 1): here is “1”"),
        ("UPDATE profiles SET state = 'refused'", "state is “refused”"),
    ],
)
def test_a_changed_table_is_found(studio: Path, statement: str, said: str) -> None:
    """What the studio works by is held against the entries that it was made from, row by row."""
    spoil(studio, statement)
    code, text = verify(studio)
    assert (code, said in text) == (1, True), text


@pytest.mark.parametrize("how", ["tables", "checkpoint"])
def test_a_cut_tail_is_found_without_a_ticket(studio: Path, how: str) -> None:
    """When the last entries are removed, the tables stand ahead of the chain; so does a checkpoint.

    The checkpoint is that of a later start, whose tables were made to fit.
    """
    cut = "DELETE FROM entries WHERE seq > (SELECT max(seq) - 2 FROM entries)"
    if how == "checkpoint":
        drive(studio, 0, studio.parent / "log")
        cut = "DELETE FROM entries WHERE seq > (SELECT max(seq) - 1 FROM entries)"
        fit = "UPDATE {} SET seq = 1 WHERE seq = (SELECT max(seq) + 1 FROM entries)"
        tables = ("jobs", "parcels", "profiles", "decisions")
        connection = sqlite3.connect(studio / "ledger.sqlite3")
        connection.execute("DROP TRIGGER entries_are_never_removed")
        connection.execute(cut)
        for table in tables:
            connection.execute(fit.format(table))
        connection.commit()
        connection.close()
    else:
        spoil(studio, "DROP TRIGGER entries_are_never_removed", cut)
    code, text = verify(studio)
    assert (code, "the last entries were removed" in text) == (1, True), text


def test_a_changed_entry_is_found_first(studio: Path) -> None:
    """Of a chain that does not hold the first bad entry is named, and no more is said."""
    spoil(
        studio,
        "DROP TRIGGER entries_are_never_changed",
        "UPDATE entries SET actor = 'Mira' WHERE seq = 3",
        "UPDATE jobs SET state = 'held'",
    )
    code, text = verify(studio, "--json")
    found = json.loads(text)
    assert (code, found["holds"], [fault["seq"] for fault in found["faults"]]) == (1, False, [3])


def test_changed_files_are_found(studio: Path) -> None:
    """Every archived file is held against its name, every closed parcel against the record."""
    archive = studio / "archive"
    original = next(path for path in archive.rglob("*.tif") if path.stat().st_size > 0)
    original.chmod(0o644)
    original.write_bytes(b"xx")
    gone = next(path for path in archive.rglob("*.tif") if path != original)
    gone.unlink()
    next(archive.rglob("*.jpg")).unlink()
    ticket = studio / PARCEL / "ticket.json"
    rewrite(ticket, '"copies": 2', '"copies": 7')
    assert verify(studio)[0] == 0
    code, text = verify(studio, "--files")
    assert code == 1
    assert f"{original} is no longer the file that was archived under that name." in text
    assert text.count("is not in the archive.") == 3
    assert "The preview of job" in text
    assert f"Parcel {LAB}-000001 in outgoing/: ticket.json is not the file that was sent" in text


def test_a_fetched_parcel_is_counted(studio: Path) -> None:
    """A parcel that was fetched from `outgoing/` is no fault, and it is told as not read."""
    shutil.rmtree(studio / PARCEL)
    code, text = verify(studio, "--files")
    assert (code, "1 no longer there were not compared" in text) == (0, True), text
