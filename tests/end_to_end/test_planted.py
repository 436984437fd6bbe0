"""Somebody who may write where others write: a copy's folder, the hot folders, the lab's folder."""

import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from at_night import Later, archived, entries, hands, one_night
from at_work import ask_here
from harness import LAB
from recalled_studio import FIRST
from recalled_studio import swept as brought
from test_backup import back_up, files, holds, take_over

from platemark.app.open_studio import open_studio
from platemark.delivery.folder import COURIER
from platemark.engine.copy_marker import READY, read_marker
from platemark.engine.deliver import delivery_id
from platemark.engine.reports import FOLDER
from platemark.parcel.bag import verify_parcel

pytestmark = pytest.mark.usefixtures(hands.__name__)


def _linked(name: str) -> Callable[[Path, Path], None]:
    def plant(dest: Path, elsewhere: Path) -> None:
        if (dest / name).is_dir():
            shutil.rmtree(dest / name)
        (dest / name).unlink(missing_ok=True)
        (dest / name).symlink_to(elsewhere)

    return plant


def _listed(*names: object) -> Callable[[Path, Path], None]:
    def plant(dest: Path, elsewhere: Path) -> None:
        listed = [each.format(elsewhere) if isinstance(each, str) else each for each in names]
        (dest / READY).write_text(json.dumps(listed))
        (dest / ".coming").mkdir()

    return plant


def _piped(name: str) -> Callable[[Path, Path], None]:
    def plant(dest: Path, elsewhere: Path) -> None:
        del elsewhere
        (dest / name).unlink(missing_ok=True)
        os.mkfifo(dest / name)

    return plant


PLANTED = {
    "held": _linked("held"),
    "hot": _linked("hot"),
    "hot, deeper": _linked("hot/small-rag"),
    "archive": _linked("archive"),
    "outgoing": _linked("outgoing"),
    "what was before": _linked(".former"),
    "the lock": _linked(".lock"),
    "a whole path": _listed("{}"),
    "a path upwards": _listed("../elsewhere"),
    "another shape": _listed(["studio.toml"], 5),
    "a pipe for a marker": _piped("A-COPY.json"),
    "a pipe for a list": _piped(READY),
}


@pytest.mark.parametrize("what", PLANTED)
def test_what_is_planted_in_a_copy_leads_nowhere(what: str, swept: Path, tmp_path: Path) -> None:
    """Links, lists and pipes in a copy's folder: refused, and nothing elsewhere is touched.

    Followed, a link in the place of `held/` had everything behind it removed, and one in the place
    of `.former` had a record exchanged for an older one.
    """
    dest, elsewhere = tmp_path / "copy", tmp_path / "elsewhere"
    back_up(swept, dest)
    elsewhere.mkdir()
    for name in ("ledger.sqlite3", "studio.toml", "photo.raw"):
        (elsewhere / name).write_text("the only one")
    PLANTED[what](dest, elsewhere)
    before = files(swept), files(elsewhere), files(dest)
    code, text = ask_here(swept, "backup", str(dest))
    assert code == 2, text
    assert "Nothing was" in text
    assert files(elsewhere) == before[1]
    assert files(dest) == before[2]
    assert files(swept) == before[0]


def test_a_copy_whose_marker_was_cleared_away_is_one_all_the_same(
    swept: Path, tmp_path: Path
) -> None:
    """Without `A-COPY.json` it neither sends nor takes in, and it can still be taken over."""
    dest = tmp_path / "copy"
    back_up(swept, dest)
    (dest / "A-COPY.json").unlink()
    code, text = ask_here(dest, "sweep")
    assert (code, "is a copy of a studio" in text) == (2, True)
    back_up(swept, dest)
    assert (dest / "A-COPY.json").is_file()
    (dest / "A-COPY.json").unlink()
    take_over(dest)
    assert read_marker(dest) is None
    (dest / "at-the-lab").mkdir()
    ask_here(dest, "sweep")
    assert list((dest / "at-the-lab").iterdir()) == []


