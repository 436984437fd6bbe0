"""What is kept and what may go: by rule, said before in the record, and never the only copy."""

import hashlib
import json
import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from at_night import Killed, Later, archived, entries, flip, hands, one_night, opened
from at_work import ask_here, jobs
from harness import LAB

from platemark import durable
from platemark.app.open_studio import reading
from platemark.engine.retention import Found, Rules, find_removable
from platemark.engine.workshop import Folders
from platemark.ledger.keeping import Keeping
from platemark.ledger.store import Ledger
from platemark.model.studio import Keep
from platemark.settings.load import load_settings

TAKEN = "hot/small-rag/taken"
pytestmark = pytest.mark.usefixtures(hands.__name__)
TICKET, SIDECAR = "000001-good.tif", "000001-good.tif.toml"


def listing(root: Path) -> dict[str, str]:
    """Every file of a studio but its record and its work, with a hash."""
    return {
        path.relative_to(root).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(root.rglob("*"))
        if path.is_file()
        and not path.is_symlink()
        and path.relative_to(root).parts[0] not in ("work", "ledger.sqlite3", ".lock")
        and path.name != "WAITING.txt"
    }


def holds(studio: Path) -> None:
    """The record, the archive and the parcels are what they should be, by all that proves them."""
    code, text = ask_here(studio, "ledger", "verify", "--files")
    assert code == 0, text
    code, text = ask_here(studio, "archive", "verify", "--anew")
    assert code == 0, text


def withdraw(studio: Path, job: int) -> None:
    words = ("--withdraw", "--by", "Mira", "--because", "a mistake")
    assert ask_here(studio, "decide", str(job), *words)[0] == 0


def found_in(studio: Path, keep: Keep, **ahead: float) -> Found:
    """What the rules say of a studio after a time."""
    settings = load_settings(studio)
    rules = Rules(keep, datetime.now(UTC) + timedelta(**ahead))
    with reading(studio) as reader:
        return find_removable(reader, Folders.of(studio, settings), rules)


def test_what_was_taken_goes_after_its_days(swept: Path) -> None:
    """A day before, nothing goes; a day after, drop and request do, and their folder stays."""
    before = listing(swept)
    one_night(swept, Later(days=29))
    assert {TICKET, SIDECAR, "000002-untagged.tif"} <= {p.name for p in (swept / TAKEN).iterdir()}
    assert entries(swept, "removal-begun") == []
    request = (swept / TAKEN / SIDECAR).read_bytes()
    one_night(swept, Later(days=31))
    assert list((swept / TAKEN).iterdir()) == []
    (begun,) = entries(swept, "removal-begun")
    assert {item["rule"] for item in begun.body["items"]} == {"taken_days"}
    assert {item["sha256"] for item in begun.body["items"]} == {
        before[f"{TAKEN}/{name}"] for name in (TICKET, SIDECAR, "000002-untagged.tif")
    }
    (kept,) = begun.body["requests"]
    assert (swept / "archive" / kept["sha256"][:2] / f"{kept['sha256']}.toml").read_bytes() == (
        request
    )
    (done,) = entries(swept, "removal-done")
    assert (done.body["of"], done.body["files"], done.body["stayed"]) == (begun.seq, 3, 0)
    gone = {f"{TAKEN}/{name}" for name in (TICKET, SIDECAR, "000002-untagged.tif")}
    after = listing(swept)
    assert {name: sha for name, sha in before.items() if name not in gone}.items() <= after.items()
    holds(swept)


def test_a_late_write_stays_and_is_told(swept: Path) -> None:
    """A taken file that was written to later is neither removed nor printed, and is told once."""
    flip(swept / TAKEN / TICKET)
    later = (swept / TAKEN / TICKET).read_bytes()
    one_night(swept, Later(days=31))
    assert (swept / TAKEN / TICKET).read_bytes() == later
    assert "Somebody wrote to it after it was taken" in (swept / "hot/WAITING.txt").read_text()
    one_night(swept, Later(days=33))
    assert len(entries(swept, "taken-changed")) == 1
    assert len(jobs(swept)) == 2
    holds(swept)


