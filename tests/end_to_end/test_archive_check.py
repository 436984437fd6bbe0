"""The archive and the parcels read back: what changed is found, named, mended or never printed."""

import ctypes
import json
import mmap
import os
import shutil
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from at_night import Later, archived, damages, entries, flip, hands, opened
from at_work import ask_here, jobs, states

from platemark.app.open_studio import open_studio, reading
from platemark.engine.archive_check import (
    END,
    Round,
    hash_from_disk,
    load_round,
    place_in_order,
    read_on,
)
from platemark.intake.mounts import file_system_of

TAKEN = "hot/small-rag/taken"
pytestmark = pytest.mark.usefixtures(hands.__name__)


def verify(studio: Path, *words: str) -> tuple[int, dict[str, Any]]:
    """`archive verify` for a program; its exit code and what it said."""
    code, text = ask_here(studio, "archive", "verify", "--json", *words)
    # The log is beside it.
    told: dict[str, Any] = json.JSONDecoder().raw_decode(text, text.index('{\n "finished"'))[0]
    return code, told


def without_copies(studio: Path) -> None:
    """Take away every other copy of the studio's pictures."""
    for folder in (studio / TAKEN, *(studio / "held").glob("*/*")):
        for path in folder.glob("*.tif"):
            path.unlink()


def parcel_of(studio: Path) -> Path:
    (parcel,) = (studio / "outgoing").glob("*/*")
    return parcel


