"""The real command on real folders: dropped from outside, killed midway, extended by files."""

import base64
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import bagit
import pytest
import tifffile
from at_work import ask, jobs, states, wait_for
from harness import LAB, LAB_FILE, SURFACE, picture

from loaded import Loaded
from platemark import durable
from platemark.imaging.icc import build_matrix_profile


def test_sweep_takes_everything_and_says_what_is_held(studio: Path) -> None:
    """A sweep delivers what is good, holds what is not, and its exit code says so."""
    code, text = ask(studio, "sweep")
    assert code == 3
    assert "Took 2; held 1" in text
    assert states(jobs(studio)) == {"good.tif": "delivered", "untagged.tif": "held"}
    held = jobs(studio)[1]
    assert [(finding["code"], finding["severity"]) for finding in held["findings"]] == [
        ("colour-untagged", "stop"), ("picture-small", "caution"),
    ]  # fmt: skip
    assert "untagged.tif has no colour profile" in (studio / "hot/WAITING.txt").read_text()
    bagit.Bag(str(studio / "outgoing" / LAB / f"{LAB}-000001")).validate()
    ticket = studio / "outgoing" / LAB / f"{LAB}-000001" / "ticket.json"
    (told,) = json.loads(ticket.read_bytes())["tickets"]
    preview = ticket.parent / told["proof"]["path"]
    assert durable.hash_file(preview) == told["proof"]["sha256"]
    assert "Key" in {each["label"] for each in told["suitability"]}
    assert base64.b64encode(preview.read_bytes()).decode() in (
        ticket.with_name("ticket.html").read_text("utf-8")
    )
    assert ask(studio, "ledger", "verify", "--against", str(ticket))[0] == 0
    assert ask(studio, "sweep")[0] == 0


def test_answers_by_command_and_by_sheet(swept: Path) -> None:
    """An assistant may not accept a photographer's finding; a photographer's sheet is read."""
    for by, refusal in (
        ("Nobody", "not one of the studio's people"),
        ("Asa", "for the photographer to accept, not for Asa"),
    ):
        code, text = ask(
            swept, "decide", "2", "--accept", "colour-untagged", "--by", by, "--because", "mine"
        )
        assert code == 1
        assert refusal in text
    code, text = ask(
        swept, "decide", "2", "--set", "allow=colour-untagged", "--by", "Asa", "--because", "mine"
    )
    assert (code, "allow is no answer" in text) == (1, True)
    (folder,) = (swept / "held/small-rag").iterdir()
    sheet = folder / "ANSWER.txt"
    text = sheet.read_text()
    assert "[ ] accept colour-untagged" in text
    text = text.replace("[ ] accept colour-untagged", "[x] accept colour-untagged")
    text = text.replace("by: ", "by: Mira", 1).replace("because: ", "because: scanned by me", 1)
    sheet.write_text(text)
    os.utime(sheet, (time.time() - 60, time.time() - 60))
    assert ask(swept, "sweep")[0] == 0
    assert states(jobs(swept))["untagged.tif"] == "delivered"
    assert not folder.exists()


@pytest.mark.fault(19)
def test_the_same_file_again_is_held(swept: Path) -> None:
    """The same bytes with the same request in the same order are never printed twice unasked."""
    hot = swept / "hot/small-rag"
    shutil.copy(hot / "taken/000001-good.tif", hot / "2x3in/good.tif")
    shutil.copy(hot / "taken/000001-good.tif.toml", hot / "2x3in/good.tif.toml")
    assert ask(swept, "sweep")[0] == 3
    again = jobs(swept)[2]
    assert again["findings"][0]["code"] == "same-again"
    assert f"{LAB}-000001" in again["findings"][0]["message"]


@pytest.mark.fault(18)
def test_a_corrected_picture_takes_the_place_of_a_held_one(swept: Path) -> None:
    """The same name with other bytes supersedes the held job of its order, and goes through."""
    hot = swept / "hot/small-rag"
    shutil.copy(hot / "taken/000001-good.tif", hot / "2x3in/untagged.tif")
    assert ask(swept, "sweep")[0] == 0
    assert [job["state"] for job in jobs(swept)] == ["delivered", "withdrawn", "delivered"]
    assert not list((swept / "held/small-rag").iterdir())