@pytest.mark.fault(25)
def test_a_taken_file_mends_the_archive_before_it_may_go(swept: Path) -> None:
    """Where the archive's own copy is damaged the taken one is put in its place."""
    path = archived(swept, 1, "original")
    good = path.read_bytes()
    flip(path)
    # Nothing has read the archive yet: it is the rule itself that looks.
    assert [item.path for item in found_in(swept, Keep(), days=31).items if item.job == 1] == [
        f"small-rag/taken/{SIDECAR}".encode()
    ]
    assert ask_here(swept, "archive", "verify")[0] == 0
    assert path.read_bytes() == good
    one_night(swept, Later(days=31))
    assert not (swept / TAKEN / TICKET).exists()
    holds(swept)


def test_links_in_taken_are_not_followed(swept: Path, tmp_path: Path) -> None:
    """A link among the files, and a link in the folder's place: nothing elsewhere is touched."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    shutil.copy(swept / TAKEN / TICKET, elsewhere / TICKET)
    (swept / TAKEN / TICKET).unlink()
    (swept / TAKEN / TICKET).symlink_to(elsewhere / TICKET)
    one_night(swept, Later(days=31))
    assert (elsewhere / TICKET).is_file()
    assert (swept / TAKEN / TICKET).is_symlink()
    shutil.rmtree(swept / TAKEN)
    (swept / TAKEN).symlink_to(elsewhere)
    one_night(swept, Later(days=33))
    assert (elsewhere / TICKET).is_file()


def test_a_folder_exchanged_for_a_link_meanwhile_keeps_what_it_leads_to(
    swept: Path, tmp_path: Path
) -> None:
    """Exchanged between the looking and the removal, whose folders are opened one by one."""
    from platemark.engine import removing

    with opened(swept, Later(days=31)) as studio:
        workshop = studio.workshop
        rules = Rules(Keep(), workshop.clock.now())
        found = find_removable(workshop.ledger.read, workshop.folders, rules)
        (seq,) = removing.begin(workshop, removing.prepare(workshop, found.items))
        (swept / TAKEN).rename(tmp_path / "aside")
        (swept / TAKEN).symlink_to(tmp_path / "aside")
        removed = removing.carry_out(workshop.ledger.read, workshop.folders, seq)
    assert removed is not None
    assert (tmp_path / "aside" / TICKET).is_file()


def test_a_delivered_parcel_leaves_its_tickets_behind(swept: Path, tmp_path: Path) -> None:
    """After its days it leaves outgoing/; what exactly the lab got can still be answered."""
    (parcel,) = (swept / "outgoing" / LAB).iterdir()
    names = ("ticket.json", "ticket.html", "changes.txt", "tagmanifest-sha256.txt")
    papers = {name: (parcel / name).read_bytes() for name in names}
    at_lab = listing(swept / "at-the-lab")
    one_night(swept, Later(days=364))
    assert parcel.is_dir()
    one_night(swept, Later(days=367))
    assert not parcel.exists()
    assert listing(swept / "at-the-lab") == at_lab
    with reading(swept) as reader:
        kept = {paper.name: paper for paper in Keeping(reader).papers(parcel.name)}
    for name, data in papers.items():
        path = swept / "archive" / kept[name].sha256[:2]
        assert (path / f"{kept[name].sha256}.{kept[name].extension}").read_bytes() == data
    holds(swept)
    code, text = ask_here(swept, "retrieve", "1", "--to", str(tmp_path / "got"))
    assert code == 0, text
    ticket = tmp_path / "got" / f"{parcel.name}-ticket.json"
    assert ticket.read_bytes() == papers["ticket.json"]
    name = json.loads(papers["ticket.json"])["tickets"][0]["print_file"]["path"]
    assert (tmp_path / "got" / Path(name).name).is_file()
    code, text = ask_here(swept, "ledger", "verify", "--against", str(ticket))
    assert code == 0
    assert "The whole ticket" in text
    ticket.write_bytes(ticket.read_bytes().replace(b'"copies": 2', b'"copies": 3', 1))
    assert ask_here(swept, "ledger", "verify", "--against", str(ticket))[0] == 1
    flip(swept / "archive" / kept["ticket.json"].sha256[:2] / f"{kept['ticket.json'].sha256}.json")
    assert ask_here(swept, "ledger", "verify", "--files")[0] == 1


def test_a_parcel_that_was_changed_does_not_go(swept: Path) -> None:
    """What cannot be proved any more stays for somebody to look at."""
    (parcel,) = (swept / "outgoing" / LAB).iterdir()
    (parcel / "note.txt").write_text("from the lab")
    one_night(swept, Later(days=367))
    assert (parcel / "note.txt").is_file()


def test_a_parcel_that_nobody_delivered_stays(swept: Path) -> None:
    """Parcels that are fetched, and parcels on their way, never go by themselves."""
    with reading(swept) as reader:
        (parcel,) = reader.parcels()
    keep = Keep(taken_days=0, parcels_days=1, withdrawn_days=1)
    assert [item.parcel for item in found_in(swept, keep, days=9).items] == [parcel.name]
    connection = __import__("sqlite3").connect(swept / "ledger.sqlite3")
    with connection:
        connection.execute("UPDATE parcels SET state = 'closed'")
    connection.close()
    assert found_in(swept, keep, days=9999).items == []


def test_a_withdrawn_original_goes_unless_another_job_has_it(swept: Path) -> None:
    """After its days, and only where no other job was made of the same picture."""
    original = archived(swept, 2, "original")
    shutil.copy(swept / TAKEN / "000002-untagged.tif", swept / "hot/small-rag/2x3in/again.tif")
    ask_here(swept, "sweep")
    assert len(jobs(swept)) == 3
    withdraw(swept, 2)
    one_night(swept, Later(days=400))
    assert original.is_file()
    withdraw(swept, 3)
    one_night(swept, Later(days=400))
    assert original.is_file()
    one_night(swept, Later(days=800))
    assert not original.exists()
    holds(swept)
    code, text = ask_here(swept, "retrieve", "2", "--to", str(swept / "work/got"))
    assert code == 2
    assert "left the archive by rule" in text
    assert archived(swept, 1, "original").is_file()


@pytest.mark.long
def test_a_picture_that_comes_again_is_kept_again(swept: Path) -> None:
    """Withdrawn, gone by rule, and dropped once more: it is archived as if it were new."""
    data = (swept / TAKEN / "000002-untagged.tif").read_bytes()
    withdraw(swept, 2)
    one_night(swept, Later(days=400))
    sha256 = hashlib.sha256(data).hexdigest()
    assert not (swept / "archive" / sha256[:2] / f"{sha256}.tif").exists()
    (swept / "hot/small-rag/2x3in/again.tif").write_bytes(data)
    ask_here(swept, "sweep")
    assert (swept / "archive" / sha256[:2] / f"{sha256}.tif").read_bytes() == data
    holds(swept)


def test_what_was_sent_stays_for_ever(swept: Path) -> None:
    """Fifty years on, originals, print files and tickets of what was sent are in the archive."""
    kept = [archived(swept, 1, kind) for kind in ("original", "print", "proof")]
    one_night(swept, Later(days=365 * 50))
    assert all(path.is_file() for path in kept)
    holds(swept)


def test_archive_years_lets_go_of_what_was_sent_but_not_of_an_edition(tmp_path: Path) -> None:
    """With the setting, originals and prints of delivered jobs go; an edition's never do."""
    ledger = Ledger(tmp_path / "ledger.sqlite3", lambda: datetime(2020, 5, 1, tzinfo=UTC))
    for job, edition in ((1, None), (2, "alder-9")):
        sha256 = f"{job}{job}" * 32
        with ledger.transaction() as transaction:
            drop = {
                "surface_folder": "rag", "path_hex": "00", "size": 1, "mtime_ns": 1, "inode": job,
                "device": 1,
            }  # fmt: skip
            transaction.append(
                "claimed",
                {
                    "state": "claimed", "name": "a.tif", "drop": drop, "sidecar_hex": None,
                    "original": {"sha256": sha256, "extension": "tif", "bytes": "1"},
                },
                job=job,
            )  # fmt: skip
            body = {"state": "examined", "request": {"edition": edition}, "summary": {"lab": "l"}}
            transaction.append("examined", body, job=job)
            made = {"sha256": f"{job}0" * 32, "extension": "tif", "bytes": "1"}
            transaction.append("rendered", {"state": "rendered", "print_file": made}, job=job)
            transaction.append("let-go", {"outcome": "taken", "taken": ""}, job=job)
            transaction.append(
                "parcelled", {"state": "parcelled", "summary": {"parcel": "l-000001"}}, job=job
            )
            transaction.append("delivered", {"state": "delivered"}, job=job)
    folders = Folders(tmp_path, tmp_path / "hot")
    folders.archive.mkdir()
    for years, wanted in ((0, set()), (5, {"11" * 32, "10" * 32}), (9, set())):
        rules = Rules(Keep(archive_years=years), datetime(2026, 5, 1, tzinfo=UTC))
        found = find_removable(ledger.read, folders, rules)
        assert {item.sha256 for item in found.items} == wanted
    ledger.close()


