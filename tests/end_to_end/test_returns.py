"""Prints that come back, what labs say of them, and the thread that all of it stands in."""

import io
import json
import shlex
import sys
import uuid
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import skimage.data
from at_work import ask_here
from PIL import Image
from recalled_studio import job, swept, ticket

from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.engine import digest_waits, month
from platemark.ledger.proof import find_faults_beside
from platemark.model.decision import LabAnswerDecision, ReturnDecision
from platemark.settings.load import load_settings

sys.path.insert(0, str(Path(__file__).parents[1] / "page"))

pytestmark = pytest.mark.usefixtures("steps_here")

BY = ("--by", "Asa", "--because", "unpacked this morning")


def said(root: Path, *words: str, code: int = 0) -> str:
    """Give a command that ends like that; gives what it said."""
    ended, text = ask_here(root, *words)
    assert ended == code, text
    return text


def photograph_of_a_defect() -> bytes:
    """A photograph as a telephone makes one."""
    made = io.BytesIO()
    Image.fromarray(skimage.data.coffee()).save(made, "JPEG", quality=90)
    return made.getvalue()


def to_do(root: Path) -> list[str]:
    """What the morning's digest would ask for."""
    with reading(root) as reader:
        lines = digest_waits.to_do(reader, load_settings(root), (), 0, ())
        return [f"{line.text} {line.next}" for line in lines]


def table(root: Path) -> dict[int, month.MonthLine]:
    """This month's table, by job."""
    now = datetime.now(UTC)
    with reading(root) as reader:
        report = month.report_month(reader, load_settings(root), f"{now:%Y-%m}", now)
    return {line.job: line for line in report.lines}


def test_a_print_that_failed_is_made_again(delivered: Path, tmp_path: Path) -> None:
    """From the lab's word to the remake: each step is on record, told, and in the thread."""
    assert "Brindlewick has taken job 000001. Lot R-2218." in said(
        delivered, "lab-answer", "1", "--says", "accepted", "--lot", "R-2218", *BY
    )
    said(delivered, "lab-answer", "2", "--says", "question", *BY)
    assert any("Brindlewick asks something about job 000002" in line for line in to_do(delivered))
    said(delivered, "lab-answer", "2", "--says", "made", *BY)
    assert not any("asks something" in line for line in to_do(delivered))

    assert "The print of job 000002 passed." in said(
        delivered, "return", "2", "--passed", "--size", "2x3in", "--surface-seen", "rag", *BY
    )
    photo = tmp_path / "corner.jpg"
    photo.write_bytes(photograph_of_a_defect())
    told = said(
        delivered, "return", "1", "--failed", "--size", "54x76mm", "--defect", "corner crushed",
        "--defect", "a hair under the coating", "--photo", str(photo), *BY,
    )  # fmt: skip
    assert "The print of job 000001 failed with 2 defects. It measures 54x76mm" in told
    assert "and was ordered as 2x3in: +3.2 mm in width, −0.2 mm in height." in told
    assert any("The print of job 000001 failed" in line for line in to_do(delivered))
    said(delivered, "retrieve", "1", "--to", str(tmp_path / "out"))
    assert (tmp_path / "out/000001-returned-1.jpg").read_bytes() == photo.read_bytes()

    command = shlex.split(told.partition("`platemark ")[2].partition("`")[0])
    assert command[:2] == ["reprint", "1"]
    assert "000005 is ordered: one print of job 000001 again (the lab’s fault)" in said(
        delivered, *command[:-1], "the corner was crushed"
    )
    assert not any("The print of job 000001 failed" in line for line in to_do(delivered))
    assert swept(delivered).held == 0
    line = table(delivered)[5]
    assert (line.replaces, line.reason) == (1, "the lab’s fault: the corner was crushed")
    assert table(delivered)[1].replaces is None

    thread = job(delivered, 5)["thread"]
    assert thread == job(delivered, 1)["thread"]
    assert [(step["kind"], step["job"]) for step in thread] == [
        ("picture", 1), ("final", 1), ("lab-answered", 1), ("returned", 1), ("remake", 5),
    ]  # fmt: skip
    assert (
        "failed; corner crushed; a hair under the coating; measured 54x76mm" in thread[3]["words"]
    )
    assert thread[3]["by"] == "Asa"
    assert "of job 000001 (the lab’s fault)" in thread[4]["words"]
    assert "the archived file of job 000001" in thread[4]["words"]
    shown = said(delivered, "job", "5")
    assert "The thread:" in shown
    assert "> " in shown
    assert "The thread:" not in said(delivered, "job", "3")

    (print_file,) = (delivered / "at-the-lab").glob("*/data/000005*")
    parcel = print_file.parents[1]
    (earlier,) = ticket(parcel)["tickets"][0]["thread"]
    today = datetime.now(UTC).date()
    assert earlier["kind"] == "remake"
    assert (earlier["job"], earlier["parcel"]) == (1, "brindlewick-000001")
    assert abs((datetime.fromisoformat(earlier["on"]).date() - today).days) <= 1
    assert earlier["same_file"] is True
    page = (parcel / "ticket.html").read_text()
    assert "In place of" in page
    assert "job 000001 in parcel brindlewick-000001" in page
    for told in ("Asa", "crushed", "hair", "lab-fault"):
        assert told not in page
        assert told not in (parcel / "ticket.json").read_text()
    with reading(delivered) as reader:
        assert list(find_faults_beside(reader)) == []
        # What people wrote can be erased: it stands beside the chain.
        (returned,) = reader.entries(job=1, kind="returned")
        assert "crushed" not in json.dumps(returned.body)

    from at_page import shown as page_of

    with page_of(delivered) as site:
        status, _, text = site.get("/job/1")
    assert status == 200
    assert "The thread" in text
    assert '<a href="/job/5">000005</a>' in text
    assert "corner crushed" in text