@pytest.mark.fault(14)
def test_the_service_takes_slow_copies_and_nested_folders(
    studio: Path, started: Callable[[], Loaded]
) -> None:
    """A file that is written slowly is taken once and whole; nested folders name the order."""
    started()
    good = (studio / "hot/small-rag/2x3in/good.tif").read_bytes()
    slow = studio / "hot/small-rag/2x3in/slow.tif"
    with slow.open("wb") as file:
        for at in range(0, len(good), len(good) // 6 + 1):
            file.write(good[at : at + len(good) // 6 + 1])
            file.flush()
            time.sleep(0.4)
    wedding = studio / "hot/small-rag/Alder and Finch/evening"
    wedding.mkdir(parents=True)
    srgb = build_matrix_profile("srgb")
    tifffile.imwrite(
        wedding / "dance_2x3in.tif", picture(200, 300, 5), photometric="rgb", iccprofile=srgb
    )
    found = wait_for(
        studio,
        lambda rows: {"slow.tif", "dance_2x3in.tif"} <= {
            job["original_name"] for job in rows if job["state"] in ("rendered", "held")
        },
    )  # fmt: skip
    assert sum(job["original_name"] == "slow.tif" for job in found) == 1
    dance = next(job for job in found if job["original_name"] == "dance_2x3in.tif")
    assert dance["state"] == "rendered"
    assert dance["order"] == "Alder and Finch / evening"


@pytest.mark.fault(43)
def test_killed_in_the_middle_it_goes_on(studio: Path, started: Callable[[], Loaded]) -> None:
    """Kill -9 of the service while a picture is worked on: restarted, everything is there once."""
    process = started()
    wait_for(studio, lambda rows: len(rows) >= 1)
    process.send_signal(signal.SIGKILL)
    process.wait()
    again = started()
    wait_for(
        studio,
        lambda rows: states(rows) == {"good.tif": "rendered", "untagged.tif": "held"},
    )
    assert ask(studio, "sweep")[0] == 4
    again.send_signal(signal.SIGTERM)
    assert again.wait(timeout=60) == 0
    assert ask(studio, "sweep")[0] == 0
    assert states(jobs(studio))["good.tif"] == "delivered"
    assert len(list((studio / "at-the-lab").iterdir())) == 1
    assert ask(studio, "ledger", "verify")[0] == 0


def test_a_lab_and_a_surface_are_toml_alone(studio: Path) -> None:
    """A third lab and another surface are added by two TOML files and a folder."""
    (studio / "surfaces/new-board.toml").write_text(SURFACE.replace("Small rag", "New board"))
    lab = LAB_FILE.replace("small-rag", "new-board").replace("Brindlewick", "Third lab")
    (studio / "labs/third.toml").write_text(lab.replace('"folder"', '"collect"').replace(
        'path = "at-the-lab"\n', ""
    ))  # fmt: skip
    hot = studio / "hot/new-board"
    hot.mkdir()
    shutil.move(studio / "hot/small-rag/2x3in/good.tif", hot / "good_2x3in.tif")
    ask(studio, "sweep")
    added = next(job for job in jobs(studio) if job["surface"] == "new-board")
    assert (added["lab"], added["parcel"]) == ("third", "third-000001")


def test_a_check_is_one_file(studio: Path, tmp_path: Path) -> None:
    """Another check is one module in checks/: found by the walk, and it holds jobs."""
    import platemark

    package = Path(platemark.__file__).parent
    copy = tmp_path / "site" / "platemark"
    shutil.copytree(package, copy, ignore=shutil.ignore_patterns("__pycache__"))
    (copy / "checks" / "title_given.py").write_text(
        "from platemark.model.asking import stop\n"
        "CODE = 'title-given'\nACCEPT = 'assistant'\n"
        "def find(known):\n"
        "    if known.name == 'good.tif':\n"
        "        yield stop(CODE, ACCEPT, 'good.tif needs a look.', 'Look at it.')\n"
    )
    program = (
        "import sys; sys.path.insert(0, sys.argv.pop(1));from platemark.app.cli import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(copy.parent), "--studio", str(studio), "sweep"],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 3, done.stderr
    codes = [finding["code"] for job in jobs(studio) for finding in job["findings"]]
    assert "title-given" in codes


def test_a_profile_that_arrives_lets_its_jobs_go_on(studio: Path, profile: bytes) -> None:
    """What waited only for the lab's profile goes on by itself once the file is in its place."""
    (studio / "profiles/rag.icc").unlink()
    (studio / "hot/small-rag/2x3in/untagged.tif").unlink()
    assert ask(studio, "sweep")[0] == 3
    assert jobs(studio)[0]["findings"][0]["code"] == "profile-unusable"
    assert ask(studio, "sweep")[0] == 0
    assert states(jobs(studio)) == {"good.tif": "held"}
    (studio / "profiles/rag.icc").write_bytes(profile)
    assert ask(studio, "sweep")[0] == 0
    assert states(jobs(studio)) == {"good.tif": "delivered"}


def test_an_unreadable_wish_can_be_left_out(studio: Path) -> None:
    """A misspelt key holds its picture; an answer gives the right one and leaves the other out."""
    (studio / "hot/small-rag/2x3in/untagged.tif").unlink()
    (studio / "hot/small-rag/2x3in/good.tif.toml").write_text('copys = 2\norder = "Alder"\n')
    assert ask(studio, "sweep")[0] == 3
    assert "copies may be meant" in jobs(studio)[0]["findings"][0]["message"]
    answer = [
        "--set",
        "copies=2",
        "--accept",
        "request-unclear",
        "--by",
        "Mira",
        "--because",
        "typo",
    ]
    ask(studio, "decide", "1", *answer)
    assert ask(studio, "sweep")[0] == 0
    assert [(job["state"], job["copies"]) for job in jobs(studio)] == [("delivered", 2)]
