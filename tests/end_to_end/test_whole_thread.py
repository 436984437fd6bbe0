"""One print-maker's whole thread, command by command, from the drop to the print two years later.

What the strips read is said by `transicc` (Debian, liblcms2-utils), LittleCMS by its own program.
"""

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from at_night import Later
from at_work import ask_here
from harness import LAB, make_studio
from recalled_studio import in_this_process, job, put, ticket
from strip_readings import by_transicc, device_values, lab_in, readings

from platemark.app.open_studio import reading
from platemark.app.service import Swept, sweep
from platemark.imaging.print_model import MATTE_ETCHING, make_printer_profile
from platemark.ledger.proof import find_faults_beside

pytestmark = [pytest.mark.tool("transicc"), pytest.mark.usefixtures("steps_here")]

TWO_YEARS = timedelta(days=731)
ASA = ("--by", "Asa", "--because", "as I unpacked it")
MIRA = ("--by", "Mira", "--because", "as I saw it by daylight")
EDITION = """
name = "Morning Cup"
total = 2
surfaces = ["small-rag"]
[[sizes]]
size = "2x3in"
[certificate]
artist = "Mira Sand"
year = "2026"
process = "Pigment print"
"""


def said(root: Path, *words: str, code: int = 0) -> str:
    """Give a command that ends like that; gives what it said."""
    ended, text = ask_here(root, *words)
    assert ended == code, text
    return text


def swept(root: Path, later: timedelta = timedelta()) -> Swept:
    """Everything that waits, at once or some time later."""
    with in_this_process():
        return sweep(root, Later(days=later.days))


def thread(root: Path, number: int) -> list[str]:
    """The kinds of what stands in a job's thread, in its order."""
    return [each["kind"] for each in job(root, number)["thread"]]


def stops(root: Path, number: int) -> dict[str, str]:
    """Why a job waits, by code."""
    found = job(root, number)["findings"]
    return {each["code"]: each["message"] for each in found if each["severity"] == "stop"}


def print_of(root: Path, number: int) -> bytes:
    """The print file that the lab got for a job."""
    (file,) = (root / "at-the-lab").glob(f"*/data/{number:06d}*")
    return file.read_bytes()