@pytest.mark.parametrize("said", ["copied", "nonsense"])
def test_a_marker_that_is_planted_in_the_studio_sends_nothing_twice(
    said: str, swept: Path, tmp_path: Path
) -> None:
    """It stops the studio, says which file it is and what to do; without it all goes on."""
    back_up(swept, tmp_path / "copy")
    marker = swept / "A-COPY.json"
    text = (tmp_path / "copy/A-COPY.json").read_bytes() if said == "copied" else b"{"
    marker.write_bytes(text)
    code, told = ask_here(swept, "sweep")
    assert code == 2
    assert "A-COPY.json" in told
    before = files(swept / "at-the-lab")
    code, told = ask_here(swept, "take-over", "--by", "Asa", "--because", "a mistake")
    assert (code, "Nothing was changed" in told) == (2, True)
    marker.unlink()
    ask_here(swept, "sweep")
    assert files(swept / "at-the-lab") == before
    holds(swept)


def test_a_link_of_the_right_length_is_no_copy(swept: Path, tmp_path: Path) -> None:
    """A link as long as the file that it stands for is not taken for it."""
    dest = tmp_path / "copy"
    back_up(swept, dest)
    path = min((dest / "archive").glob("*/*"), key=lambda each: each.stat().st_size)
    size = path.stat().st_size
    path.unlink()
    path.symlink_to(("x/" * size)[:size])
    assert path.lstat().st_size == size
    assert ask_here(swept, "backup", str(dest))[0] == 2


@pytest.mark.parametrize("kind", ["pipe", "link", "endless"])
def test_a_request_that_is_no_file_keeps_no_backup(kind: str, swept: Path, tmp_path: Path) -> None:
    """A pipe where a hot folder's request lies is not waited for, and a link is not followed."""
    secret, request = tmp_path / "secret", swept / "hot/small-rag/request.toml"
    secret.write_text("a secret")
    if kind == "pipe":
        os.mkfifo(request)
    elif kind == "link":
        request.symlink_to(secret)
    else:
        request.touch()
        os.truncate(request, 1 << 40)
    dest = tmp_path / "copy"
    assert back_up(swept, dest)[0] == 0
    assert not (dest / "hot/small-rag/request.toml").exists()
    request.unlink()
    request.write_text('fit = "crop"\n')
    for _ in range(2):
        back_up(swept, dest)
        assert (dest / "hot/small-rag/request.toml").read_text() == 'fit = "crop"\n'
    holds(dest)


