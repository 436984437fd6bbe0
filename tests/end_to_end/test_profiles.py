"""The labs' profiles through the real command: listed, tried, added, retired, drawn, dated."""

import hashlib
import json
import shutil
import struct
import threading
import time
import zlib
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import tifffile
from at_work import ask_here as ask
from at_work import jobs, states, wait_for
from harness import LAB, picture

from loaded import Loaded
from platemark.app.open_studio import open_studio
from platemark.app.service import sweep
from platemark.engine import decide
from platemark.engine.clock import SystemClock
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import BARYTA, CANVAS, make_printer_profile
from platemark.ledger.read import Reader, connect_reader
from platemark.model.decision import ProfileDecision

pytestmark = pytest.mark.usefixtures("steps_here")

FOR = ("--lab", LAB, "--surface", "small-rag")
MIRA = ("--by", "Mira", "--because", "the lab's mail of today")


class LaterClock(SystemClock):
    """A clock some days ahead, on which whatever must rest has rested."""

    def __init__(self, days: int) -> None:
        self._ahead = timedelta(days=days)

    def now(self) -> datetime:
        """The moment, some days ahead."""
        return super().now() + self._ahead

    def monotonic(self) -> float:
        """Seconds that pass a thousand times as fast."""
        return super().monotonic() * 1000


@pytest.fixture(scope="session")
def baryta() -> bytes:
    return make_printer_profile(BARYTA)


@pytest.fixture(scope="session")
def canvas() -> bytes:
    return make_printer_profile(CANVAS)


@pytest.fixture
def one(studio: Path) -> Path:
    """A studio with one good picture dropped."""
    (studio / "hot/small-rag/2x3in/untagged.tif").unlink()
    return studio


@pytest.fixture
def new(tmp_path: Path, baryta: bytes) -> Path:
    """A file that the lab sent."""
    path = tmp_path / "from the lab.icc"
    path.write_bytes(baryta)
    return path


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def drop(studio: Path, name: str, seed: int) -> None:
    """Drop another good picture."""
    srgb = build_matrix_profile("srgb")
    hot = studio / "hot/small-rag/2x3in"
    tifffile.imwrite(hot / name, picture(200, 300, seed), photometric="rgb", iccprofile=srgb)


def listed(studio: Path, *words: str) -> list[dict[str, Any]]:
    code, text = ask(studio, "profiles", *words, "--json")
    assert code == 0
    found: list[dict[str, Any]] = json.loads(text)
    return found


