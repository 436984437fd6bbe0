"""A client who asks to be forgotten: by a decision, through the service, and out of every file."""

from __future__ import annotations

import shutil
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

import pytest
from at_night import Killed, Later, entries, one_night
from at_work import ask_here
from recalled_studio import (
    LAB,
    SECOND,
    job,
    opened,
    prepare,
    put,
    swept,
    turns,
)

from platemark.engine.decide import write_decision
from platemark.engine.morning_files import write_digest
from platemark.engine.workshop import Folders
from platemark.model.decision import EraseDecision, SeenJob
from platemark.model.morning import Digest, DigestLine, DigestPart
from platemark.settings.load import load_settings

ORDER, SHIP_TO, NOTE = "Quercus Family", "12 Acorn Lane, Nowhere", "For Q. with love & a <b>bow</b>"
WORDS = (ORDER, SHIP_TO, "with love")
BECAUSE = "asked for by letter"
pytestmark = pytest.mark.usefixtures("steps_here")


@pytest.fixture(scope="module")
def known_once(tmp_path_factory: pytest.TempPathFactory, delivered_once: Path) -> Path:
    """Job 5 was delivered for a client, in a parcel with job 6 of another; job 7 is held."""
    root = Path(shutil.copytree(delivered_once, tmp_path_factory.mktemp("known") / "studio"))
    put(root, "oak.tif", "coffee", order=ORDER, ship_to=SHIP_TO, note=NOTE)
    put(root, "pine.tif", "rocket", order="Pinaceae", note="another's")
    put(root, "zlate.tif", "chelsea", order="Larix", fit="crop", size="3x3in", note="to come")
    prepare(root)
    assert swept(root).fault == ""
    return root


@pytest.fixture
def known(known_once: Path, tmp_path: Path) -> Path:
    """The same, to be changed; with a digest that names the client."""
    root = Path(shutil.copytree(known_once, tmp_path / "studio", symlinks=True))
    line = DigestLine(f"Dear {ORDER}, said the note.", job=5, private=ORDER)
    part = DigestPart("sent", "Sent", (line,))
    digest = Digest(
        "Studio", date(2026, 3, 14), "2026-03-14 06:00", "", False, 0, "One.", (part,), 9, "later"
    )
    write_digest(Folders.of(root, load_settings(root)), digest)
    return root


def holding(root: Path, *words: str) -> dict[str, list[str]]:
    """Files of the studio that hold any of these words, byte for byte; not the lab's own folder."""
    found: dict[str, list[str]] = {}
    for path in sorted(root.rglob("*")):
        if path.is_file() and path.relative_to(root).parts[0] != "at-the-lab":
            data = path.read_bytes()
            for word in words:
                if word.encode() in data:
                    found.setdefault(path.relative_to(root).as_posix(), []).append(word)
    return found


def erase(root: Path, *words: str, by: str = "Mira") -> tuple[int, str]:
    """Give the command."""
    return ask_here(root, "erase", *words, "--by", by, "--because", BECAUSE)


def erase_by_service(root: Path, *words: str) -> tuple[int, str]:
    """Give the command while a service has the studio."""
    with opened(root) as at_work, ThreadPoolExecutor(1) as pool:
        asked = pool.submit(erase, root, *words)
        turns(at_work, asked.done)
        return asked.result()


def test_words_are_gone_and_the_chain_holds(known: Path, tmp_path: Path) -> None:
    """From record, tickets, digest and notes; the lab's copy still fits; all else goes on."""
    assert {"ledger.sqlite3", "MORNING.txt", f"outgoing/{LAB}/{SECOND}/ticket.json"} <= set(
        holding(known, *WORDS)
    )
    code, said = erase_by_service(known, "--order", ORDER)
    assert code == 0, said
    assert "texts of job 000005 are erased; the record verifies as before" in said
    assert f"{SECOND} left outgoing/ with all tickets" in said
    assert "Not reached:\n- what the lab has\n" in said
    taken = next((known / "hot").glob("*/taken/000005-*.toml"))
    # What is named as not reached is all that is left, and of that the request goes at night.
    assert set(holding(known, *WORDS)) == {taken.relative_to(known).as_posix()}
    assert "(erased)" in (known / "MORNING.txt").read_text()
    code, said = ask_here(known, "ledger", "verify", "--files")
    assert (code, "erased on request" in said) == (0, True), said
    told = job(known, 5)
    assert (told["order"], told["state"]) == ("(erased)", "delivered")
    assert "words-erased" in {step["kind"] for step in told["history"]}
    assert job(known, 6)["order"] == "Pinaceae"
    assert ask_here(known, "ledger", "rebuild-tables")[0] == 0
    lab_copy = known / "at-the-lab" / SECOND / "ticket.json"
    assert ask_here(known, "ledger", "verify", "--against", str(lab_copy))[0] == 0
    code, said = ask_here(known, "audit", SECOND)
    assert (code, "when a client's words were erased" in said) == (0, True), said
    assert "personal texts were erased on request" in said
    code, said = ask_here(known, "retrieve", "6", "--to", str(tmp_path / "got"))
    assert (code, "were removed when words were erased" in said) == (0, True), said
    code, said = erase(known, "--job", "5")
    assert (code, "that was done on" in said) == (1, True), said
    assert erase(known, "--order", ORDER)[0] == 2