def cut(path: Path) -> None:
    path.chmod(0o644)
    os.truncate(path, path.stat().st_size // 2)


def put_a_link(path: Path) -> None:
    shutil.copy(path, path.parents[3] / "elsewhere")
    path.unlink()
    path.symlink_to(path.parents[3] / "elsewhere")


def put_a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


HARMS: dict[str, Callable[[Path], None]] = {
    "a bit changed": flip,
    "its first bit changed": lambda path: flip(path, 0),
    "cut off": cut,
    "removed": Path.unlink,
    "a link in its place": put_a_link,
    "a folder in its place": put_a_folder,
}
PLACES: dict[str, Callable[[Path], Path]] = {
    "original": lambda studio: archived(studio, 1, "original"),
    "print": lambda studio: archived(studio, 1, "print"),
    "proof": lambda studio: archived(studio, 1, "proof"),
    "print file in a parcel": lambda studio: next((parcel_of(studio) / "data").iterdir()),
    "ticket in a parcel": lambda studio: parcel_of(studio) / "ticket.json",
    "list of a parcel": lambda studio: parcel_of(studio) / "tagmanifest-sha256.txt",
}


def test_what_is_whole_is_said_to_be(swept: Path) -> None:
    """Everything that the record names is read; a second reading is a new round."""
    code, told = verify(swept)
    assert code == 0
    assert (told["damaged"], told["mended"], told["strays"]) == ([], [], [])
    assert told["finished"]
    assert told["parcels"] == 1
    # Two originals, a print file, two proofs and the lab's profile.
    assert told["files"] == 6 or told["files"] == 5
    (entry,) = entries(swept, "archive-verified")
    assert (entry.body["files"], entry.body["parcels"]) == (told["files"], 1)
    verify(swept)
    assert len(entries(swept, "archive-verified")) == 2
    assert ask_here(swept, "ledger", "verify", "--files")[0] == 0


@pytest.mark.fault(25)
@pytest.mark.parametrize("harm", HARMS)
@pytest.mark.parametrize("place", PLACES)
def test_damage_is_found_and_named_once(place: str, harm: str, swept: Path) -> None:
    """Whatever happens to whatever is kept: named by its path, recorded once, set aside or left."""
    path = PLACES[place](swept)
    good = path.read_bytes()
    HARMS[harm](path)
    relative = path.relative_to(swept).as_posix()
    code, told = verify(swept)
    known = {each["path"] for each in told["damaged"]} | set(told["mended"])
    assert known == {relative}
    (entry,) = entries(swept, "archive-damaged")
    assert entry.body["path"] == relative
    assert entry.body["jobs"] == [1]
    mended = place != "ticket in a parcel" and place != "list of a parcel"
    assert (code, damages(swept)) == ((0, []) if mended else (1, [relative]))
    if mended:
        assert path.read_bytes() == good
        assert stat.S_ISREG(path.lstat().st_mode)
        (mend,) = entries(swept, "archive-mended")
        assert bool(mend.body["set_aside"]) == (harm != "removed")
        if mend.body["set_aside"]:
            assert os.path.lexists(swept / mend.body["set_aside"])
    verify(swept)
    assert len(entries(swept, "archive-damaged")) == 1
    assert ask_here(swept, "ledger", "verify")[0] == 0
    assert len(list((swept / "at-the-lab").iterdir())) == 1


@pytest.mark.fault(25)
def test_damage_without_a_copy_is_told_until_it_is_mended(swept: Path) -> None:
    """No copy in the studio: WAITING.txt and doctor say so until somebody puts a good one back."""
    path = archived(swept, 1, "original")
    good = path.read_bytes()
    without_copies(swept)
    flip(path)
    code, told = verify(swept)
    assert code == 1
    assert "nothing is printed from it" in told["damaged"][0]["sentence"]
    ask_here(swept, "sweep")
    waiting = (swept / "hot/WAITING.txt").read_text()
    assert path.name in waiting
    assert "job 000001" in waiting
    code, doctor = ask_here(swept, "doctor")
    assert code == 1
    assert f"WRONG  {path.relative_to(swept)}" in doctor
    path.chmod(0o644)
    path.write_bytes(good)
    assert verify(swept)[1]["mended"] == [path.relative_to(swept).as_posix()]
    (mend,) = entries(swept, "archive-mended")
    assert mend.body["from"] == "found whole again"
    ask_here(swept, "sweep")
    assert path.name not in (swept / "hot/WAITING.txt").read_text()


@pytest.mark.fault(25)
def test_a_damaged_original_is_never_printed_and_its_job_goes_on_once_it_is_whole(
    swept: Path,
) -> None:
    """Accepted while it is damaged, it is held; whole again, it is taken up and goes through."""
    path = archived(swept, 2, "original")
    good = path.read_bytes()
    without_copies(swept)
    flip(path, 0.9)
    words = ("--accept", "colour-untagged", "--by", "Mira", "--because", "it is sRGB")
    assert ask_here(swept, "decide", "2", *words)[0] == 0
    ask_here(swept, "sweep")
    assert states(jobs(swept))["untagged.tif"] == "held"
    assert len(list((swept / "at-the-lab").iterdir())) == 1
    assert verify(swept)[0] == 1
    path.chmod(0o644)
    path.write_bytes(good)
    assert verify(swept)[0] == 0
    ask_here(swept, "sweep")
    assert states(jobs(swept))["untagged.tif"] == "delivered"


def test_a_round_goes_on_where_it_was_left(swept: Path) -> None:
    """In parts, each file is read once; the round is recorded when all was read."""
    whole = verify(swept)[1]
    parts = []
    for _ in range(10):
        code, told = verify(swept, "--share", "20")
        assert code == 0
        parts.append(told)
        if told["finished"]:
            break
    assert 5 <= len(parts) <= 6
    assert sum(each["files"] for each in parts) == whole["files"]
    assert sum(each["parcels"] for each in parts) == 1
    assert sum(each["bytes"] for each in parts) == whole["bytes"]
    assert len(entries(swept, "archive-verified")) == 2
    assert load_round(swept / "work") is None


def test_a_reading_that_is_stopped_loses_no_file(swept: Path) -> None:
    """Stopped at any file, and in the middle of one: the next goes on with that one."""
    with reading(swept) as reader:
        whole = read_on(reader, swept, Round("now")).round
        for after in range(1, whole.files + 3):
            asked = iter(range(after))
            first = read_on(
                reader, swept, Round("now"), ending=lambda asked=asked: next(asked, None) is None
            )
            rest = read_on(reader, swept, first.round)
            assert (rest.round.files, rest.round.bytes, rest.round.at) == (
                whole.files, whole.bytes, END,
            )  # fmt: skip
        by_time = Round("now")
        while by_time.at != END:
            by_time = read_on(reader, swept, by_time, seconds=0).round
        assert by_time == whole


def test_the_places_of_a_round_cover_everything() -> None:
    """Shares of the order are in order, from the front to the end."""
    places = [place_in_order(share / 7) for share in range(8)]
    assert places == sorted(places)
    assert places[-1] == END
    assert Round("now", at="80000000").share == 0.5


def test_what_no_entry_names_is_listed_and_let_lie(swept: Path) -> None:
    """A file that somebody put into archive/ is a stray, and no damage."""
    stray = swept / "archive/ab" / f"{'ab' * 32}.tif"
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"somebody's")
    (swept / "archive/note.txt").write_text("mine")
    code, told = verify(swept)
    assert code == 0
    assert set(told["strays"]) == {"archive/note.txt", stray.relative_to(swept).as_posix()}
    assert stray.read_bytes() == b"somebody's"


