"""What the commands tell whoever answers, fetches and asks: never more than what is so."""

import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import tifffile
from at_work import ask, jobs, states, wait_for
from harness import LAB, picture

from loaded import Loaded
from platemark.app.cli_record import KINDS
from platemark.imaging.icc import build_matrix_profile

ACCEPT = ("--accept", "colour-untagged", "--by", "mira (photographer)", "--because", "scanned")


def sign(sheet: Path, by: str) -> None:
    """Fill in a sheet that is as we wrote it, a minute ago."""
    text = sheet.read_text()
    text = text.replace("[ ] accept colour-untagged", "[x] accept colour-untagged")
    sheet.write_text(text.replace("by: \n", f"by: {by}\n").replace("because: \n", "because: old\n"))
    os.utime(sheet, (time.time() - 60, time.time() - 60))


def test_an_answer_without_a_service_says_what_is_next(swept: Path) -> None:
    """Nothing works on an answer until somebody sweeps, and the command says so."""
    code, text = ask(swept, "decide", "2", *ACCEPT)
    assert code == 0
    assert "Run `platemark sweep`, or start the service" in text
    code, text = ask(swept, "sweep")
    assert (code, text.splitlines()[0].startswith("Took 1; held 0")) == (0, True)
    (decided,) = [step for step in _history(swept, 2) if step["kind"] == "decided"]
    assert decided["actor"] == "Mira"


def test_an_answer_that_is_not_enough_is_still_held(
    studio: Path, started: Callable[[], Loaded]
) -> None:
    """While the service runs the command waits for what comes of the answer: held is code 3."""
    started()
    wait_for(studio, lambda rows: states(rows).get("untagged.tif") == "held")
    another_title = ("--set", "title=Weir", "--by", "Mira", "--because", "a name")
    code, text = ask(studio, "decide", "2", *another_title)
    assert code == 3
    assert "Job 000002 is still held: untagged.tif has no colour profile" in text
    folder = _held_folder(studio, "but:")
    for name in ("ANSWER.txt", "WHY.txt", "WHY.html"):
        text = " ".join((folder / name).read_text().replace("#", "").split())
        assert "was taken (title = Weir), but:" in text
    assert ask(studio, "decide", "2", *ACCEPT)[0] == 0


def test_a_sheet_that_cannot_be_used_says_why_itself(swept: Path) -> None:
    """The reason stands on the sheet, once, above what was typed; mended, the sheet is read."""
    sheet = _held_folder(swept) / "ANSWER.txt"
    sign(sheet, "Nobody")
    before = sheet.read_text()
    for _ in range(2):
        ask(swept, "sweep")
        assert sheet.read_text().startswith("#! NOT APPLIED. “Nobody” is none of the people")
        assert sheet.read_text().count("NOT APPLIED") == 1
        assert sheet.read_text().endswith(before)
        os.utime(sheet, (time.time() - 60, time.time() - 60))
    sheet.write_text(sheet.read_text().replace("by: Nobody", "by: Mira (photographer)"))
    os.utime(sheet, (time.time() - 60, time.time() - 60))
    assert ask(swept, "sweep")[0] == 0
    assert states(jobs(swept))["untagged.tif"] == "delivered"


def test_dots_are_no_reason(swept: Path) -> None:
    """The example's “…” is refused before anything is recorded."""
    code, text = ask(swept, "decide", "2", "--withdraw", "--by", "Mira", "--because", "…")
    assert code == 2
    assert "says no reason" in text


def test_a_sweep_tells_what_still_waits(swept: Path) -> None:
    """A second sweep with nothing new took nothing, and does not hide what waits."""
    code, text = ask(swept, "sweep")
    assert code == 0
    assert "Took 0; held 0" in text
    assert "One still waits for an answer; see hot/WAITING.txt." in text


def test_retrieved_files_keep_the_name_on_the_ticket(swept: Path, tmp_path: Path) -> None:
    """The print file comes back as the lab has it, and the papers are called the parcel's."""
    code, text = ask(swept, "retrieve", "1", "--to", str(tmp_path / "back"))
    assert code == 0
    parcel = swept / "outgoing" / LAB / f"{LAB}-000001"
    (printed,) = (parcel / "data").iterdir()
    names = {path.name for path in (tmp_path / "back").iterdir()}
    assert {printed.name, "000001-original.tif", f"{LAB}-000001-ticket.json"} <= names
    assert (tmp_path / "back" / printed.name).read_bytes() == printed.read_bytes()
    assert f"those of the whole parcel {LAB}-000001" in text


def test_retrieving_into_a_file_is_wrong_usage(swept: Path, tmp_path: Path) -> None:
    """A path that is a file, or lies under one, is named; nobody made a mistake but the typist."""
    taken = tmp_path / "afile"
    taken.write_text("mine")
    code, text = ask(swept, "retrieve", "1", "--to", str(taken))
    assert (code, "is not a folder; name another" in text) == (2, True)
    assert ask(swept, "retrieve", "1", "--to", str(taken / "under"))[0] == 2
    assert taken.read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--since", "yesterday"), "Write it like 2026-11-25."),
        (("--since", "2026-99-99"), "Write it like 2026-11-25."),
        (("--kind", "foo"), "The kinds are: archive-damaged, archive-mended"),
    ],
)
def test_the_record_refuses_what_it_cannot_look_for(
    swept: Path, words: tuple[str, str], said: str
) -> None:
    """A date or kind that cannot be is wrong usage, not an empty list."""
    code, text = ask(swept, "ledger", "show", *words)
    assert code == 2
    assert said in text
    code, text = ask(swept, "ledger", "show", "--kind", "set-back", "--since", "2026-01-01")
    assert (code, text.strip()) == (0, "No such entries.")
    assert {entry["kind"] for n in (1, 2) for entry in _history(swept, n)} <= set(KINDS)


def test_a_request_called_after_half_a_name_is_told_its_name(studio: Path) -> None:
    """`side4.toml` beside `side4.tif` is guessed, and said to be `side4.tif.toml`."""
    hot = studio / "hot/small-rag/2x3in"
    tifffile.imwrite(
        hot / "side4.tif", picture(200, 300, 4), photometric="rgb",
        iccprofile=build_matrix_profile("srgb"),
    )  # fmt: skip
    (hot / "side4.toml").write_text("copies = 2\n")
    ask(studio, "sweep")
    assert "rename it side4.tif.toml" in (studio / "hot/WAITING.txt").read_text()


def _held_folder(studio: Path, says: str = "") -> Path:
    """The folder of the held picture, once its sheet says that."""
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        for sheet in (studio / "held/small-rag").glob("untagged.tif--*/ANSWER.txt"):
            if says in sheet.read_text():
                return sheet.parent
        time.sleep(0.1)
    raise AssertionError("nothing is held")


def _history(studio: Path, job: int) -> list[dict[str, str]]:
    return list(json.loads(ask(studio, "job", str(job), "--json")[1])["history"])