def test_the_whole_thread(tmp_path: Path, profile: bytes) -> None:
    """Test, approval with an adjustment, numbered final, return, drift, and the same again."""
    root = tmp_path / "studio"
    make_studio(root, profile)
    (root / "editions").mkdir()
    (root / "editions/morning-cup.toml").write_text(EDITION)

    # A test is ordered, with a strip; its three prints go in one parcel.
    put(root, "cup.tif", "coffee", purpose="test", strip="patches", edition="morning-cup")
    assert swept(root).held == 0
    parts = [ticket["test"]["part"] for ticket in tickets(root, 1)]
    assert parts == ["half", "crops", "steps"]
    # The half is too narrow for a strip, so the crops have it.
    assert read_strip(root, 2, tmp_path, drift=0) == 0

    # Approved with an adjustment, once; the assistant may not.
    words = ("approve", "2", "--adjust", "lightness 50:54")
    assert "for the photographer" in said(root, *words, *ASA, code=1)
    said(root, *words, *MIRA)
    said(root, *words, *MIRA, code=1)

    # The final is number 1 of 2 and is as approved, and so is number 2; then there are no more.
    for name, order in (("cup-a.tif", "Alder"), ("cup-b.tif", "Birch"), ("cup-c.tif", "Cedar")):
        put(root, name, "coffee", strip="patches", edition="morning-cup", order=order)
    assert swept(root).held == 1
    first, third = 4, 6
    (told,) = [each for each in tickets(root, 2) if each["job"] == first]
    assert (told["edition"]["id"], told["edition"]["of"], told["edition"]["numbers"]) == (
        "morning-cup", 2, [1],
    )  # fmt: skip
    assert [(each["kind"], each["job"]) for each in told["thread"]] == [("approved-test", 1)]
    assert set(stops(root, third)) == {"edition-exceeded"}
    adjusted = [each for each in told["changes"] if each["code"] == "adjusted"]
    assert "L* 50 to 54" in adjusted[0]["text"]
    pdf = tmp_path / "certificate.pdf"
    said(root, "editions", "certificate", "morning-cup", "1", "--to", str(pdf))
    assert pdf.read_bytes().startswith(b"%PDF")

    # It comes back spoilt: destroyed, made again under the same number, from the archived file.
    said(root, "return", str(first), "--failed", "--defect", "a dent", "--size", "2x3in", *ASA)
    said(root, "editions", "destroyed", "morning-cup", "1", *MIRA)
    said(root, "reprint", str(first), "--reason", "damaged", "--replaces", "1", *MIRA)
    assert swept(root).held == 0
    remade = 7
    assert print_of(root, remade) == print_of(root, first)
    said(root, "return", str(remade), "--passed", *ASA)

    # Its strip has drifted: the surface's finals wait until someone decides.
    assert read_strip(root, remade, tmp_path, drift=9) == 3
    put(root, "other.tif", "chelsea")
    assert swept(root).held == 1
    other = 8
    assert set(stops(root, other)) == {"strip-drift"}
    said(root, "strip", "settle", "--lab", LAB, "--surface", "small-rag", *MIRA)
    assert swept(root).held == 0
    assert job(root, other)["state"] == "delivered"

    # Two years on nothing has changed: the very bytes. Then the lab has another profile.
    said(root, "reprint", str(other), "--order", "Hazel", *MIRA)
    assert swept(root, TWO_YEARS).held == 0
    again = 9
    assert print_of(root, again) == print_of(root, other)
    new = tmp_path / "new.icc"
    new.write_bytes(make_printer_profile(MATTE_ETCHING))
    said(root, "profiles", "add", str(new), "--lab", LAB, "--surface", "small-rag", *MIRA)
    said(root, "reprint", str(other), "--order", "Juniper", *MIRA)
    assert swept(root, TWO_YEARS).held == 1
    changed = 10
    found = stops(root, changed)
    assert set(found) == {"reprint-differs"}
    assert "ΔE00" in found["reprint-differs"]
    said(root, "decide", str(changed), "--accept", "reprint-differs", *MIRA)
    assert swept(root, TWO_YEARS).held == 0
    assert print_of(root, changed) != print_of(root, other)

    kinds = thread(root, first)
    wanted = ["picture", "test", "approved", "final", "returned", "remake"]
    assert [kind for kind in dict.fromkeys(kinds) if kind in wanted] == wanted, kinds
    morning = said(root, "morning")
    assert "- Mira approved a test: 000001 cup.tif" in morning
    assert "- Asa said how a print came back: 000004 cup-a.tif" in morning
    assert "- Mira called a number destroyed: 1 of morning-cup." in morning
    assert f"- Mira decided about a drift of {LAB} for small-rag." in morning
    said(root, "ledger", "verify", "--files")
    with reading(root) as reader:
        assert list(find_faults_beside(reader)) == []


def tickets(root: Path, parcel: int) -> list[dict[str, Any]]:
    """What a parcel tells the lab of its jobs."""
    folder = root / "outgoing" / LAB / f"{LAB}-{parcel:06d}"
    return list(ticket(folder)["tickets"])


def read_strip(root: Path, number: int, scratch: Path, *, drift: float) -> int:
    """Measure a job's strip and hand that in, by so much lighter in the blacks; the exit code."""
    values, icc = device_values(root, number)
    lab = lab_in(by_transicc(values, icc, scratch / "by"))
    lighter = [[light + drift * (1 - light / 100), a, b] for light, a, b in lab]
    file = scratch / f"strip-{number}.txt"
    file.write_text(readings(lighter))
    words = ("strip", "read", str(file), "--job", str(number), "--json", *ASA)
    code, text = ask_here(root, *words)
    assert json.loads(text)["verdict"] == ("beyond" if drift else "within"), text
    return code