def test_unreadable_answers_and_set_aside_files_go_in_the_end(swept: Path) -> None:
    """What nobody can use goes after its days; a person's own files in held/ never do."""
    (swept / "decisions/somebody.json").write_text("no answer of ours")
    # Its decision never came: a kill fell between the two.
    (swept / "decisions/0a1b.photo").write_bytes(b"a photograph")
    flip(archived(swept, 1, "original"))
    assert ask_here(swept, "archive", "verify")[0] == 0
    (held,) = (swept / "held/small-rag").iterdir()
    (held / "note.txt").write_text("mine")
    ask_here(swept, "sweep")
    aside = [*(swept / "archive").glob("*/*.damaged-*"), *(swept / "decisions").iterdir()]
    assert len(aside) == 3
    one_night(swept, Later(days=300))
    assert all(path.exists() for path in aside)
    one_night(swept, Later(days=400))
    assert not any(path.exists() for path in aside)
    assert (held / "note.txt").is_file()
    holds(swept)


def test_a_dry_run_touches_nothing(swept: Path) -> None:
    """What would go is listed, with its rule; nothing goes, and the record is as it was."""
    toml = swept / "studio.toml"
    toml.write_text(toml.read_text() + "\n[keep]\ntaken_days = 1\n")
    for path in (swept / TAKEN).iterdir():
        os.utime(path, (1, 1))
    before, record = listing(swept), (swept / "ledger.sqlite3").read_bytes()
    code, text = ask_here(swept, "archive", "keep", "--dry-run")
    assert (code, text.splitlines()[-1]) == (0, "0 would go, 0.0 MB.")
    assert listing(swept) == before
    assert (swept / "ledger.sqlite3").read_bytes() == record
    with pytest.MonkeyPatch.context() as patch:
        from platemark.app import cli_archive

        class Tomorrow(datetime):
            @classmethod
            def now(cls, tz: object = None) -> "datetime":
                return datetime.now(UTC) + timedelta(days=2)

        patch.setattr(cli_archive, "datetime", Tomorrow)
        code, text = ask_here(swept, "archive", "keep", "--dry-run")
    assert code == 0
    assert "hot/small-rag/taken/000001-good.tif 000001 0.2 taken_days" in " ".join(text.split())
    assert listing(swept) == before


