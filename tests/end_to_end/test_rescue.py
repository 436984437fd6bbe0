"""A record that is damaged, lost or behind: saved, read back, and nothing is sent twice."""

import json
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import tifffile
from at_work import ask_here, jobs, states
from harness import LAB, picture
from records import contents

from platemark import durable
from platemark.app import cli_rescue
from platemark.imaging.icc import build_matrix_profile
from platemark.ledger.proof import find_faults
from platemark.ledger.read import Reader, connect_reader
from platemark.parcel.bag import verify_parcel

pytestmark = pytest.mark.usefixtures("steps_here")

BY = ("--by", "Mira", "--because", "the disk died")
PARCEL = f"{LAB}-000001"


def ledger_of(studio: Path) -> Path:
    return studio / "ledger.sqlite3"


def lose(studio: Path) -> None:
    ledger_of(studio).unlink()


def sweep(studio: Path) -> int:
    return ask_here(studio, "sweep")[0]


def fetch(studio: Path) -> None:
    """The lab takes everything out of its folder."""
    for parcel in (studio / "at-the-lab").iterdir():
        if parcel.is_dir():
            shutil.rmtree(parcel)


def spoil(studio: Path, *statements: str) -> None:
    with closing(sqlite3.connect(ledger_of(studio))) as connection:
        guards = connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert connection.execute(statement).rowcount != 0
        for _, guard in guards:
            connection.execute(guard)
        connection.commit()


def entries(studio: Path, kind: str) -> list[dict[str, Any]]:
    with closing(connect_reader(ledger_of(studio))) as connection:
        reader = Reader(connection)
        return [reader.filled(entry.body) for entry in reader.entries(kind=kind)]


def seq_of(studio: Path, kind: str, job: int | None = None) -> int:
    """The first entry of a kind."""
    with closing(connect_reader(ledger_of(studio))) as connection:
        return next(Reader(connection).entries(kind=kind, job=job)).seq


def holds(studio: Path) -> None:
    code, text = ask_here(studio, "ledger", "verify", "--files")
    assert code == 0, text


def kept_files(studio: Path) -> dict[str, bytes]:
    """Everything in the studio but what `work/` and the lock are."""
    return {
        str(path.relative_to(studio)): path.read_bytes()
        for path in sorted(studio.rglob("*"))
        if path.is_file() and path.relative_to(studio).parts[0] not in ("work", ".lock")
    }


def drop(studio: Path, name: str, seed: int, **sidecar: object) -> None:
    at = studio / "hot/small-rag/2x3in" / name
    srgb = build_matrix_profile("srgb")
    tifffile.imwrite(at, picture(200, 300, seed), photometric="rgb", iccprofile=srgb)
    text = "".join(f"{key} = {json.dumps(value)}\n" for key, value in sidecar.items())
    at.with_name(f"{name}.toml").write_text(text)


def sent(studio: Path) -> list[str]:
    """The parcels that any entry says were delivered, and their jobs; each once."""
    found = [body["parcel"] for body in entries(studio, "parcel-delivered")]
    assert len(found) == len(set(found))
    return found


# -- all of it is lost -------------------------------------------------------------------------


