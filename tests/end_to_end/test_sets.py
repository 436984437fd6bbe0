"""Sets through the real service: held or sent together, and made alike."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
import tifffile
from at_work import ask, jobs, states
from harness import LAB, make_studio, picture

from platemark.imaging.icc import build_matrix_profile

pytestmark = pytest.mark.usefixtures("steps_here")

SHARPEN = """
[sharpen]
radius_mm = 0.13
amount = 1.3
threshold_l = 2
overshoot_l = 5
"""


@pytest.fixture
def studio(tmp_path: Path, profile: bytes) -> Path:
    """A studio whose lab packs each job by itself, which tears no set."""
    root = tmp_path / "studio"
    make_studio(root, profile)
    with (root / "surfaces/small-rag.toml").open("a") as surface:
        surface.write(SHARPEN)
    lab = root / "labs" / f"{LAB}.toml"
    lab.write_text(lab.read_text().replace('rule = "quiet"\nminutes = 600', 'rule = "each"'))
    return root


def drop(studio: Path, name: str, seed: int, *, tagged: bool = True, **asked: Any) -> None:
    """A panel of the set “Herons” in the order “Alder”."""
    hot = studio / "hot/small-rag/2x3in"
    icc = build_matrix_profile("srgb") if tagged else None
    tifffile.imwrite(hot / name, picture(200, 300, seed), photometric="rgb", iccprofile=icc)
    lines = {"order": "Alder", "set": "Herons", **asked}
    text = "\n".join(f"{key} = {json.dumps(value)}" for key, value in lines.items())
    (hot / f"{name}.toml").write_text(text)


def codes(studio: Path) -> dict[str, list[str]]:
    """The open stops of each held job."""
    return {
        job["original_name"]: [f["code"] for f in job["findings"] if f["severity"] == "stop"]
        for job in jobs(studio)
        if job["state"] == "held"
    }


def panels(studio: Path, parcel: str) -> list[str]:
    """The originals in a parcel."""
    ticket = json.loads((studio / "outgoing" / LAB / parcel / "ticket.json").read_text())
    return [each["original"]["name"] for each in ticket["tickets"]]


def test_a_set_waits_for_the_one_that_is_held_and_goes_with_it(studio: Path) -> None:
    """One untagged panel holds the other; its answer lets both go, in one parcel."""
    drop(studio, "left.tif", 1, set_of=2)
    drop(studio, "right.tif", 2, tagged=False, set_of=2)
    assert ask(studio, "sweep")[0] == 3
    assert codes(studio) == {"left.tif": ["set-waits"], "right.tif": ["colour-untagged"]}
    (waits,) = (f for f in jobs(studio)[0]["findings"] if f["severity"] == "stop")
    assert "right.tif (job 000002) is held" in waits["message"]
    assert not (studio / "outgoing" / LAB).exists()
    ask(
        studio, "decide", "2", "--accept", "colour-untagged", "--by", "Mira", "--because", "my scan"
    )
    assert ask(studio, "sweep")[0] == 0
    assert set(states(jobs(studio)).values()) == {"delivered"}
    assert panels(studio, f"{LAB}-000001") == ["left.tif", "right.tif"]


def test_a_set_waits_until_all_of_it_is_here(studio: Path) -> None:
    """Two of three are held; the third lets all go without an answer, together."""
    drop(studio, "left.tif", 1, set_of=3)
    drop(studio, "middle.tif", 2, set_of=3)
    assert ask(studio, "sweep")[0] == 3
    assert codes(studio) == {"left.tif": ["set-count"], "middle.tif": ["set-count"]}
    assert "2 of 3 pictures are here" in (studio / "hot/WAITING.txt").read_text()
    drop(studio, "right.tif", 3, set_of=3)
    assert ask(studio, "sweep")[0] == 0
    assert panels(studio, f"{LAB}-000001") == ["left.tif", "middle.tif", "right.tif"]
    html = (studio / "outgoing" / LAB / f"{LAB}-000001" / "ticket.html").read_text()
    assert "panel 2 of 3, print together" in html
    # One panel that is printed again belongs to what was sent, and waits for nobody.
    shutil.move(studio / "hot/small-rag/taken/000002-middle.tif", studio / "middle.tif")
    drop(studio, "middle.tif", 4, set_of=3)
    assert ask(studio, "sweep")[0] == 0
    assert panels(studio, f"{LAB}-000002") == ["middle.tif"]


def test_the_photographer_may_send_a_set_without_the_rest(studio: Path) -> None:
    """An answer for one panel is one for all of the set, and travels on its ticket."""
    drop(studio, "left.tif", 1, set_of=3)
    drop(studio, "middle.tif", 2, set_of=3)
    ask(studio, "sweep")
    code, text = ask(
        studio, "decide", "1", "--accept", "set-count", "--by", "Asa", "--because", "two will do"
    )
    assert (code, "for the photographer to accept" in text) == (1, True)
    ask(studio, "decide", "1", "--accept", "set-count", "--by", "Mira", "--because", "two will do")
    assert ask(studio, "sweep")[0] == 0
    assert panels(studio, f"{LAB}-000001") == ["left.tif", "middle.tif"]
    parcel = studio / "outgoing" / LAB / f"{LAB}-000001"
    first = json.loads((parcel / "ticket.json").read_text())["tickets"][0]
    accepted = [(f["code"], f["accepted_by"]) for f in first["findings"] if f["accepted"]]
    assert accepted == [("set-count", "photographer")]


def test_a_set_that_would_not_be_made_alike_is_held(studio: Path) -> None:
    """One panel sharpened and one not hold both; the right answer lets both go."""
    drop(studio, "left.tif", 1, sharpen="surface")
    drop(studio, "right.tif", 2)
    assert ask(studio, "sweep")[0] == 3
    assert codes(studio) == {"left.tif": ["set-differs"], "right.tif": ["set-differs"]}
    (message,) = (f["message"] for f in jobs(studio)[0]["findings"] if f["code"] == "set-differs")
    assert "sharpening: 000001 has surface, 000002 has none" in message
    ask(studio, "decide", "2", "--set", "sharpen=surface", "--by", "Mira", "--because", "both")
    assert ask(studio, "sweep")[0] == 0
    assert panels(studio, f"{LAB}-000001") == ["left.tif", "right.tif"]


def test_a_panel_that_is_withdrawn_leaves_the_set_short(studio: Path) -> None:
    """What waited for it is told that it is missing; a corrected picture makes the set whole."""
    drop(studio, "left.tif", 1, set_of=2)
    drop(studio, "right.tif", 2, tagged=False, set_of=2)
    ask(studio, "sweep")
    ask(studio, "decide", "2", "--withdraw", "--by", "Asa", "--because", "wrong file")
    assert ask(studio, "sweep")[0] == 3
    assert codes(studio) == {"left.tif": ["set-count"]}
    drop(studio, "right.tif", 3, set_of=2)
    assert ask(studio, "sweep")[0] == 0
    assert panels(studio, f"{LAB}-000001") == ["left.tif", "right.tif"]
