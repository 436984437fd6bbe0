"""Copies of a studio: made while it works, proved, gone on with, and never a second sending."""

import hashlib
import json
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import tifffile
from at_night import Killed, Later, archived, change_entry, entries, flip, hands, one_night, opened
from at_work import ask_here, jobs, states
from harness import LAB, make_studio, picture

from platemark import durable
from platemark.app.open_studio import open_studio, reading
from platemark.engine.copy_marker import READY, read_marker
from platemark.engine.record_copy import copy_record
from platemark.imaging.icc import build_matrix_profile
from platemark.ledger.read import Reader, connect_reader
from platemark.model.errors import UsageError

HOT = "hot/small-rag/2x3in"
pytestmark = pytest.mark.usefixtures(hands.__name__)


def drop(studio: Path, name: str, seed: int) -> None:
    srgb = build_matrix_profile("srgb")
    path = studio / HOT / name
    path.parent.mkdir(parents=True, exist_ok=True)
    tifffile.imwrite(path, picture(200, 300, seed), photometric="rgb", iccprofile=srgb)


def back_up(studio: Path, dest: Path, *words: str) -> tuple[int, dict[str, Any]]:
    """`backup` for a program; its exit code and what it said."""
    code, text = ask_here(studio, "backup", str(dest), "--json", *words)
    assert '{\n "made"' in text, text
    told: dict[str, Any] = json.JSONDecoder().raw_decode(text, text.index('{\n "made"'))[0]
    return code, told


def take_over(studio: Path) -> dict[str, Any]:
    words = ("--by", "Asa", "--because", "the disk died")
    code, text = ask_here(studio, "take-over", "--json", *words)
    assert code == 0, text
    told: dict[str, Any] = json.JSONDecoder().raw_decode(text, text.index('{\n "held"'))[0]
    return told


def files(root: Path) -> dict[str, str]:
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(root.rglob("*"))
        if path.is_file() and not path.is_symlink()
    }


def sent(studio: Path) -> list[str]:
    """Names of the print files at the lab, wherever it was told to look."""
    return sorted(path.name for path in (studio / "at-the-lab").glob("*/data/*"))


def holds(studio: Path) -> None:
    assert ask_here(studio, "ledger", "verify", "--files")[0] == 0


def test_a_copy_has_everything_and_is_proved(swept: Path, tmp_path: Path) -> None:
    """Settings, profiles, archive, parcels, held folders and record, the same to the last byte."""
    dest = tmp_path / "disk/copy"
    code, told = back_up(swept, dest)
    assert (code, told["faults"]) == (0, [])
    here, there = files(swept), files(dest)
    for name, sha256 in here.items():
        top = name.split("/", 1)[0]
        if top in ("studio.toml", "surfaces", "labs", "profiles", "archive", "outgoing", "held"):
            assert there[name] == sha256, name
    assert not any(name.startswith(("work/", "at-the-lab/")) for name in there)
    assert not [name for name in there if name.startswith("hot/")]
    assert (dest / HOT).is_dir()
    marker = read_marker(dest)
    assert marker is not None
    with closing(connect_reader(dest / "ledger.sqlite3")) as connection:
        assert Reader(connection).head() == marker.witness
        assert Reader(connection).find_fault() is None
    assert told["witness"] == {"seq": marker.seq, "hash": marker.hash}
    (entry,) = entries(swept, "backed-up")
    assert (entry.body["seq"], entry.body["to"]) == (marker.seq, str(dest))
    assert "the last was made on" in ask_here(swept, "doctor")[1]


def test_a_second_backup_copies_what_is_new(swept: Path, tmp_path: Path) -> None:
    """What is there already is not copied again; what left held/ leaves the copy's too."""
    dest = tmp_path / "copy"
    first = back_up(swept, dest)[1]
    drop(swept, "new.tif", 5)
    words = ("--withdraw", "--by", "Mira", "--because", "a mistake")
    ask_here(swept, "decide", "2", *words)
    ask_here(swept, "sweep")
    second = back_up(swept, dest)[1]
    assert second["there"] >= first["copied"] - 5
    assert second["copied"] < first["copied"]
    assert list((dest / "held").rglob("*.tif")) == []
    assert len(list((dest / "outgoing" / LAB).iterdir())) == 2
    assert read_marker(dest) is not None
    holds(dest)
    third = back_up(swept, dest)[1]
    assert third["copied"] == 0