@pytest.mark.fault(44)
def test_a_lost_record_is_read_back_from_the_files(swept: Path, tmp_path: Path) -> None:
    """Jobs come back from their tickets, whole, and are never sent again; the record says so."""
    before = {job["job"]: job for job in jobs(swept)}
    originals = kept_files(swept)
    lose(swept)
    code, text = ask_here(swept, "sweep")
    assert (code, "ledger read-back" in text) == (1, True)
    code, text = ask_here(swept, "ledger", "read-back", *BY)
    assert code == 0, text
    assert "Read back: 1 parcel with 1 job, which count as sent. 1 job will be held." in text
    assert "The next job is 002001." in text
    after = {job["job"]: job for job in jobs(swept)}
    same = ("state", "surface", "lab", "size", "copies", "purpose", "order", "original_name",
            "original_sha256", "print_sha256", "parcel")  # fmt: skip
    assert {key: after[1][key] for key in same} == {key: before[1][key] for key in same}
    assert (after[2]["original_sha256"], after[2]["original_name"]) == (
        before[2]["original_sha256"], "untagged.tif",
    )  # fmt: skip
    (first,) = entries(swept, "record-restored")
    assert first["because"] == "the disk died"
    assert first["whole_record_lost"] is True
    assert "who decided what, and why" in first["unknown"]
    assert seq_of(swept, "record-restored") == 1
    holds(swept)
    code, text = ask_here(swept, "retrieve", "1", "--to", str(tmp_path / "out"))
    assert code == 0, text
    assert len(list((tmp_path / "out").iterdir())) == 6
    code, text = ask_here(swept, "job", "1")
    assert (code, "Wrote TIFF" in text) == (0, True)
    code, text = ask_here(
        swept,
        "ledger",
        "verify",
        "--against",
        str(swept / "outgoing" / LAB / PARCEL / "ticket.json"),
    )
    assert code == 0, text
    assert "is of the record that was lost" in text
    assert "The record was lost once: entry 1 of " in text
    for name, data in originals.items():
        if name != "ledger.sqlite3":
            assert (swept / name).read_bytes() == data, name


@pytest.mark.fault(44)
def test_nothing_of_a_lost_record_is_sent_again(swept: Path) -> None:
    """Not by a start, not by the same file dropped again; held pictures wait for a word."""
    fetch(swept)
    lose(swept)
    ask_here(swept, "ledger", "read-back", *BY)
    assert sweep(swept) == 3
    assert states(jobs(swept)) == {"good.tif": "parcelled", "untagged.tif": "held"}
    taken = next((swept / "hot/small-rag/taken").glob("*good.tif"))
    again = swept / "hot/small-rag/2x3in/good.tif"
    shutil.copy(taken, again)
    shutil.copy(taken.with_name(f"{taken.name}.toml"), again.with_name("good.tif.toml"))
    assert sweep(swept) == 3
    found = {job["job"]: job for job in jobs(swept)}
    codes = {finding["code"] for finding in found[2001]["findings"]}
    assert (found[2001]["state"], "same-again" in codes) == ("held", True)
    assert not [p for p in (swept / "at-the-lab").iterdir() if p.name != ".platemark-disk"]
    # The lab has not got it, says the photographer.
    text = ask_here(swept, "ledger", "show", "--kind", "parcel-read-back", "--json")[1]
    assert json.loads(text)[0]["body"]["becomes"] == "doubtful"
    holds(swept)


def test_a_job_that_was_read_back_can_be_called_back(swept: Path) -> None:
    """The notice names the print as the lab has it, by what its ticket says."""
    lose(swept)
    ask_here(swept, "ledger", "read-back", *BY)
    code, text = ask_here(swept, "recall", "1", *BY)
    assert code == 0, text
    (notice,) = (swept / "outgoing" / LAB).glob("*/recall.json")
    (told,) = json.loads(notice.read_bytes())["prints"]
    ticket = json.loads((swept / "outgoing" / LAB / PARCEL / "ticket.json").read_bytes())
    (asked,) = ticket["tickets"]
    assert (told["print_file"], told["print_file_sha256"], told["size"], told["copies"]) == (
        asked["print_file"]["path"],
        asked["print_file"]["sha256"],
        asked["request"]["size"],
        asked["request"]["copies"],
    )
    holds(swept)


@pytest.mark.long
def test_what_was_called_back_stays_so(swept: Path) -> None:
    """The notice in `outgoing/` tells of it when the record is lost, its number is spent."""
    assert ask_here(swept, "recall", "1", *BY)[0] == 0
    before = jobs(swept)[0]["recalled"]
    lose(swept)
    code, text = ask_here(swept, "ledger", "read-back", *BY)
    assert code == 0, text
    after = jobs(swept)[0]["recalled"]
    assert {key: after[key] for key in ("how", "parcel", "notice")} == {
        key: before[key] for key in ("how", "parcel", "notice")
    }
    assert before["notice"] == f"{LAB}-000002"
    assert f"{LAB}-000002 may have been sent, or not" in text
    holds(swept)