def entries(studio: Path, kind: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(
        ask(studio, "ledger", "show", "--kind", kind, "--json")[1]
    )
    return found


def used(studio: Path) -> dict[str, str]:
    """The profile that each picture was printed with, by the job's own plan."""
    connection = connect_reader(studio / "ledger.sqlite3")
    try:
        read = Reader(connection)
        return {
            row.original_name: read.body(row.examined_seq)["plan"]["output_profile_sha256"]
            for row in read.jobs()
        }
    finally:
        connection.close()


def finding(studio: Path, name: str) -> dict[str, str]:
    """What is found of a job's profile; the small picture itself carries a caution."""
    (job,) = [job for job in jobs(studio) if job["original_name"] == name]
    (found,) = [each for each in job["findings"] if each["code"].startswith("profile-")]
    return dict(found)


# --- listed ---------------------------------------------------------------------------------


def test_the_listing_tells_who_since_when_and_until_when(one: Path, profile: bytes) -> None:
    """What the service registered at first use, and our own months after that."""
    ask(one, "sweep")
    (item,) = listed(one)
    assert [item] == listed(one, "list")
    assert (item["lab"], item["surface"], item["file"]) == (LAB, "small-rag", "rag.icc")
    assert (item["state"], item["by"], item["in_place"]) == ("admitted", "service", True)
    assert (item["sha256"], item["description"]) == (
        sha256(profile), "Invented demo printer, smooth rag",
    )  # fmt: skip
    since = date.fromisoformat(item["since"])
    assert abs((since - datetime.now(UTC).date()).days) <= 1
    old = date.fromisoformat(item["old_from"])
    assert (old.year * 12 + old.month) - (since.year * 12 + since.month) == 12
    text = ask(one, "profiles")[1]
    for word in ("registered", "service", item["old_from"], item["sha256"][:16]):
        assert word in text


# --- tried ----------------------------------------------------------------------------------


def test_check_says_everything_and_writes_nothing(one: Path, new: Path, profile: bytes) -> None:
    """Exit code 0 for a sound file, 3 with every reason for another, 2 where there is none."""
    ask(one, "sweep")
    before = {path: path.stat().st_mtime_ns for path in one.rglob("*") if path.is_file()}
    code, text = ask(one, "profiles", "check", str(new), "--surface", "small-rag")
    assert code == 0
    assert "It can be used with the relative intent: darkest print L* 4.2" in text
    assert f"registered as rag.icc of Brindlewick for small-rag: {sha256(profile)[:16]}" in text
    new.write_bytes(profile)
    assert "It is the one that is registered" in ask(
        one, "profiles", "check", str(new), "--surface", "small-rag"
    )[1]  # fmt: skip
    new.write_bytes(profile[: len(profile) // 2])
    code, text = ask(one, "profiles", "check", str(new))
    assert (code, "is cut short" in text) == (3, True)
    code, text = ask(one, "profiles", "check", str(new), "--json")
    said = json.loads(text)
    assert (code, said["accepted"], len(said["reasons"])) == (3, False, 1)
    assert ask(one, "profiles", "check", str(one / "nothing.icc"))[0] == 2
    assert ask(one, "profiles", "check", str(new), "--surface", "nowhere")[0] == 2
    assert before == {path: path.stat().st_mtime_ns for path in one.rglob("*") if path.is_file()}


def test_the_intent_that_will_be_used_must_be_there(one: Path, new: Path, baryta: bytes) -> None:
    """A profile without a perceptual table is refused for a surface that is printed with it."""
    new.write_bytes(baryta.replace(b"B2A0", b"zzz0", 1))
    assert ask(one, "profiles", "check", str(new), "--surface", "small-rag")[0] == 0
    surface = one / "surfaces/small-rag.toml"
    surface.write_text(surface.read_text().replace('"relative"', '"perceptual"'))
    code, text = ask(one, "profiles", "check", str(new), "--surface", "small-rag")
    assert (code, "no table B2A0" in text) == (3, True)
    shutil.copy(new, one / "profiles/rag.icc")
    assert ask(one, "sweep")[0] == 3
    assert finding(one, "good.tif")["code"] == "profile-unusable"


# --- added ----------------------------------------------------------------------------------


def test_a_profile_is_added_at_once_where_no_service_runs(
    one: Path, new: Path, baryta: bytes, profile: bytes
) -> None:
    """It lies under the product's name, is registered by the person, and the next job uses it."""
    ask(one, "sweep")
    code, text = ask(one, "profiles", "add", str(new), *FOR, *MIRA)
    assert code == 0, text
    assert f"rag.icc ({sha256(baryta)[:8]}, “Invented demo printer, baryta”) is registered" in text
    assert f"It takes the place of {sha256(profile)[:8]}, which is retired." in text
    assert (one / "profiles/rag.icc").read_bytes() == baryta
    assert sorted(path.name for path in (one / "profiles").iterdir()) == ["rag.icc"]
    assert list((one / "decisions").iterdir()) == []
    by = {item["sha256"]: item for item in listed(one)}
    assert by[sha256(baryta)]["state"] == "admitted"
    assert by[sha256(baryta)]["by"] == "Mira"
    assert by[sha256(baryta)]["because"] == "the lab's mail of today"
    assert (by[sha256(profile)]["state"], by[sha256(profile)]["by"]) == ("retired", "Mira")
    drop(one, "next.tif", 5)
    assert ask(one, "sweep")[0] == 0
    assert used(one) == {"good.tif": sha256(profile), "next.tif": sha256(baryta)}
    assert ask(one, "ledger", "verify", "--files")[0] == 0


def test_a_profile_is_added_before_anything_else_was_done(one: Path, new: Path) -> None:
    """In a studio without a record, where the file was not there either."""
    (one / "profiles/rag.icc").unlink()
    assert ask(one, "profiles", "add", str(new), *FOR, *MIRA)[0] == 0
    assert ask(one, "sweep")[0] == 0
    assert [item["by"] for item in listed(one)] == ["Mira"]


def test_the_service_takes_an_added_profile_and_held_jobs_go_on(
    one: Path, new: Path, baryta: bytes, started: Callable[[], Loaded]
) -> None:
    """A picture that was held because nothing was there goes on once the profile is added."""
    (one / "profiles/rag.icc").unlink()
    started()
    wait_for(one, lambda rows: states(rows) == {"good.tif": "held"})
    code, text = ask(one, "profiles", "add", str(new), *FOR, *MIRA)
    assert code == 0, text
    assert "is registered for small-rag of Brindlewick." in text
    wait_for(one, lambda rows: states(rows) == {"good.tif": "rendered"})
    assert used(one) == {"good.tif": sha256(baryta)}
    assert list((one / "decisions").iterdir()) == []
    code, text = ask(one, "profiles", "retire", *FOR, *MIRA)
    assert (code, "Its jobs are held until another is added." in text) == (0, True)


def test_an_unregistered_file_in_the_way_is_kept(
    one: Path, new: Path, baryta: bytes, canvas: bytes
) -> None:
    """What somebody put there by hand is not lost, and is said to have been there."""
    ask(one, "sweep")
    (one / "profiles/rag.icc").write_bytes(canvas)
    kept = sha256(canvas)
    code, text = ask(one, "profiles", "add", str(new), *FOR, *MIRA)
    assert code == 0
    assert f"it is kept as archive/{kept[:2]}/{kept}.icc" in text
    assert (one / "archive" / kept[:2] / f"{kept}.icc").read_bytes() == canvas
    assert (one / "profiles/rag.icc").read_bytes() == baryta
    (entry,) = [each for each in entries(one, "profile-admitted") if each["actor"] == "Mira"]
    assert entry["body"]["kept_unregistered"] == kept


def test_something_that_is_no_file_in_the_way_is_left_alone(one: Path, new: Path) -> None:
    """A folder of that name is not touched; nothing is registered."""
    (one / "profiles/rag.icc").unlink()
    (one / "profiles/rag.icc").mkdir()
    code, text = ask(one, "profiles", "add", str(new), *FOR, *MIRA)
    assert (code, "is in the way and is no profile" in text) == (1, True)
    assert (one / "profiles/rag.icc").is_dir()
    assert ask(one, "profiles")[1].strip() == "No profile was needed yet."


def test_a_damaged_profile_is_not_added(one: Path, new: Path, profile: bytes) -> None:
    """It is refused with the reason; the old one stays in its place and registered."""
    ask(one, "sweep")
    new.write_bytes(profile.replace(b"B2A1", b"zzzz", 1))
    code, text = ask(one, "profiles", "add", str(new), *FOR, *MIRA)
    assert code == 1
    assert "The profile has no table B2A1" in text
    assert "Nothing was changed." in text
    assert (one / "profiles/rag.icc").read_bytes() == profile
    assert [item["state"] for item in listed(one)] == ["admitted"]
    assert entries(one, "decision-refused")[0]["body"]["surface"] == "small-rag"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ((*FOR, "--by", "Asa", "--because", "new"), 1, "for the photographer to add or retire"),
        ((*FOR, "--by", "Nobody", "--because", "new"), 1, "not one of the studio's people"),
        ((*FOR, "--by", "Mira", "--because", "…"), 2, "says no reason"),
        (("--lab", "elsewhere", "--surface", "small-rag", *MIRA), 2, "There are: brindlewick."),
        (("--lab", LAB, "--surface", "glass", *MIRA), 2, "It prints on: small-rag."),
    ],
)
def test_who_may_not_and_what_is_not(
    one: Path, new: Path, profile: bytes, words: tuple[str, ...], code: int, said: str
) -> None:
    """Only a photographer adds a profile, with a reason, for a product that there is."""
    got, text = ask(one, "profiles", "add", str(new), *words)
    assert (got, said in text) == (code, True), text
    assert (one / "profiles/rag.icc").read_bytes() == profile


def test_the_same_profile_added_again_is_young_again(one: Path, profile: bytes) -> None:
    """Adding the registered file once more is the photographer's word that it still is current."""
    ask(one, "sweep")
    code, text = ask(one, "profiles", "add", str(one / "profiles/rag.icc"), *FOR, *MIRA)
    assert (code, "takes the place" in text) == (0, False)
    (item,) = listed(one)
    assert (item["by"], item["sha256"]) == ("Mira", sha256(profile))


def test_a_date_that_has_passed_is_told_with_the_new_profile(one: Path, new: Path) -> None:
    """The lab's date stands in the lab's file, which only people write; another user is named."""
    lab = one / "labs" / f"{LAB}.toml"
    text = lab.read_text().replace('file = "rag.icc"', 'file = "rag.icc"\nvalid_until = 2020-01-31')
    lab.write_text(text)
    shutil.copy(one / "surfaces/small-rag.toml", one / "surfaces/other-rag.toml")
    (one / "hot/other-rag").mkdir()
    other = text.replace("small-rag", "other-rag").replace("Brindlewick", "Third")
    (one / "labs/third.toml").write_text(other.replace('"folder"', '"collect"').replace(
        'path = "at-the-lab"\n', ""
    ))  # fmt: skip
    code, text = ask(one, "profiles", "add", str(new), *FOR, *MIRA)
    assert code == 0
    assert "still says that the profile was valid until 2020-01-31" in text
    assert "The same file is named for other-rag of Third" in text


# --- once, and not when stale ---------------------------------------------------------------


def decision(baryta: bytes, **changes: Any) -> ProfileDecision:
    values: dict[str, Any] = {
        "id": "d1", "kind": "profile-add", "lab": LAB, "surface": "small-rag", "expected_seq": 0,
        "expected_file": "", "sha256": sha256(baryta), "by": "Mira", "because": "the lab's mail",
        **changes,
    }  # fmt: skip
    return ProfileDecision(**values)


def hand_over(studio: Path, decided: ProfileDecision, data: bytes) -> None:
    """Leave a decision for the service, as the command does."""
    folder = studio / "decisions"
    (folder / f"{decided.id}.icc").write_bytes(data)
    decide.write_decision(folder, decided, folder / f".{decided.id}.tmp")


def test_a_decision_is_applied_once_by_its_id(one: Path, baryta: bytes, profile: bytes) -> None:
    """The same file found again in decisions/ changes nothing, whatever happened meanwhile."""
    ask(one, "sweep")
    (item,) = listed(one)
    seq = entries(one, "profile-admitted")[0]["seq"]
    decided = decision(baryta, expected_seq=seq, expected_file=item["sha256"])
    for _ in range(2):
        hand_over(one, decided, baryta)
        ask(one, "sweep")
        assert list((one / "decisions").iterdir()) == []
        assert len(entries(one, "profile-admitted")) == 2
    (one / "profiles/rag.icc").write_bytes(profile)
    hand_over(one, decided, baryta)
    ask(one, "sweep")
    assert (one / "profiles/rag.icc").read_bytes() == profile


@pytest.mark.parametrize("half", ["file in place", "nothing yet"])
def test_a_decision_cut_off_half_way_is_finished(one: Path, baryta: bytes, half: str) -> None:
    """Where the machine stopped between the file and its entry, the next start goes on."""
    ask(one, "sweep")
    seq = entries(one, "profile-admitted")[0]["seq"]
    before = sha256((one / "profiles/rag.icc").read_bytes())
    hand_over(one, decision(baryta, expected_seq=seq, expected_file=before), baryta)
    (one / "profiles/.d1.tmp").write_bytes(b"half")
    if half == "file in place":
        (one / "profiles/.d1.tmp").unlink()
        (one / "profiles/rag.icc").write_bytes(baryta)
    ask(one, "sweep")
    assert {item["sha256"]: item["by"] for item in listed(one)}[sha256(baryta)] == "Mira"
    assert (one / "profiles/rag.icc").read_bytes() == baryta
    assert sorted(path.name for path in (one / "profiles").iterdir()) == ["rag.icc"]


def test_a_stale_decision_is_refused_with_what_changed(
    one: Path, baryta: bytes, canvas: bytes, tmp_path: Path
) -> None:
    """Another registration, or another file in the place, since the person looked."""
    ask(one, "sweep")
    seq = entries(one, "profile-admitted")[0]["seq"]
    before = sha256((one / "profiles/rag.icc").read_bytes())
    other = tmp_path / "other.icc"
    other.write_bytes(canvas)
    assert ask(one, "profiles", "add", str(other), *FOR, *MIRA)[0] == 0
    hand_over(one, decision(baryta, expected_seq=seq, expected_file=before), baryta)
    ask(one, "sweep")
    said = entries(one, "decision-refused")[-1]["body"]["sentence"]
    assert f"has moved on since: {sha256(canvas)[:8]} was registered by Mira" in said
    seq = entries(one, "profile-admitted")[-1]["seq"]
    hand_over(one, decision(baryta, id="d2", expected_seq=seq, expected_file=before), baryta)
    ask(one, "sweep")
    said = entries(one, "decision-refused")[-1]["body"]["sentence"]
    assert f"was changed since you looked: it is {sha256(canvas)[:8]} now" in said
    assert (one / "profiles/rag.icc").read_bytes() == canvas


def test_bytes_that_are_not_those_decided_about_are_refused(
    one: Path, baryta: bytes, canvas: bytes, profile: bytes
) -> None:
    """A file exchanged, or lost, on its way through decisions/."""
    ask(one, "sweep")
    seq = entries(one, "profile-admitted")[0]["seq"]
    decided = decision(baryta, expected_seq=seq, expected_file=sha256(profile))
    hand_over(one, decided, canvas)
    ask(one, "sweep")
    assert "was changed on its way" in entries(one, "decision-refused")[-1]["body"]["sentence"]
    again = decision(baryta, id="d2", expected_seq=seq, expected_file=sha256(profile))
    hand_over(one, again, baryta)
    (one / "decisions/d2.icc").unlink()
    ask(one, "sweep")
    assert "cannot be read" in entries(one, "decision-refused")[-1]["body"]["sentence"]
    assert (one / "profiles/rag.icc").read_bytes() == profile


def test_an_id_that_is_a_path_is_no_decision(one: Path, baryta: bytes) -> None:
    """Whoever may write into decisions/ cannot name files elsewhere."""
    ask(one, "sweep")
    victim = one / "victim.icc"
    victim.write_bytes(baryta)
    plain = {
        "id": "../victim", "kind": "profile-add", "lab": LAB, "surface": "small-rag",
        "expected_seq": 0, "expected_file": "", "sha256": sha256(baryta), "by": "Mira",
        "because": "to try",
    }  # fmt: skip
    (one / "decisions/x.json").write_text(json.dumps(plain))
    ask(one, "sweep")
    assert victim.exists()
    (aside,) = (one / "decisions").iterdir()
    assert aside.suffix == ".unreadable"
    assert json.loads(aside.read_text()) == plain


# --- retired --------------------------------------------------------------------------------


def test_a_retired_product_holds_its_jobs_until_one_is_added(
    one: Path, new: Path, baryta: bytes, profile: bytes, canvas: bytes
) -> None:
    """The file in profiles/ is used no more, nor another that is only put there."""
    ask(one, "sweep")
    code, text = ask(one, "profiles", "retire", *FOR, *MIRA)
    assert (code, "Its jobs are held until another is added." in text) == (0, True)
    (item,) = listed(one)
    assert (item["state"], item["by"]) == ("retired", "Mira")
    assert "rag.icc was retired, and no other was added since" in ask(one, "doctor")[1]
    drop(one, "next.tif", 5)
    assert ask(one, "sweep")[0] == 3
    found = finding(one, "next.tif")
    assert found["code"] == "profile-unusable"
    assert "was retired by Mira on " in found["message"]
    assert "platemark profiles add" in found["next"]
    (one / "profiles/rag.icc").write_bytes(canvas)
    assert ask(one, "sweep")[0] == 0
    assert states(jobs(one))["next.tif"] == "held"
    code, text = ask(one, "decide", "2", "--accept", "profile-unusable", *MIRA)
    assert (code, "accepted by nobody" in text) == (1, True)
    taken = next((one / "hot/small-rag/taken").glob("*next.tif"))
    code, text = ask(one, "examine", str(taken), "--surface", "small-rag", "--size", "2x3in")
    assert (code, "was retired by Mira" in text) == (3, True)
    assert ask(one, "profiles", "retire", *FOR, *MIRA)[0] == 2
    assert ask(one, "profiles", "add", str(new), *FOR, *MIRA)[0] == 0
    assert ask(one, "sweep")[0] == 0
    assert states(jobs(one)) == {"good.tif": "delivered", "next.tif": "delivered"}
    assert used(one) == {"good.tif": sha256(profile), "next.tif": sha256(baryta)}


def test_what_was_rendered_with_a_retired_profile_is_not_sent(
    one: Path, new: Path, baryta: bytes, started: Callable[[], Loaded]
) -> None:
    """A job that waits for its parcel is held when its profile is retired; a new one prints it."""
    process = started()
    wait_for(one, lambda rows: states(rows) == {"good.tif": "rendered"})
    assert ask(one, "profiles", "retire", *FOR, *MIRA)[0] == 0
    process.terminate()
    process.wait(timeout=60)
    assert ask(one, "sweep")[0] == 3
    assert list((one / "at-the-lab").iterdir()) == []
    assert "was retired by Mira" in finding(one, "good.tif")["message"]
    assert ask(one, "profiles", "add", str(new), *FOR, *MIRA)[0] == 0
    assert ask(one, "sweep")[0] == 0
    assert used(one) == {"good.tif": sha256(baryta)}


# --- never changed without a decision -------------------------------------------------------


def test_a_changed_profile_is_used_only_after_a_decision(
    one: Path, baryta: bytes, profile: bytes
) -> None:
    """Held for its profile; accepted, that one is registered and the others go on by themselves."""
    ask(one, "sweep")
    (one / "profiles/rag.icc").write_bytes(baryta)
    drop(one, "second.tif", 5)
    drop(one, "third.tif", 6)
    assert ask(one, "sweep")[0] == 3
    assert finding(one, "second.tif")["code"] == "profile-changed"
    assert {item["sha256"]: item["state"] for item in listed(one)} == {
        sha256(profile): "admitted", sha256(baryta): "tried",
    }  # fmt: skip
    assert len(list((one / "at-the-lab").glob("*/data/*"))) == 1
    accept = ("--accept", "profile-changed")
    code, text = ask(one, "decide", "2", *accept, "--by", "Asa", "--because", "looks right")
    assert (code, "for the photographer to accept" in text) == (1, True)
    assert ask(one, "decide", "2", *accept, *MIRA)[0] == 0
    assert ask(one, "sweep")[0] == 0
    assert states(jobs(one)) == dict.fromkeys(("good.tif", "second.tif", "third.tif"), "delivered")
    assert used(one) == {
        "good.tif": sha256(profile), "second.tif": sha256(baryta), "third.tif": sha256(baryta),
    }  # fmt: skip
    assert {item["sha256"]: item["by"] for item in listed(one)}[sha256(baryta)] == "Mira"


def test_the_registered_file_put_back_lets_jobs_go_on(
    one: Path, baryta: bytes, profile: bytes
) -> None:
    """A file that was exchanged by mistake is put back: nobody need decide anything."""
    ask(one, "sweep")
    (one / "profiles/rag.icc").write_bytes(baryta)
    drop(one, "second.tif", 5)
    assert ask(one, "sweep")[0] == 3
    (one / "profiles/rag.icc").write_bytes(profile)
    assert ask(one, "sweep")[0] == 0
    assert used(one)["second.tif"] == sha256(profile)


def test_a_profile_that_changes_while_its_job_waits_is_asked_about(
    one: Path, baryta: bytes, started: Callable[[], Loaded]
) -> None:
    """What was rendered with the old one is not sent once another lies in its place."""
    process = started()
    wait_for(one, lambda rows: states(rows) == {"good.tif": "rendered"})
    process.terminate()
    process.wait(timeout=60)
    (one / "profiles/rag.icc").write_bytes(baryta)
    assert ask(one, "sweep")[0] == 3
    assert list((one / "at-the-lab").iterdir()) == []
    assert finding(one, "good.tif")["code"] == "profile-changed-meanwhile"
    # Its proof is kept: what was measured has not changed.
    (why,) = one.glob("held/*/good.tif--*/WHY.html")
    assert "How it would print" in why.read_text("utf-8")


# --- dates, on a clock of ours --------------------------------------------------------------


def test_the_labs_date_stops_and_ours_is_a_caution(one: Path) -> None:
    """Both through the real sweep: thirteen months on it goes through, after the lab's day not."""
    assert sweep(one, LaterClock(0)).held == 0
    drop(one, "old.tif", 5)
    assert sweep(one, LaterClock(400)).held == 0
    found = finding(one, "old.tif")
    assert (found["code"], found["severity"]) == ("profile-date", "caution")
    # 400 days are 35 more than twelve months, and calendar months are what is counted.
    assert any(f"was registered {months} months ago" in found["message"] for months in (13, 14))
    last = datetime.now(UTC).date() + timedelta(days=500)
    lab = one / "labs" / f"{LAB}.toml"
    lab.write_text(lab.read_text().replace(
        'file = "rag.icc"', f'file = "rag.icc"\nvalid_until = {last.isoformat()}'
    ))  # fmt: skip
    drop(one, "last day.tif", 6)
    drop(one, "day after.tif", 7)
    (one / "hot/small-rag/2x3in/day after.tif").rename(one / "day after.tif")
    assert sweep(one, LaterClock(498)).held == 0
    (one / "day after.tif").rename(one / "hot/small-rag/2x3in/day after.tif")
    assert sweep(one, LaterClock(502)).held == 1
    found = finding(one, "day after.tif")
    assert (found["code"], found["severity"]) == ("profile-date", "stop")
    assert f"was valid until {last.isoformat()}" in found["message"]
    assert states(jobs(one))["last day.tif"] == "delivered"


# --- drawn ----------------------------------------------------------------------------------


def test_show_draws_a_png_that_is_whole(one: Path, new: Path, tmp_path: Path) -> None:
    """The registered profile of a product, or any file; an existing drawing is never replaced."""
    ask(one, "sweep")
    target = tmp_path / "gamut.png"
    code, text = ask(one, "profiles", "show", *FOR, "--out", str(target))
    assert code == 0, text
    assert "volume       228.6 thousand cubic Lab units (sRGB 833.0, Adobe RGB 1208.8)" in text
    assert "darkest      L* 17.0, a* 0.4, b* 0.9" in text
    data = target.read_bytes()
    assert struct.unpack(">II", data[16:24]) == (2340, 1654)
    assert zlib.crc32(data[-8:-4]) == int.from_bytes(data[-4:], "big")
    code, text = ask(one, "profiles", "show", str(new), "--out", str(target))
    assert (code, "nothing was overwritten" in text) == (2, True)
    assert target.read_bytes() == data
    other = tmp_path / "other.png"
    code, text = ask(one, "profiles", "show", str(new), "--out", str(other), "--json")
    said = json.loads(text)
    assert (code, said["volume"], said["black_lab"][0]) == (0, "444.8", "4.2")
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "from the lab.icc", "gamut.png", "other.png", "studio",
    ]  # fmt: skip