def stopped_at(number: int) -> Callable[..., None]:
    """An observer that stops the process at the n-th lasting operation."""
    count = 0

    def observe(moment: str, name: str, paths: tuple[Path, ...]) -> None:
        nonlocal count
        del name, paths
        if moment == "before":
            count += 1
            if count == number:
                raise Killed

    return observe


def keep_until(studio: Path, number: int) -> bool:
    """Let go by rule, stopped at the n-th lasting operation; whether it came to its end."""
    from platemark.engine import removing

    with opened(studio, Later(days=400)) as at_work:
        workshop = at_work.workshop
        durable.observe(stopped_at(number))
        try:
            rules = Rules(Keep(), workshop.clock.now())
            found = find_removable(workshop.ledger.read, workshop.folders, rules)
            for seq in removing.begin(workshop, removing.prepare(workshop, found.items)):
                removed = removing.carry_out(workshop.ledger.read, workshop.folders, seq)
                assert removed is not None
                removing.end(workshop, seq, removed)
        except Killed:
            return False
        finally:
            durable.observe(None)
    return True


@pytest.mark.parametrize(
    "step", [pytest.param(1, marks=pytest.mark.long), 19], ids=["each", "every 19th"]
)
def test_stopped_anywhere_it_is_finished_once(step: int, swept: Path, tmp_path: Path) -> None:
    """Stopped before any lasting operation, the next start ends it: the same is left, and said."""
    withdraw(swept, 2)
    wanted: dict[str, str] = {}
    for number in (10_000, *range(1, 10_000, step)):
        studio = tmp_path / f"at-{number}"
        shutil.copytree(swept, studio, symlinks=True)
        is_over = keep_until(studio, number)
        ask_here(studio, "sweep")
        one_night(studio, Later(days=401))
        left = listing(studio)
        wanted = wanted or left
        assert left == wanted, number
        with reading(studio) as reader:
            assert Keeping(reader).unfinished_removals() == []
        holds(studio)
        shutil.rmtree(studio)
        if is_over and number != 10_000:
            break
    assert not any("taken/" in name or "outgoing/" in name for name in wanted)