def test_a_held_picture_that_was_read_back_goes_on_by_a_word(swept: Path) -> None:
    """Its question comes back with all findings; after an answer it is printed under its number."""
    lose(swept)
    ask_here(swept, "ledger", "read-back", *BY)
    sweep(swept)
    held = next(job for job in jobs(swept) if job["job"] == 2)
    codes = {finding["code"] for finding in held["findings"] if finding["severity"] == "stop"}
    assert codes == {"colour-untagged", "record-restored", "size-missing"}
    why = (swept / "held/small-rag/untagged.tif--000002/WHY.txt").read_text()
    assert "Whether it was sent, only the lab knows" in " ".join(why.split())
    code, text = ask_here(
        swept, "decide", "2", "--accept", "colour-untagged", "--accept", "record-restored",
        "--set", "size=2x3in", "--by", "Mira", "--because", "the lab has it not",
    )  # fmt: skip
    assert code == 0, text
    assert sweep(swept) == 0
    done = next(job for job in jobs(swept) if job["job"] == 2)
    assert (done["state"], done["parcel"]) == ("delivered", f"{LAB}-000201")
    assert sent(swept) == [f"{LAB}-000201"]
    holds(swept)


@pytest.mark.long
def test_a_held_picture_keeps_what_its_sidecar_says(studio: Path) -> None:
    """The sidecar went to `taken/` with it, and is read there."""
    sidecar = studio / "hot/small-rag/2x3in/untagged.tif.toml"
    sidecar.write_text('size = "4x6in"\ncopies = 5\norder = "Alder"\n')
    sweep(studio)
    lose(studio)
    ask_here(studio, "ledger", "read-back", *BY)
    sweep(studio)
    held = next(job for job in jobs(studio) if job["job"] == 2)
    assert (held["size"], held["copies"], held["order"]) == ("4x6in", 5, "Alder")
    holds(studio)


@pytest.mark.long
@pytest.mark.fault(44)
def test_a_picture_that_is_in_no_parcel_any_more_is_asked_about(swept: Path) -> None:
    """Parcel fetched, held folder gone: the archive has the file, and it is listed by its name.

    Dropped again, it is held: it may have been printed.
    """
    for left in (swept / "outgoing" / LAB / PARCEL, swept / "at-the-lab" / PARCEL):
        shutil.rmtree(left)
    lose(swept)
    code, text = ask_here(swept, "ledger", "read-back", *BY)
    assert code == 0, text
    assert "(hot/small-rag/taken/000001-good.tif)" in text
    listed = [file for body in entries(swept, "files-found") for file in body["files"]]
    assert "hot/small-rag/taken/000001-good.tif" in [file["taken_as"] for file in listed]
    holds(swept)
    shutil.copy(
        swept / "hot/small-rag/taken/000001-good.tif", swept / "hot/small-rag/2x3in/good.tif"
    )
    assert sweep(swept) == 3
    again = next(job for job in jobs(swept) if job["original_name"] == "good.tif")
    assert again["job"] == 2001
    assert "record-restored" in {finding["code"] for finding in again["findings"]}
    decided = ask_here(
        swept, "decide", "2001", "--accept", "record-restored", "--by", "Asa",
        "--because", "the lab says no",
    )  # fmt: skip
    assert decided[0] == 0, decided
    sweep(swept)
    assert jobs(swept)[-1]["state"] == "delivered"


@pytest.mark.long
def test_numbers_go_on_after_the_highest_seen_anywhere(swept: Path) -> None:
    """In names of parcels, of held folders, in `taken/`, and of what lay half made in `work/`."""
    (swept / "work/parcels" / f"{LAB}-000350.ab12").mkdir()
    shutil.copy(
        swept / "hot/small-rag/taken/000001-good.tif",
        swept / "hot/small-rag/taken/004321-other.tif",
    )
    lose(swept)
    text = ask_here(swept, "ledger", "read-back", *BY)[1]
    assert "The next job is 006001." in text
    drop(swept, "new.tif", 9)
    sweep(swept)
    newest = jobs(swept)[-1]
    assert (newest["job"], newest["parcel"]) == (6001, f"{LAB}-000501")