def test_an_answer_that_is_applied_meanwhile_stops_no_backup(
    swept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file of `decisions/` that is gone when its turn comes is left out of the copy."""
    gone = swept / "decisions/0-gone.json"

    def seen(folder: Path) -> list[Path]:
        there = sorted(path for path in folder.rglob("*") if path.is_file())
        return [*there, gone] if folder == swept / "decisions" else there

    monkeypatch.setattr("platemark.engine.backup.plain_below", seen)
    code, _ = back_up(swept, tmp_path / "copy")
    assert code == 0
    assert read_marker(tmp_path / "copy") is not None


FORGED: dict[str, object] = {
    "no list of paths": {"kind": "archive", "body": {"paths": 5}},
    "a round of another shape": {"kind": "archive", "body": {"paths": [], "round": {"at": "~"}}},
    "a round that is not over": {
        "kind": "archive",
        "body": {
            "paths": [],
            "round": {
                "begun": "2026-01-01T00:00:00Z",
                "at": "8000",
                "files": 1,
                "parcels": 0,
                "bytes": 1,
                "faults": 0,
            },
        },
    },
    "another kind": {"kind": "decision", "body": {"paths": []}},
    "no object": [1, 2],
    "a backup of nothing": {"kind": "backup", "body": {}},
    "a backup that never was": {
        "kind": "backup",
        "body": {
            "made": "2026-01-01T00:00:00Z",
            "seq": 3,
            "hash": "0" * 64,
            "to": "/elsewhere",
            "files": 1,
            "bytes": "1",
            "faults": 0,
        },
    },
    "paths of all kinds": {
        "kind": "archive",
        "body": {"paths": ["", "..", "archive/../..", "outgoing/x/../y", "a\nb", "\0", "/etc"]},
    },
}


def test_forged_reports_record_nothing_and_stop_nothing(swept: Path) -> None:
    """What lies in `work/reports` and says what did not happen is thrown away, and nights go on."""
    reports = swept / "work" / FOLDER
    reports.mkdir(exist_ok=True)
    for number, forged in enumerate(FORGED.values()):
        (reports / f"{number}.json").write_text(json.dumps(forged))
    (reports / "deep.json").write_text("[" * 100_000)
    os.mkfifo(reports / "pipe.json")
    (reports / "folder.json").mkdir()
    one_night(swept, Later(days=1))
    assert list(reports.iterdir()) == []
    for kind in ("backed-up", "archive-damaged", "archive-verified"):
        assert entries(swept, kind) == []
    assert len(entries(swept, "upkeep-done")) == 1
    assert ask_here(swept, "doctor")[0] in (0, 1)
    holds(swept)


VAST = 1 << 43


def vast(path: Path) -> None:
    """A file of holes that nobody reads to its end in a night."""
    path.unlink(missing_ok=True)
    path.touch()
    os.truncate(path, VAST)


def test_files_without_an_end_keep_no_night(swept: Path) -> None:
    """Put where a drop was taken, where an answer lies, where a good copy is looked for."""
    printed = archived(swept, 1, "print")
    printed.chmod(0o644)
    printed.write_bytes(b"damaged")
    vast(swept / "hot/small-rag/taken/000001-good.tif")
    vast(swept / "decisions/0.unreadable")
    vast(next((swept / "held").rglob("WHY.html")).with_name("untagged.tif"))
    begun = time.monotonic()
    one_night(swept, Later(days=400))
    assert time.monotonic() - begun < 30
    assert len(entries(swept, "upkeep-done")) == 1
    assert (swept / "hot/small-rag/taken/000001-good.tif").stat().st_size == VAST
    assert "Somebody wrote to it after it was taken" in (swept / "hot/WAITING.txt").read_text()
    assert (swept / "decisions/0.unreadable").exists()


def test_mending_is_led_nowhere_and_names_do_nothing_to_a_screen(
    swept: Path, tmp_path: Path
) -> None:
    """Whoever fetches parcels puts a link into one, and a file whose name a terminal would obey."""
    parcel = next((swept / "outgoing" / LAB).iterdir())
    (printed,) = (parcel / "data").iterdir()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / printed.name).write_text("the only one")
    shutil.rmtree(parcel / "data")
    (parcel / "data").symlink_to(elsewhere)
    (parcel / "\x1b[2J\nall is well\u202e.txt").write_text("x")
    code, said = ask_here(swept, "archive", "verify")
    assert code == 1
    assert files(elsewhere).keys() == {printed.name}
    assert (elsewhere / printed.name).read_text() == "the only one"
    ask_here(swept, "sweep")
    for text in (said, ask_here(swept, "doctor")[1], (swept / "hot/WAITING.txt").read_text()):
        assert "all is well" in text
        assert not {"\x1b", "\u202e"} & set(text)
        assert "\nall is well" not in text


def test_a_copy_that_the_lab_clears_away_is_brought_again(closed: Path) -> None:
    """Verified, then cleared away before it had its name: it arrives, and is no inference."""
    with open_studio(closed) as at_work:
        lab, ledger = at_work.workshop.settings.labs[0], at_work.workshop.ledger
        parcel = ledger.read.parcel(FIRST)
        assert parcel is not None
        ident = delivery_id(parcel, lab)
        COURIER.upload(closed / "outgoing" / LAB / FIRST, lab.delivery, closed, ident)
        with ledger.transaction() as transaction:
            body = {"parcel": FIRST, "delivery": ident}
            transaction.append("parcel-verified-at-lab", body)
        at_work.dispatch.stop()
    shutil.rmtree(closed / f"at-the-lab/.up-{ident}")
    assert brought(closed).fault == ""
    assert [path.name for path in (closed / "at-the-lab").iterdir()] == [FIRST]
    assert verify_parcel(closed / "at-the-lab" / FIRST, parcel.tagmanifest) == ()
    (entry,) = entries(closed, "parcel-delivered")
    assert entry.body["how"] == "delivered"