def test_show_of_a_damaged_profile_says_why_not(one: Path, new: Path, tmp_path: Path) -> None:
    """Nothing is drawn of a profile that would not be admitted; the exit code is that of held."""
    new.write_bytes(build_matrix_profile("srgb"))
    code, text = ask(one, "profiles", "show", str(new), "--out", str(tmp_path / "no.png"))
    assert (code, "This is not a printer's profile" in text) == (3, True)
    assert not (tmp_path / "no.png").exists()
    assert ask(one, "profiles", "show")[0] == 2
    assert ask(one, "profiles", "show", str(new), *FOR)[0] == 2


# --- the record -----------------------------------------------------------------------------


def test_record_is_rebuilt_and_proved_with_profiles(one: Path, new: Path) -> None:
    """The tables made again from the entries are the same after adding and retiring."""
    ask(one, "sweep")
    assert ask(one, "profiles", "add", str(new), *FOR, *MIRA)[0] == 0
    assert ask(one, "profiles", "retire", *FOR, *MIRA)[0] == 0
    before = listed(one)
    assert [item["state"] for item in before] == ["retired", "retired"]
    with open_studio(one) as opened:
        opened.workshop.ledger.rebuild()
    assert listed(one) == before
    assert ask(one, "ledger", "verify", "--files")[0] == 0
    (entry,) = entries(one, "profile-retired")
    assert (entry["actor"], entry["body"]["because"]) == ("Mira", "the lab's mail of today")


def test_two_who_add_at_once_do_not_both_win_unseen(
    one: Path, new: Path, canvas: bytes, tmp_path: Path
) -> None:
    """Of two commands at the same moment each is applied after the other, or refused and told."""
    ask(one, "sweep")
    other = tmp_path / "other.icc"
    other.write_bytes(canvas)
    said: list[tuple[int, str]] = []
    both = [
        threading.Thread(
            target=lambda file=file: said.append(
                ask(one, "profiles", "add", str(file), *FOR, *MIRA)
            )
        )
        for file in (new, other)
    ]
    for each in both:
        each.start()
    for each in both:
        each.join()
    time.sleep(0.1)
    ask(one, "sweep")
    registered = [item for item in listed(one) if item["state"] == "admitted"]
    assert len(registered) == 1
    assert registered[0]["in_place"]
    assert ask(one, "ledger", "verify")[0] == 0