def test_a_damaged_parcel_is_read_back_as_far_as_it_goes(swept: Path) -> None:
    """A changed print file is told; a ticket that is none gives its name and number at least."""
    folder = swept / "outgoing" / LAB / PARCEL
    shutil.copytree(folder, folder.with_name(f"{LAB}-000007"))
    (folder.with_name(f"{LAB}-000007") / "ticket.json").write_text('{"tickets": [{"job": 77}]}')
    next((folder / "data").iterdir()).write_bytes(b"xx")
    lose(swept)
    code, text = ask_here(swept, "ledger", "read-back", *BY)
    assert code == 0, text
    assert f"{PARCEL}: data/" in text
    assert f"{LAB}-000007: " in text
    assert verify_parcel(folder)
    assert {job["job"]: job["parcel"] for job in jobs(swept)} == {1: PARCEL, 2: None}
    code, text = ask_here(swept, "ledger", "verify", "--files")
    assert (code, f"Parcel {PARCEL} in outgoing/" in text) == (1, True)


@pytest.mark.fault(44)
def test_a_record_of_which_nothing_can_be_saved(swept: Path) -> None:
    """Its first page is gone: the sentence leads to a new record, and the file is kept."""
    path = ledger_of(swept)
    spoilt = bytes(4096) + path.read_bytes()[4096:]
    path.write_bytes(spoilt)
    code, text = ask_here(swept, "sweep")
    assert (code, "ledger rescue" in text) == (1, True)
    code, text = ask_here(swept, "ledger", "rescue")
    assert (code, "Not one entry" in text, "ledger.damaged.sqlite3" in text) == (1, True, True)
    assert ask_here(swept, "ledger", "read-back", *BY)[0] == 1
    assert path.read_bytes() == spoilt
    path.rename(swept / "ledger.damaged.sqlite3")
    assert ask_here(swept, "ledger", "read-back", *BY)[0] == 0
    holds(swept)


@pytest.mark.parametrize("stopped", ["before", "after"])
def test_stopped_in_the_middle_there_is_no_record_or_all_of_it(
    swept: Path, stopped: durable.Moment
) -> None:
    """A new record has its name only once it is whole; until then the studio stays off."""
    lose(swept)

    def observer(moment: durable.Moment, name: str, paths: tuple[Path, ...]) -> None:
        if moment == stopped and name == "publish" and paths[1].name == "ledger.sqlite3":
            raise KeyboardInterrupt

    durable.observe(observer)
    assert ask_here(swept, "ledger", "read-back", *BY)[0] == 1
    durable.observe(None)
    if stopped == "before":
        assert not ledger_of(swept).exists()
        assert sweep(swept) == 1
        assert ask_here(swept, "ledger", "read-back", *BY)[0] == 0
    assert len(jobs(swept)) == 2
    holds(swept)


def test_who_says_so_must_be_of_the_studio(swept: Path) -> None:
    """Nobody else, and nobody without a reason; nothing is made."""
    lose(swept)
    before = kept_files(swept)
    for words in (("--by", "Nobody", "--because", "x y"), ("--by", "Mira", "--because", " ")):
        assert ask_here(swept, "ledger", "read-back", *words)[0] == 2
    assert kept_files(swept) == before


# -- a part of it is lost ----------------------------------------------------------------------


def rescued(studio: Path) -> tuple[str, str]:
    """Rescue the record and put it in place; what both commands said."""
    code, saved = ask_here(studio, "ledger", "rescue")
    assert code == 0, saved
    code, placed = ask_here(
        studio, "ledger", "put-in-place", str(studio / "ledger.rescued.sqlite3"), *BY
    )
    assert code == 0, placed
    return saved, placed


BROKEN = ("claimed", "examined", "rendered", "parcel-sealed", "parcel-closed",
          "parcel-verified-at-lab", "delivered")  # fmt: skip
USUALLY = (("rendered", "tables"), ("parcel-closed", "no tables"), ("claimed", "tables"))