def test_what_went_by_rule_leaves_the_copy_too(swept: Path, tmp_path: Path) -> None:
    """A withdrawn picture that left the archive is not kept for ever in its copy."""
    dest = tmp_path / "copy"
    original = archived(swept, 2, "original")
    back_up(swept, dest)
    assert (dest / original.relative_to(swept)).is_file()
    words = ("--withdraw", "--by", "Mira", "--because", "a mistake")
    ask_here(swept, "decide", "2", *words)
    one_night(swept, Later(days=400))
    assert not original.exists()
    assert back_up(swept, dest)[0] == 0
    assert not (dest / original.relative_to(swept)).exists()
    holds(dest)


def test_check_reads_what_is_there_and_mends_it(swept: Path, tmp_path: Path) -> None:
    """A copy that rotted is not noticed by its size; --check reads it and makes it good."""
    dest = tmp_path / "copy"
    back_up(swept, dest)
    original = archived(swept, 1, "original")
    rotten = [
        dest / original.relative_to(swept),
        next((dest / "outgoing" / LAB).glob("*/ticket.json")),
    ]
    for path in rotten:
        flip(path)
    assert back_up(swept, dest)[1]["copied"] == 0
    told = back_up(swept, dest, "--check")[1]
    assert told["copied"] == 2
    assert rotten[0].read_bytes() == original.read_bytes()
    holds(dest)


@pytest.mark.fault(25)
def test_damage_here_does_not_reach_the_copy(swept: Path, tmp_path: Path) -> None:
    """A damaged file is named and not copied, and a good one in the copy stays."""
    dest = tmp_path / "copy"
    original, printed = archived(swept, 1, "original"), archived(swept, 1, "print")
    good = printed.read_bytes()
    flip(original)
    code, told = back_up(swept, dest)
    assert code == 1
    assert [sentence.split()[0] for sentence in told["faults"]] == [
        original.relative_to(swept).as_posix()
    ]
    assert not (dest / original.relative_to(swept)).exists()
    assert ask_here(swept, "archive", "verify")[0] == 0
    assert back_up(swept, dest)[0] == 0
    flip(printed)
    back_up(swept, dest)
    assert (dest / printed.relative_to(swept)).read_bytes() == good


@pytest.mark.parametrize(
    "place", ["inside", "around", "itself", "a file", "somebody's", "a studio"]
)
def test_places_that_are_no_good_are_refused(
    place: str, swept: Path, tmp_path: Path, profile: bytes
) -> None:
    """In the studio, around it, on other things, on another studio: refused, nothing touched."""
    others = tmp_path / "others"
    others.mkdir()
    (others / "file").write_text("mine")
    if place == "a studio":
        make_studio(others / "studio", profile)
    dest = {
        "inside": swept / "held/copy",
        "around": swept.parent,
        "itself": swept,
        "a file": others / "file",
        "somebody's": others,
        "a studio": others / "studio",
    }[place]
    before = files(tmp_path)
    code, text = ask_here(swept, "backup", str(dest))
    assert code == 2
    assert "Nothing was copied" in text
    assert files(tmp_path) == before


def add_an_entry(studio: Path, about: str) -> None:
    """Let a record go on by an entry that asks for nothing."""
    with open_studio(studio) as at_work:
        at_work.dispatch.stop()
        with at_work.workshop.ledger.transaction() as transaction:
            body = {"path_hex": about.encode().hex(), "found": "", "about": None}
            transaction.append("taken-changed", body)


def test_the_copy_of_another_studio_is_left_alone(
    swept: Path, tmp_path: Path, profile: bytes
) -> None:
    """One folder is the copy of one studio, and of one course of it."""
    dest, other, early = tmp_path / "copy", tmp_path / "other", tmp_path / "early"
    back_up(swept, dest)
    make_studio(other, profile)
    add_an_entry(other, "another")
    code, text = ask_here(other, "backup", str(dest))
    assert (code, "another studio" in text) == (2, True)
    # A state from before the copy, that went on by itself.
    shutil.copytree(swept, early)
    add_an_entry(swept, "one way")
    back_up(swept, dest)
    add_an_entry(early, "another way")
    code, text = ask_here(early, "backup", str(dest))
    assert (code, "went another way" in text) == (2, True)