def test_what_is_not_recorded(delivered: Path, tmp_path: Path) -> None:
    """What is no photograph, no reason, no sent job, contradicts itself or is stale: refused."""
    text = tmp_path / "notes.jpg"
    text.write_text("the corner is crushed")
    cases: list[tuple[str, tuple[str, ...]]] = [
        ("is no picture that can be opened", ("return", "1", "--failed", "--photo", str(text))),
        ("a print that passed has no defects", ("return", "1", "--passed", "--defect", "a hair")),
        ("cannot be recorded", ("return", "1", "--failed", "--defect", "a\x1b[31mhair")),
        ("Write the size like 16x20in", ("return", "1", "--failed", "--size", "large")),
        ("cannot be recorded", ("lab-answer", "1", "--says", "made", "--lot", "L" * 501)),
        ("There is no job 000044", ("return", "44", "--passed")),
    ]
    for why, words in cases:
        ended, told = ask_here(delivered, *words, *BY)
        assert ended != 0
        assert why in told.replace("\n", " ")
    said(delivered, "reprint", "2", *BY)
    assert "no lab has it, so none can have made it" in said(
        delivered, "return", "5", "--passed", *BY, code=1
    )
    answer = LabAnswerDecision(
        str(uuid.uuid4()), "lab-answer", 1, 3, "made", "", "Asa", "told by telephone"
    )
    seen = ReturnDecision(
        str(uuid.uuid4()), "return", 1, 0, True, "", "", (), "ab" * 32, "Asa", "unpacked"
    )
    outcomes: list[Any] = hand_in(delivered, [answer, seen])[1]
    assert [outcome.applied for outcome in outcomes] == [False, False]
    assert all("has moved on since you looked at it" in each.sentence for each in outcomes)
    current = job(delivered, 1)["history"][-1]["seq"]
    lost = ReturnDecision(
        str(uuid.uuid4()), "return", 1, current, True, "", "", (), "ab" * 32, "Asa", "unpacked"
    )
    (outcome,) = hand_in(delivered, [lost])[1]
    assert "The photograph cannot be read" in outcome.sentence
    assert not [step for step in job(delivered, 1)["history"] if step["kind"] == "returned"]
    assert json.dumps(job(delivered, 1)["thread"])