@pytest.mark.fault(44, 45)
@pytest.mark.parametrize(
    ("upto", "tables"),
    [
        pytest.param(upto, tables, marks=() if (upto, tables) in USUALLY else pytest.mark.long)
        for upto in BROKEN
        for tables in ("tables", "no tables")
    ],
)
def test_what_was_sent_after_the_part_that_holds_is_not_sent_again(
    swept: Path, upto: str, tables: str
) -> None:
    """The chain breaks anywhere; the lab has taken the parcel; the rest is known from files.

    What still stands in the tables is taken as a warning; without them the parcels alone tell.
    """
    fetch(swept)
    seq = seq_of(swept, upto)
    spoil(swept, f"UPDATE entries SET actor = 'x' WHERE seq = {seq}")
    if tables == "no tables":
        spoil(swept, "DELETE FROM jobs", "DELETE FROM parcels")
    damaged = ledger_of(swept).read_bytes()
    before = contents(ledger_of(swept))
    code, text = ask_here(swept, "sweep")
    if upto == "claimed":
        # Not one entry can be saved.
        code, text = ask_here(swept, "ledger", "rescue")
        assert (code, "Not one entry" in text) == (1, True)
        return
    saved, placed = rescued(swept)
    assert f"Entries 1 to {seq - 1} hold" in saved
    assert f"Entry {seq} ({upto}" in saved
    aside = next(swept.glob("ledger.set-aside-*.sqlite3"))
    assert aside.read_bytes() == damaged
    assert aside.name in placed
    now = contents(ledger_of(swept))
    assert set(before["entries"][: seq - 1]) - {""} <= set(before["entries"])
    assert len(now["entries"]) >= seq
    (body,) = entries(swept, "rescued")
    assert (body["upto"], body["readable_after"]) == (seq - 1, len(before["entries"]) - seq + 1)
    holds(swept)
    assert sweep(swept) in (0, 3)
    assert sweep(swept) in (0, 3)
    found = {job["job"]: job for job in jobs(swept)}
    assert found[1]["state"] in ("delivered", "parcelled")
    assert found[1]["parcel"] == PARCEL
    assert found[2]["state"] == "held"
    assert not list((swept / "at-the-lab").glob(f"{LAB}*")), "it was sent again"
    holds(swept)


@pytest.mark.long
@pytest.mark.fault(44)
def test_without_parcel_and_tables_a_job_is_held_for_a_word(swept: Path) -> None:
    """The parcel was fetched and is gone, the tables are spoilt: only the lab knows."""
    fetch(swept)
    shutil.rmtree(swept / "outgoing" / LAB / PARCEL)
    seq = seq_of(swept, "parcel-sealed")
    spoil(
        swept, f"UPDATE entries SET actor = 'x' WHERE seq = {seq}",
        "DELETE FROM jobs", "DELETE FROM parcels",
    )  # fmt: skip
    _, placed = rescued(swept)
    assert "2 jobs will be held" in placed
    sweep(swept)
    held = {job["job"]: job for job in jobs(swept)}
    assert held[1]["state"] == "held"
    assert "record-restored" in {finding["code"] for finding in held[1]["findings"]}
    assert not list((swept / "at-the-lab").glob(f"{LAB}*"))
    code, text = ask_here(
        swept, "decide", "1", "--accept", "record-restored", "--by", "Asa",
        "--because", "the lab has it not",
    )  # fmt: skip
    assert code == 0, text
    sweep(swept)
    assert jobs(swept)[0]["state"] == "delivered"
    assert jobs(swept)[0]["parcel"] == f"{LAB}-000201"