def kept_sheet(root: Path, text: str, *jobs: int) -> Path:
    """Put on record that a sheet ordered some jobs and was let go; where it is kept."""
    with opened(root) as studio:
        workshop = studio.workshop
        sha256 = workshop.keep_bytes(text.encode(), "csv")
        with workshop.ledger.transaction() as transaction:
            read = transaction.append(
                "sheet-read",
                {"name": "s.csv", "path_hex": b"s.csv".hex(), "sha256": sha256,
                 "bytes": str(len(text)), "rows": 1, "after": None},
            )  # fmt: skip
            transaction.append(
                "sheet-let-go",
                {"sheet": read.seq, "outcome": "taken", "taken": "", "jobs": [*jobs], "unused": []},
            )
        return workshop.folders.archived(sha256, "csv")


def test_sheets_of_others_stay(known: Path) -> None:
    """A sheet goes that ordered the client's prints, or names the order in a cell; no other."""
    ordered = kept_sheet(known, "file,size\noak.tif,2x3in\n", 5)
    names = kept_sheet(known, f'file;order\nelm.tif;"{ORDER.upper()}"\n')
    others = (
        kept_sheet(known, "file,note\nfir.tif,with love\n", 6),
        kept_sheet(known, f"file,order\nash.tif,The {ORDER} Trust\n"),
    )
    assert erase(known, "--order", ORDER)[0] == 0
    assert not ordered.exists()
    assert not names.exists()
    assert all(path.is_file() for path in others)
    assert ask_here(known, "ledger", "verify", "--files")[0] == 0


def test_a_night_and_a_backup_finish_it(known: Path, tmp_path: Path) -> None:
    """A backup from before holds the words until the next; a request is not kept by its rule."""
    copy = tmp_path / "copy"
    assert ask_here(known, "backup", str(copy))[0] == 0
    assert holding(copy, *WORDS)
    assert erase(known, "--order", ORDER)[0] == 0
    one_night(known, Later(days=2))
    assert holding(known, *WORDS) == {}
    assert [item["rule"] for item in entries(known, "removal-begun")[-1].body["items"]] == [
        "erased"
    ]
    assert ask_here(known, "ledger", "verify", "--files")[0] == 0
    code, said = ask_here(known, "backup", str(copy))
    assert code == 0, said
    assert holding(copy, *WORDS) == {}


def test_who_may_not_and_what_may_not(known: Path) -> None:
    """A wrong client, an assistant, a stranger, no reason, a job that is open: nothing changes."""
    before = holding(known, *WORDS)
    for words, by, code, sentence in (
        (("--order", "Quercus"), "Mira", 2, "No job belongs to the order “Quercus”"),
        (("--order", "Larix"), "Mira", 2, "Nothing was erased. Wait until they are delivered"),
        (("--job", "7"), "Mira", 2, "000007 (held)"),
        (("--job", "99"), "Mira", 2, "99"),
        (("--order", ORDER), "Asa", 1, "is for a photographer"),
        (("--order", ORDER), "Nobody", 1, "not one of the studio's people"),
        ((), "Mira", 2, "Say --order or --job"),
    ):
        got, said = erase(known, *words, by=by)
        assert (got, sentence in said) == (code, True), said
    assert holding(known, *WORDS) == before
    assert entries(known, "words-erased") == []


def test_what_waits_to_be_fetched(for_collection: Path) -> None:
    """As long as a lab may still fetch its parcel, its words stay; when it is gone they may go."""
    code, said = erase(for_collection, "--order", "Alder")
    assert (code, "what a lab fetched, take out of outgoing/" in said) == (2, True), said
    shutil.rmtree(next((for_collection / "outgoing" / LAB).iterdir()))
    code, said = erase(for_collection, "--order", "Alder")
    assert code == 0, said
    assert ask_here(for_collection, "ledger", "verify", "--files")[0] == 0


def test_words_that_vanish_unsaid_are_found(known: Path) -> None:
    """A word that is gone without an entry that says so is a fault of the record."""
    connection = sqlite3.connect(known / "ledger.sqlite3")
    connection.execute("UPDATE words SET text = NULL WHERE text LIKE '12 Acorn%'")
    connection.commit()
    connection.close()
    code, said = ask_here(known, "ledger", "verify")
    assert (code, "are gone, and no entry says that they were erased" in said) == (1, True)


def test_cut_off_it_is_done_again(known: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Killed when the tickets are gone and the record's words are not: a start goes on with it."""

    def die(*_: object) -> int:
        raise Killed

    row = job(known, 5)
    seq = max(step["seq"] for step in row["history"])
    decision = EraseDecision("once", "erase", (SeenJob(5, seq),), "Mira", BECAUSE)
    with opened(known) as at_work, monkeypatch.context() as patch:
        patch.setattr("platemark.engine.erasing.forget_words", die)
        folder = known / "decisions"
        write_decision(folder, decision, folder / ".once.tmp")
        with pytest.raises(Killed):
            at_work.dispatch.turn()
    assert not (known / "outgoing" / LAB / SECOND).exists()
    assert job(known, 5)["order"] == ORDER
    with opened(known) as at_work:
        turns(at_work, lambda: not (folder / "once.json").exists())
    assert job(known, 5)["order"] == "(erased)"
    assert "Dear" in (known / "MORNING.txt").read_text()
    assert ORDER not in (known / "MORNING.txt").read_text()
    assert ask_here(known, "ledger", "verify", "--files")[0] == 0