def test_the_record_is_copied_while_it_is_written(
    swept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Entries are appended all the while: each copy is one state of the record, and holds."""
    monkeypatch.setattr("platemark.engine.record_copy._PAGES", 16)
    monkeypatch.setattr("platemark.engine.record_copy._RESTARTS", 3)
    with open_studio(swept) as at_work:
        at_work.dispatch.stop()
        ledger = at_work.workshop.ledger
        over = threading.Event()
        heads: list[int] = []
        written = 0

        def copy() -> None:
            try:
                while written < 30 or len(set(heads)) < 3:
                    target = tmp_path / f"{len(heads)}.sqlite3"
                    copy_record(swept / "ledger.sqlite3", target)
                    with closing(connect_reader(target)) as connection:
                        assert Reader(connection).find_fault() is None
                        heads.append(Reader(connection).head().seq)
            finally:
                over.set()

        thread = threading.Thread(target=copy)
        thread.start()
        while not over.is_set():
            with ledger.transaction() as transaction:
                body = {"path_hex": "00" * 2000, "found": "", "about": None}
                transaction.append("taken-changed", body)
            written += 1
            time.sleep(0.003)
        thread.join()
    assert heads == sorted(heads)


def stop_at(number: int) -> Callable[..., None]:
    count = 0

    def observe(moment: str, name: str, paths: tuple[Path, ...]) -> None:
        nonlocal count
        del name, paths
        if moment == "before" and threading.current_thread() is threading.main_thread():
            count += 1
            if count == number:
                raise Killed

    return observe


@pytest.mark.parametrize(
    "step", [pytest.param(1, marks=pytest.mark.long), 47], ids=["each", "every 47th"]
)
def test_a_killed_backup_goes_on_and_the_last_good_one_stays(
    step: int, swept: Path, tmp_path: Path
) -> None:
    """Stopped before any lasting operation: no half file has a name, and a copy can be opened."""
    template = tmp_path / "template"
    back_up(swept, template)
    drop(swept, "new.tif", 5)
    (swept / "studio.toml").write_text((swept / "studio.toml").read_text() + "# changed\n")
    ask_here(swept, "sweep")
    stopped = 0
    for number in range(1, 10_000, step):
        dest = tmp_path / f"at-{number}"
        shutil.copytree(template, dest)
        durable.observe(stop_at(number))
        try:
            ask_here(swept, "backup", str(dest))
            break
        except Killed:
            stopped += 1
        finally:
            durable.observe(None)
        for path in (dest / "archive").glob("*/*"):
            assert hashlib.sha256(path.read_bytes()).hexdigest() == path.name.partition(".")[0]
        # Half-way through putting the new state in place, the take-over ends that first.
        states_there = _states_in(dest)
        opened_copy = tmp_path / f"opened-{number}"
        shutil.copytree(dest, opened_copy)
        take_over(opened_copy)
        with reading(opened_copy) as reader:
            assert reader.find_fault() is None
            restored = next(reader.entries(kind="record-restored"))
        assert restored.body["copy"] in states_there
        code, _ = back_up(swept, dest)
        assert code == 0
        assert not (dest / READY).exists()
        assert not any((dest / name).exists() for name in (".coming", ".former", ".part"))
        holds(dest)
        shutil.rmtree(dest)
        shutil.rmtree(opened_copy)
    assert stopped >= 2


def _states_in(dest: Path) -> set[str]:
    """The ids of the states that a copy has, had a moment ago, or is being given."""
    markers = (read_marker(folder) for folder in (dest, dest / ".coming", dest / ".former"))
    return {marker.id for marker in markers if marker is not None}


def test_a_copy_does_nothing_until_somebody_says_so(swept: Path, tmp_path: Path) -> None:
    """Run, swept, answered or backed up, a copy refuses; it can be looked at."""
    dest = tmp_path / "copy"
    back_up(swept, dest)
    drop(dest, "new.tif", 8)
    before = files(dest)
    for words in (
        ("sweep",),
        ("archive", "verify"),
        ("backup", str(tmp_path / "another")),
        ("decide", "2", "--withdraw", "--by", "Mira", "--because", "no"),
    ):
        code, text = ask_here(dest, *words)
        assert code == 2, words
        assert "is a copy of a studio" in text
    assert {k: v for k, v in files(dest).items() if not k.startswith("work/")} == before
    assert len(jobs(dest)) == 2
    assert "this is a copy of a studio" in ask_here(dest, "doctor")[1]
    code, text = ask_here(dest, "take-over", "--by", "Nobody", "--because", "x")
    assert code == 2
    assert read_marker(dest) is not None
    code, text = ask_here(swept, "take-over", "--by", "Asa", "--because", "x")
    assert (code, "is no copy of a studio" in text) == (2, True)


@pytest.mark.parametrize(
    "step", [pytest.param(1, marks=pytest.mark.long), 6], ids=["each", "every sixth"]
)
def test_a_take_over_that_was_stopped_is_gone_on_with(
    step: int, swept: Path, tmp_path: Path
) -> None:
    """Stopped before any lasting operation and done again: one entry, and everything held."""
    template = tmp_path / "template"
    drop(swept, "rendered.tif", 13)
    with open_studio(swept) as at_work:
        while not any(j.state == "rendered" for j in at_work.workshop.ledger.read.jobs()):
            at_work.dispatch.turn()
            time.sleep(0.01)
        at_work.dispatch.stop()
    back_up(swept, template)
    word = ("--by", "Asa", "--because", "the disk died")
    for number in range(2, 1000, step):
        studio = tmp_path / f"at-{number}"
        shutil.copytree(template, studio)
        durable.observe(stop_at(number))
        try:
            ask_here(studio, "take-over", *word)
            is_over = True
        except Killed:
            is_over = False
        finally:
            durable.observe(None)
        if not is_over:
            assert ask_here(studio, "sweep")[0] == 2 or read_marker(studio) is None
            if read_marker(studio) is not None:
                take_over(studio)
        assert len(entries(studio, "record-restored")) == 1
        (studio / "at-the-lab").mkdir()
        ask_here(studio, "sweep")
        found = states(jobs(studio))
        assert (found["rendered.tif"], found["untagged.tif"]) == ("held", "held")
        assert sent(studio) == []
        holds(studio)
        shutil.rmtree(studio)
        if is_over:
            break
    assert number > 5


def test_the_restore_drill(swept: Path, tmp_path: Path) -> None:
    """After the backup more is done and sent, the studio is lost, the copy opened: nothing twice.

    The drill by hand: `backup`, work on, take the studio away, `take-over` in the copy, then ask
    the lab about each job that is held and each parcel in WAITING.txt.
    """
    lab = tmp_path / "the-lab"
    lab.mkdir()
    toml = swept / f"labs/{LAB}.toml"
    toml.write_text(toml.read_text().replace('path = "at-the-lab"', f'path = "{lab}"'))
    lab.rename(tmp_path / "away")
    drop(swept, "closed.tif", 12)
    ask_here(swept, "sweep")
    with reading(swept) as reader:
        (closed,) = reader.parcels(state="closed")
    drop(swept, "rendered.tif", 13)
    with open_studio(swept) as at_work:
        deadline = time.monotonic() + 60
        while not any(j.state == "rendered" for j in at_work.workshop.ledger.read.jobs()):
            assert time.monotonic() < deadline
            at_work.dispatch.turn()
            time.sleep(0.01)
        at_work.dispatch.stop()
    (tmp_path / "away").rename(lab)
    dest = tmp_path / "copy"
    with reading(swept) as reader:
        assert [row.state for row in reader.parcels()][-1:] == ["closed"]
    code, _ = back_up(swept, dest)
    assert code == 0
    # The original goes on: what waited is answered, rendered things are closed, all is sent.
    answer = ("--accept", "colour-untagged", "--by", "Mira", "--because", "it is sRGB")
    ask_here(swept, "decide", "2", *answer)
    ask_here(swept, "sweep")
    drop(swept, "after.tif", 14)
    ask_here(swept, "sweep")
    assert set(states(jobs(swept)).values()) == {"delivered"}
    newest = max(job["job"] for job in jobs(swept))
    at_lab = files(lab)
    assert len([name for name in at_lab if "/data/" in name]) == 4
    shutil.rmtree(swept)
    # The copy is opened somewhere else.
    studio = tmp_path / "again"
    shutil.copytree(dest, studio)
    assert ask_here(studio, "sweep")[0] == 2
    told = take_over(studio)
    assert told["doubtful"] == [closed.name]
    ask_here(studio, "sweep")
    ask_here(studio, "sweep")
    assert files(lab) == at_lab
    found = states(jobs(studio))
    assert found["rendered.tif"] == found["untagged.tif"] == "held"
    assert found["closed.tif"] == "parcelled"
    waiting = (studio / "hot/WAITING.txt").read_text()
    assert closed.name in waiting
    assert "Whether it was sent since, only the lab knows" in waiting
    # Answered for its other reason alone, it is still not sent.
    ask_here(studio, "decide", "2", *answer)
    ask_here(studio, "sweep")
    assert files(lab) == at_lab
    # The lab has the parcel; the rendered one is to be sent after all.
    word = ("--by", "Asa", "--because", "the lab was asked")
    code, text = ask_here(studio, "parcel", closed.name, "--sent", *word)
    assert code == 0, text
    assert states(jobs(studio))["closed.tif"] == "delivered"
    number = next(j["job"] for j in jobs(studio) if j["original_name"] == "rendered.tif")
    ask_here(studio, "decide", str(number), "--accept", "record-restored", *word)
    ask_here(studio, "sweep")
    assert states(jobs(studio))["rendered.tif"] == "delivered"
    more = {name.split("/")[0] for name in files(lab)} - {name.split("/")[0] for name in at_lab}
    (parcel,) = more
    assert int(parcel.rpartition("-")[2]) > 100
    drop(studio, "later.tif", 15)
    ask_here(studio, "sweep")
    assert max(job["job"] for job in jobs(studio)) > max(newest, 1000)
    assert ask_here(studio, "ledger", "verify", "--files")[0] == 0
    code, text = ask_here(studio, "take-over", *word)
    assert (code, "taken over already" in text) == (2, True)


def test_a_doubtful_parcel_is_sent_by_a_persons_word(swept: Path, tmp_path: Path) -> None:
    """The lab does not have it: told so, it goes like any other, once."""
    drop(swept, "closed.tif", 12)
    (swept / "at-the-lab").rename(swept / "away")
    ask_here(swept, "sweep")
    (swept / "away").rename(swept / "at-the-lab")
    dest = tmp_path / "copy"
    back_up(swept, dest)
    (name,) = take_over(dest)["doubtful"]
    shutil.copytree(swept / "at-the-lab", dest / "at-the-lab")
    ask_here(dest, "sweep")
    assert len(sent(dest)) == 1
    word = ("--send", "--by", "Asa", "--because", "the lab was asked")
    assert ask_here(dest, "parcel", name, *word)[0] == 0
    assert ask_here(dest, "parcel", name, *word)[0] == 2
    ask_here(dest, "sweep")
    assert len(sent(dest)) == 2
    assert states(jobs(dest))["closed.tif"] == "delivered"
    holds(dest)


def test_a_sealed_parcel_is_not_sent_by_the_copy(swept: Path, tmp_path: Path) -> None:
    """Copied between sealed and closed: the copy gives the parcel up and holds its job."""
    drop(swept, "sealed.tif", 12)

    def stop(moment: str, name: str, paths: tuple[Path, ...]) -> None:
        if moment == "before" and name == "publish" and "outgoing" in str(paths[-1]):
            raise Killed

    durable.observe(stop)
    with pytest.raises(Killed):
        ask_here(swept, "sweep")
    durable.observe(None)
    dest = tmp_path / "copy"
    with closing(connect_reader(swept / "ledger.sqlite3")) as connection:
        assert len(Reader(connection).parcels(state="sealed")) == 1
    # The command that records the backup opens the studio, which finishes the parcel there.
    back_up(swept, dest)
    take_over(dest)
    (dest / "at-the-lab").mkdir()
    ask_here(dest, "sweep")
    assert sent(dest) == []
    assert states(jobs(dest))["sealed.tif"] == "held"


def test_a_backup_beside_the_service_is_recorded_by_it(swept: Path, tmp_path: Path) -> None:
    """While a service runs the record is its own: it writes down that a backup was made."""
    with opened(swept, Later()) as studio:
        code, told = back_up(swept, tmp_path / "copy")
        assert code == 0
        assert entries(swept, "backed-up") == []
        for _ in range(200):
            studio.dispatch.turn()
            if entries(swept, "backed-up"):
                break
            time.sleep(0.01)
    (entry,) = entries(swept, "backed-up")
    assert entry.body["seq"] == told["witness"]["seq"]


def test_a_full_disk_is_said_before_anything_is_copied(
    swept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The room is asked for first; the last good copy is as it was."""
    dest = tmp_path / "copy"
    back_up(swept, dest)
    (dest / archived(swept, 1, "original").relative_to(swept)).unlink()
    before = files(dest)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(
        "platemark.engine.backup.shutil.disk_usage",
        lambda path: type(usage)(usage.total, usage.total, 1000),
    )
    code, text = ask_here(swept, "backup", str(dest))
    assert code == 1
    assert "not room enough" in text
    assert files(dest) == before


def test_a_damaged_record_is_not_copied(swept: Path, tmp_path: Path) -> None:
    """The copy of a record that does not hold takes no good one's place."""
    dest = tmp_path / "copy"
    back_up(swept, dest)
    before = files(dest)
    change_entry(swept, 2)
    code, text = ask_here(swept, "backup", str(dest))
    assert code == 1
    assert "Entry 2" in text
    assert files(dest) == before


@pytest.mark.long
def test_parcels_that_somebody_fetches_are_asked_about_too(swept: Path, tmp_path: Path) -> None:
    """One that lies there may have been fetched since; one that does not was fetched before."""
    toml = swept / f"labs/{LAB}.toml"
    text = toml.read_text()
    toml.write_text(text.replace('method = "folder"\npath = "at-the-lab"', 'method = "collect"'))
    drop(swept, "fetched.tif", 12)
    ask_here(swept, "sweep")
    with reading(swept) as reader:
        (closed,) = reader.parcels(state="closed")
    back_up(swept, tmp_path / "with")
    shutil.rmtree(swept / "outgoing" / LAB / closed.name)
    back_up(swept, tmp_path / "without")
    assert take_over(tmp_path / "with")["doubtful"] == [closed.name]
    assert take_over(tmp_path / "without")["doubtful"] == []
    ask_here(tmp_path / "with", "sweep")
    assert "Let nobody fetch it" in (tmp_path / "with/hot/WAITING.txt").read_text()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 6 MB."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ("mount", "-t", "tmpfs", "-o", "size=6m", "none", str(disk))
    subprocess.run(mount, check=True)
    yield disk
    subprocess.run(("umount", str(disk)), check=True)


@pytest.mark.root
def test_a_disk_that_fills_up_keeps_the_last_good_copy(
    swept: Path, small_disk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On another volume, full in the middle of a file: said, and the copy is the last good one."""
    # The room is asked for before; others may take it meanwhile.
    monkeypatch.setattr("platemark.engine.backup._ROOM_KEPT", 0)
    dest = small_disk / "copy"
    assert back_up(swept, dest)[0] == 0
    before = read_marker(dest)
    data = os.urandom(8_000_000)
    sha256 = hashlib.sha256(data).hexdigest()
    (swept / "archive" / sha256[:2]).mkdir(exist_ok=True)
    (swept / "archive" / sha256[:2] / f"{sha256}.tif").write_bytes(data)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr("platemark.engine.backup.shutil.disk_usage", lambda path: usage)
    code, text = ask_here(swept, "backup", str(dest))
    assert code == 1
    assert "no room left" in text
    assert read_marker(dest) == before
    moved = tmp_path / "moved"
    shutil.copytree(dest, moved)
    take_over(moved)
    holds(moved)


def test_an_unreadable_marker_is_refused(swept: Path, tmp_path: Path) -> None:
    """A copy that cannot say what it is of is neither written to nor opened."""
    dest = tmp_path / "copy"
    back_up(swept, dest)
    (dest / "A-COPY.json").write_text("{")
    assert ask_here(swept, "backup", str(dest))[0] == 2
    with pytest.raises(UsageError), open_studio(dest):
        pass


# -- a studio that is moved whole --------------------------------------------------------------


@pytest.mark.parametrize("how", [pytest.param("times kept", marks=pytest.mark.long), "times lost"])
def test_a_moved_studio_goes_on(how: str, swept: Path, tmp_path: Path) -> None:
    """Copied whole with drops in flight and held folders: no double job, no alarm, no loss."""
    drop(swept, "flight.tif", 21)
    (swept / HOT / "flight.tif.toml").write_text("copies = 2\n")
    with open_studio(swept) as at_work:
        while len(at_work.workshop.ledger.read.jobs()) < 3:
            at_work.dispatch.turn()
            time.sleep(0.005)
        at_work.dispatch.stop()
    with reading(swept) as reader:
        in_flight = [row.job for row in reader.drops(here=True)]
    moved = tmp_path / "elsewhere/studio"
    moved.parent.mkdir()
    copy = shutil.copy2 if how == "times kept" else shutil.copyfile
    shutil.copytree(swept, moved, symlinks=True, copy_function=copy)
    shutil.rmtree(swept)
    ask_here(moved, "sweep")
    found = jobs(moved)
    assert states(found) == {
        "good.tif": "delivered", "untagged.tif": "held", "flight.tif": "delivered",
    }  # fmt: skip
    assert [job["copies"] for job in found if job["original_name"] == "flight.tif"] == [2]
    assert len(entries(moved, "drop-moved")) == len(in_flight)
    assert {each.body["outcome"] for each in entries(moved, "let-go")} == {"taken"}
    assert list((moved / HOT).iterdir()) == []
    assert "flight" not in (moved / "hot/WAITING.txt").read_text()
    words = ("--accept", "colour-untagged", "--by", "Mira", "--because", "it is sRGB")
    assert ask_here(moved, "decide", "2", *words)[0] == 0
    ask_here(moved, "sweep")
    assert set(states(jobs(moved)).values()) == {"delivered"}
    assert len(sent(moved)) == 3
    holds(moved)


@pytest.mark.long
def test_a_moved_drop_that_was_changed_is_a_new_one(swept: Path, tmp_path: Path) -> None:
    """Its content tells: other bytes of the same length under the same name are another picture."""
    drop(swept, "flight.tif", 21)
    with open_studio(swept) as at_work:
        while len(at_work.workshop.ledger.read.jobs()) < 3:
            at_work.dispatch.turn()
            time.sleep(0.005)
        at_work.dispatch.stop()
    with reading(swept) as reader:
        if not [row for row in reader.drops(here=True) if row.job == 3]:
            pytest.fail("the drop was let go too soon for this test")
    moved = tmp_path / "moved"
    shutil.copytree(swept, moved)
    flip(moved / HOT / "flight.tif", 0.9)
    os.utime(moved / HOT / "flight.tif", (1, 1))
    ask_here(moved, "sweep")
    assert [job["original_name"] for job in jobs(moved)].count("flight.tif") == 2
    assert entries(moved, "drop-moved") == []


@pytest.mark.long
def test_a_moved_studio_finishes_a_sealed_parcel(swept: Path, tmp_path: Path) -> None:
    """Stopped between sealed and closed, then moved: the parcel is finished and sent once."""
    drop(swept, "sealed.tif", 12)

    def stop(moment: str, name: str, paths: tuple[Path, ...]) -> None:
        if moment == "before" and name == "publish" and "outgoing" in str(paths[-1]):
            raise Killed

    durable.observe(stop)
    with pytest.raises(Killed):
        ask_here(swept, "sweep")
    durable.observe(None)
    moved = tmp_path / "moved"
    shutil.copytree(swept, moved, copy_function=shutil.copyfile)
    ask_here(moved, "sweep")
    assert states(jobs(moved))["sealed.tif"] == "delivered"
    assert len(sent(moved)) == 2
    holds(moved)