@pytest.mark.fault(44)
def test_pages_are_saved_around_those_that_cannot_be_read(swept: Path) -> None:
    """Whole pages of the file are overwritten: what is before them is saved, the file untouched."""
    path = ledger_of(swept)
    data = bytearray(path.read_bytes())
    right = contents(path)["entries"]
    chance, size = random.Random(44), 4096
    saved = 0
    for _ in range(12):
        spoilt = bytearray(data)
        for page in chance.sample(range(1, len(data) // size), 4):
            spoilt[page * size : (page + 1) * size] = chance.randbytes(size)
        path.write_bytes(spoilt)
        (swept / "ledger.rescued.sqlite3").unlink(missing_ok=True)
        code, text = ask_here(swept, "ledger", "rescue")
        assert path.read_bytes() == spoilt
        if code != 0:
            assert "Not one entry" in text or "damaged" in text or "needs no rescue" in text, text
            continue
        saved += 1
        new = contents(swept / "ledger.rescued.sqlite3")["entries"]
        (upto,) = [
            json.loads(text.split("\n", 1)[0].split(" hold")[0].rsplit(" ", 1)[1])
        ]  # fmt: skip
        assert len(set(new) & set(right)) == upto
        with closing(connect_reader(swept / "ledger.rescued.sqlite3")) as connection:
            assert find_faults(Reader(connection)) == []
    assert saved > 2


def test_words_that_fit_come_along(swept: Path) -> None:
    """A word that was changed is left out and counted; the others are there."""
    spoil(
        swept, "UPDATE entries SET actor = 'x' WHERE seq = (SELECT max(seq) FROM entries)",
        "INSERT INTO words VALUES ('00', x'00', 'forged')",
    )  # fmt: skip
    saved, _ = rescued(swept)
    assert "1 personal words no longer fit" in saved
    assert jobs(swept)[0]["order"] == "Alder"


def test_rescue_never_writes_over_a_file_and_refuses_a_whole_record(swept: Path) -> None:
    """Nor does it save what needs no saving."""
    code, text = ask_here(swept, "ledger", "rescue")
    assert (code, "needs no rescue" in text) == (2, True)
    spoil(swept, "UPDATE entries SET actor = 'x' WHERE seq = 9")
    (swept / "mine").write_text("x")
    code, text = ask_here(swept, "ledger", "rescue", "--to", str(swept / "mine"))
    assert (code, "is there already" in text) == (2, True)
    assert (swept / "mine").read_text() == "x"
    assert not list((swept / "work").glob("rescue-*"))


@pytest.mark.fault(44)
@pytest.mark.parametrize("file", ["none", "text", "broken"])
def test_only_a_whole_record_takes_the_place(swept: Path, file: str) -> None:
    """Whatever else is named, the record stays where it is."""
    other = swept / "other.sqlite3"
    if file == "text":
        other.write_text("no record")
    elif file == "broken":
        shutil.copy(ledger_of(swept), other)
        with closing(sqlite3.connect(other)) as connection:
            connection.execute("DROP TRIGGER entries_are_never_changed")
            connection.commit()
    before = ledger_of(swept).read_bytes()
    code, text = ask_here(swept, "ledger", "put-in-place", str(other), *BY)
    assert (code, "Nothing was changed" in text) == (2, True), text
    assert ledger_of(swept).read_bytes() == before


@pytest.mark.fault(44)
def test_stopped_while_it_is_put_in_place(swept: Path) -> None:
    """Between the two names there is no record, and the studio stays off; again, it is done."""
    spoil(swept, f"UPDATE entries SET actor = 'x' WHERE seq = {seq_of(swept, 'rendered')}")
    ask_here(swept, "ledger", "rescue")
    new = swept / "ledger.rescued.sqlite3"
    count = 0

    def observer(moment: durable.Moment, name: str, paths: tuple[Path, ...]) -> None:
        nonlocal count
        count += moment == "after" and name == "publish" and "ledger" in paths[1].name
        if count == 1:
            raise KeyboardInterrupt

    durable.observe(observer)
    assert ask_here(swept, "ledger", "put-in-place", str(new), *BY)[0] == 1
    durable.observe(None)
    assert not ledger_of(swept).exists()
    assert sweep(swept) == 1
    code, text = ask_here(swept, "ledger", "put-in-place", str(new), *BY)
    assert code == 0, text
    assert states(jobs(swept))["good.tif"] == "delivered"
    holds(swept)


def test_rescued_and_not_read_back_the_studio_stays_off(
    swept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped after the record was put in place: the next start says what is still to do."""
    spoil(swept, f"UPDATE entries SET actor = 'x' WHERE seq = {seq_of(swept, 'rendered')}")
    ask_here(swept, "ledger", "rescue")
    with monkeypatch.context() as patched:
        patched.setattr(cli_rescue, "_read_back", lambda *_a, **_k: None)
        ask_here(swept, "ledger", "put-in-place", str(swept / "ledger.rescued.sqlite3"), *BY)
    code, text = ask_here(swept, "sweep")
    assert (code, "ledger read-back" in text) == (1, True)
    assert ask_here(swept, "ledger", "read-back", *BY)[0] == 0
    assert sweep(swept) == 3
    holds(swept)


# -- an older record was put back --------------------------------------------------------------


@pytest.mark.fault(44)
def test_an_older_record_is_not_worked_by(swept: Path) -> None:
    """A copy from before verifies, and would send again: `outgoing/` has what it does not know."""
    older = ledger_of(swept).read_bytes()
    drop(swept, "later.tif", 5, order="Birch")
    drop(swept, "last.tif", 6, order="Birch", fit="hold", size="9x3in")
    assert sweep(swept) == 3
    fetch(swept)
    ledger_of(swept).write_bytes(older)
    code, text = ask_here(swept, "sweep")
    assert (code, f"it has no parcel {LAB}-000002" in text) == (1, True), text
    code, text = ask_here(swept, "ledger", "read-back", *BY)
    assert code == 0, text
    sweep(swept)
    found = states(jobs(swept))
    assert found["later.tif"] == "parcelled"
    assert found["last.tif"] == "held"
    assert not list((swept / "at-the-lab").glob(f"{LAB}*"))
    holds(swept)
    code, text = ask_here(
        swept, "parcel", f"{LAB}-000002", "--send", "--by", "Mira", "--because", "the lab says no"
    )
    assert code == 0, text
    sweep(swept)
    assert states(jobs(swept))["later.tif"] == "delivered"
    assert list((swept / "at-the-lab").glob(f"{LAB}*"))


@pytest.mark.long
@pytest.mark.fault(44)
def test_an_older_record_without_the_held_jobs_is_not_worked_by(swept: Path) -> None:
    """The same where only a held folder tells."""
    older = ledger_of(swept).read_bytes()
    drop(swept, "last.tif", 6, size="9x3in")
    assert sweep(swept) == 3
    ledger_of(swept).write_bytes(older)
    code, text = ask_here(swept, "sweep")
    assert (code, "it has no job 000003" in text) == (1, True), text


# -- the tables ---------------------------------------------------------------------------------


@pytest.mark.fault(45)
@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE jobs SET state = 'rendered' WHERE job = 1",
        "DELETE FROM parcels",
        "DROP TABLE jobs",
        "DROP INDEX jobs_by_state",
        "DROP TRIGGER entries_are_never_removed",
    ],
)
def test_wrong_tables_are_made_anew_by_a_person(swept: Path, statement: str) -> None:
    """`verify` names the command; it proves the chain before and everything after."""
    right = contents(ledger_of(swept))
    with closing(sqlite3.connect(ledger_of(swept))) as connection:
        connection.execute(statement)
        connection.commit()
    code, text = ask_here(swept, "ledger", "verify")
    assert (code, "platemark ledger rebuild-tables" in text) == (1, True)
    code, text = ask_here(swept, "ledger", "rebuild-tables")
    assert (code, "made anew" in text) == (0, True), text
    assert contents(ledger_of(swept)) == right
    holds(swept)


@pytest.mark.fault(45)
def test_tables_are_not_made_from_entries_that_do_not_hold(swept: Path) -> None:
    """A broken chain is told, and nothing is made from it."""
    spoil(swept, "UPDATE entries SET actor = 'x' WHERE seq = 4", "DELETE FROM parcels")
    before = ledger_of(swept).read_bytes()
    code, text = ask_here(swept, "ledger", "rebuild-tables")
    assert (code, "Entry 4" in text, "Nothing was changed" in text) == (1, True, True)
    assert ledger_of(swept).read_bytes() == before


@pytest.mark.parametrize(
    "words",
    [("rescue",), ("read-back", *BY), ("rebuild-tables",), ("put-in-place", "x", *BY)],
    ids=lambda words: words[0],
)
def test_a_running_service_is_not_disturbed(swept: Path, words: tuple[str, ...]) -> None:
    """Whoever has the studio keeps it; exit code 4."""
    with durable.only_one(swept / ".lock"):
        code, text = ask_here(swept, "ledger", *words)
    assert (code, "A service has this studio" in text) == (4, True)