def test_beside_a_service_it_is_the_service_that_records(swept: Path) -> None:
    """A command that finds damage while a service runs leaves it to that to look and record."""
    path = archived(swept, 1, "original")
    good = path.read_bytes()
    flip(path)
    with opened(swept, Later()) as studio:
        before = studio.workshop.ledger.read.head().seq
        code, told = verify(swept)
        assert code == 1
        assert [each["path"] for each in told["damaged"]] == [path.relative_to(swept).as_posix()]
        assert studio.workshop.ledger.read.head().seq == before
        for _ in range(400):
            studio.dispatch.turn()
            if not studio.dispatch.upkeep.is_at_work and path.read_bytes() == good:
                break
    assert path.read_bytes() == good
    assert [each.body["faults"] for each in entries(swept, "archive-verified")] == [1]
    assert len(entries(swept, "archive-mended")) == 1


def in_memory(path: Path) -> int:
    """How many pages of a file the system holds in memory (mincore(2))."""
    size = path.stat().st_size
    with path.open("rb") as file:
        mapped = mmap.mmap(file.fileno(), size, flags=mmap.MAP_PRIVATE)
        pages = -(-size // mmap.PAGESIZE)
        told = (ctypes.c_ubyte * pages)()
        at = ctypes.addressof(ctypes.c_ubyte.from_buffer(mapped))
        libc = ctypes.CDLL(None, use_errno=True)
        assert libc.mincore(ctypes.c_void_p(at), ctypes.c_size_t(size), told) == 0
        return sum(each & 1 for each in told)


def test_it_is_the_disk_that_is_read(swept: Path) -> None:
    """What the system remembered of a file is gone when it is read, and after."""
    path = archived(swept, 1, "original")
    path.chmod(0o644)
    path.read_bytes()
    with path.open("rb") as file:
        os.fsync(file.fileno())
    remembered = in_memory(path)
    assert remembered > 0
    hash_from_disk(path)
    # A disk that is memory itself has nothing to forget.
    assert in_memory(path) == (remembered if file_system_of(path) == "tmpfs" else 0)


def test_it_says_when_another_reads_just_now(swept: Path) -> None:
    """Two commands at once: the second says so, and nothing is wrong."""
    from platemark import durable

    with durable.only_one(swept / "work/archive-round.lock") as got:
        assert got
        code, text = ask_here(swept, "archive", "verify")
    assert code == 2
    assert "being read just now" in text


def test_both_limits_are_wrong_usage(swept: Path) -> None:
    """Minutes and a share together are refused, and nothing is read."""
    code, text = ask_here(swept, "archive", "verify", "--minutes", "1", "--share", "5")
    assert code == 2
    assert "Nothing was read" in text
    with open_studio(swept) as studio:
        assert list(studio.workshop.ledger.read.entries(kind="archive-verified")) == []
        studio.dispatch.stop()
