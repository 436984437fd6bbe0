"""From a dropped test to the final: its prints, its approval, finals held against that."""

import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest
import pyvips
from at_page import Shown, shown
from at_work import ask_here
from harness import make_studio
from test_settled import Here, SteppedClock, Studio, photograph

from platemark.app.open_studio import open_studio
from platemark.app.page import views_tests
from platemark.app.page.guard import BROWSER
from platemark.engine import decide
from platemark.engine.approving import whole_test
from platemark.imaging import worker
from platemark.imaging.print_model import BARYTA, make_printer_profile
from platemark.ledger.approvals import Approvals
from platemark.ledger.mornings import Mornings
from platemark.ledger.proof import find_faults_beside
from platemark.model.decision import ApprovalDecision, Decision, Outcome

pytestmark = pytest.mark.usefixtures("steps_here")

FIRST, CROPS, STEPS = 1, 2, 3
SHORT = photograph("coffee")[:260]
"""Too short for the size that it is dropped for."""


@contextmanager
def working(root: Path) -> Iterator[Studio]:
    """A studio at work whose lab takes parcels when they are closed by hand."""
    clock = SteppedClock()
    with open_studio(root, clock) as at_work:
        at_work.workshop.children = Here()
        yield Studio(at_work, clock, root)
        at_work.dispatch.stop()


def say(studio: Studio, job: int, **changes: Any) -> Outcome:
    """What Mira says of a test that she has just looked at."""
    test = whole_test(studio.read, studio.row(job))
    plain = {
        "id": os.urandom(8).hex(), "kind": "approve", "job": test.first.job if test else job,
        "expected_seq": test.first.seq if test else 1,
        "settled_seq": test.settled_seq if test else 0, "adjust": None, "by": "Mira",
        "because": "seen under the lamp",
    }  # fmt: skip
    outcome = decide.apply(studio.at_work.workshop, ApprovalDecision(**{**plain, **changes}))
    studio.rest()
    return outcome


def stops(studio: Studio, job: int) -> dict[str, str]:
    """Why a job is held, by code."""
    row = studio.row(job)
    assert row.state == "held"
    found = studio.read.body(row.held_seq)["findings"]
    return {each["code"]: each["message"] for each in found if each["severity"] == "stop"}


def deliver(studio: Studio) -> None:
    """Close every parcel and let the lab have it."""
    studio.at_work.dispatch.close_everything()
    studio.until(lambda: not studio.read.jobs(state="parcelled"))


def test_from_test_to_final(
    tmp_path: Path, profile: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One drop, three prints in one parcel; approved, and every final is held against that."""
    monkeypatch.setattr(worker, "_prepare_vips", lambda: pyvips.cache_set_max(0))
    monkeypatch.setattr(views_tests, "WAIT_S", 0)
    root = tmp_path / "studio"
    make_studio(root, profile)
    with working(root) as studio:
        _tested(studio)
        _approved(studio)
        _held_against_it(studio)
    # The command says the same, where no service runs and by any job of the test.
    code, text = approve(root, CROPS, "--take-back")
    assert (code, text.splitlines()[0][:40]) == (0, "The approval of test 000001 is taken bac")
    assert "Test 000001 of heron.tif on Small rag is approved" in approve(root, CROPS)[1]
    for words, wrong in (
        ((FIRST,), "was approved like that by Mira"),
        ((4,), "is no test print"),
        ((99,), "no job"),
        ((FIRST, "--adjust", "brighter"), "“brighter” is no part of an adjustment"),
        ((FIRST, "--take-back", "--adjust", "none"), "does not go with --take-back"),
    ):
        code, text = approve(root, *words)
        assert code
        assert wrong in text
    # What may be forgotten is said: what came back spoilt, and what is settled by now.
    asa = ("--by", "Asa", "--because", "as I unpacked it")
    assert ask_here(root, "return", str(CROPS), "--failed", *asa)[0] == 0
    text = approve(root, FIRST, "--adjust", "chroma 1.1")[1]
    assert f"Recorded as failed when it came back: {CROPS:06d}." in text
    assert "by now its picture is settled otherwise" in approve(root, FIRST)[1].lower()


def approve(root: Path, *words: object) -> tuple[int, str]:
    """Mira approves by a command."""
    said = ("approve", *map(str, words), "--by", "Mira", "--because", "seen by daylight")
    return ask_here(root, *said)


def _tested(studio: Studio) -> None:
    # What is asked of the drop is asked once, and at the size of the final.
    studio.drop("heron.tif", SHORT, "adobe-rgb", purpose="test")
    assert [row.state for row in studio.read.jobs()] == ["held"]
    (code,) = stops(studio, FIRST)
    answer = ask_here_while_open(studio, FIRST, "fit=crop")
    assert answer.applied
    studio.rest()
    assert [(row.state, row.size, row.purpose) for row in studio.read.jobs()] == [
        ("rendered", "1x1.5in", "test"), ("rendered", "3x4in", "test"),
        ("rendered", "3x5in", "test"),
    ], code  # fmt: skip
    approvals = Approvals(studio.read)
    assert approvals.parts_of(FIRST) == (CROPS, STEPS)

    # Nobody can have seen it yet.
    early = say(studio, FIRST)
    assert not early.applied
    assert "waits for its parcel: nobody can have seen a print of it" in early.sentence
    deliver(studio)
    parcel = at_lab(studio)
    names = sorted(each["print_file"]["path"].rpartition("/")[2] for each in parcel["tickets"])
    assert names == [
        "000001_test-half-heron_1x1.5in.tif", "000002_test-crops-heron_3x4in.tif",
        "000003_test-steps-heron_3x5in.tif",
    ]  # fmt: skip
    said = {each["test"]["part"]: each["instructions"][0] for each in parcel["tickets"]}
    assert said["half"].startswith("This is a test print: the picture at half the size of the")
    assert "places of the final print of 2x3in at full size" in said["crops"]
    assert {each["test"]["of"] for each in parcel["tickets"]} == {FIRST}
    assert "Mira" not in json.dumps(parcel)

    # One line in the digest, and none once it was looked at.
    mornings, long_ago = Mornings(studio.read), "2000-01-01"
    assert [each.job for each in mornings.unseen_tests(long_ago)] == [FIRST]
    refused = say(studio, FIRST, by="Asa")
    assert "A test is for the photographer to approve, not for Asa" in refused.sentence
    stale = say(studio, FIRST, expected_seq=studio.row(FIRST).seq - 1)
    assert "has moved on since you looked at it" in stale.sentence


def _approved(studio: Studio) -> None:
    # Approved by any of its jobs, with what was read off the steps; never twice.
    adjust, mornings, long_ago = "lightness 50:54", Mornings(studio.read), "2000-01-01"
    with shown(studio.root) as page:
        status, text = send(page, STEPS, adjust="brighter")
        assert (status, "“brighter” is no part of an adjustment" in text) == (422, True)
        status, text = send(page, STEPS, adjust=adjust, by="Asa")
        assert (status, "for the photographer to approve, not for Asa" in text) == (422, True)
        status, where = send(page, STEPS, adjust=adjust)
        assert status == 303
        studio.until(lambda: studio.read.settled(original(studio), "small-rag") is not None)
        studio.rest()
        text = page.get(where)[2]
        assert "Test 000001 of heron.tif on Small rag is approved: finals are held against" in text
        text = page.get(f"/job/{CROPS}")[2]
        assert "Approved by Mira on " in text
        assert "with lightness 50:54." in text
    settled = studio.read.settled(original(studio), "small-rag")
    assert settled is not None
    assert (settled.version, settled.adjust) == (1, adjust)
    again = say(studio, FIRST, adjust=adjust)
    assert "was approved like that by Mira" in again.sentence
    settled = studio.read.settled(original(studio), "small-rag")
    assert settled is not None
    assert settled.version == 1
    assert not mornings.unseen_tests(long_ago)


def _held_against_it(studio: Studio) -> None:
    approvals = Approvals(studio.read)
    # The final is as the test was, goes by itself, and says which test it was held against.
    studio.drop("heron.tif", SHORT, "adobe-rgb", fit="crop")
    final = studio.read.newest_job()
    assert studio.row(final).state == "rendered", stops(studio, final)
    assert "lightness L* 50 to 54" in studio.changes(final)["adjusted"]
    assert approvals.held_against(FIRST) == (final,)

    # Settled otherwise since, it is held and says exactly what differs.
    studio.settle(final, adjust="none", intent="perceptual")
    (message,) = stops(studio, final).values()
    assert "the intent is perceptual, approved was relative" in message
    assert "the adjustment is none, approved was lightness 50:54" in message
    assert f"(job 00000{FIRST})" in message
    assert "the profile is" not in message

    # Taken back, it goes; and the record makes the same tables from its entries alone.
    back = say(studio, FIRST, kind="approval-take-back")
    assert back.applied
    assert f"Job 00000{final} is looked at again." in back.sentence
    assert studio.row(final).state == "rendered"
    assert approvals.held_against(FIRST) == ()
    nothing = say(studio, FIRST, kind="approval-take-back")
    assert "is not approved, so there is nothing to take back" in nothing.sentence
    assert not list(find_faults_beside(studio.read))

    # Another version of the picture is another picture than the tested one.
    assert say(studio, CROPS, adjust="none").applied is True
    studio.drop("heron.tif", photograph("chelsea"), "adobe-rgb", fit="crop")
    version = studio.read.newest_job()
    assert "the picture is another version" in stops(studio, version)["approved-differs"]

    # A final is no test, and a withdrawn test was never printed.
    assert "is no test print" in say(studio, final).sentence
    # What is settled for the first print of a test its others are planned anew with; and whoever
    # withdraws it withdraws them.
    studio.drop("owl.tif", SHORT[:, ::-1], "adobe-rgb", fit="crop", purpose="test")
    three = studio.read.newest_job() - 2, studio.read.newest_job() - 1, studio.read.newest_job()
    studio.settle(three[2], intent="perceptual")
    for job in three:
        assert studio.row(job).state == "rendered"
        assert studio.read.body(studio.row(job).examined_seq)["plan"]["intent"] == "perceptual"
    withdrawn = three[0]
    said = ask_here_while_open(studio, withdrawn, "").sentence
    assert f"So are the further prints of its test: {three[1]:06d}, {three[2]:06d}." in said
    assert {studio.row(job).state for job in three} == {"withdrawn"}
    gone = say(studio, withdrawn)
    assert f"Test {withdrawn:06d} is withdrawn: it was never printed." in gone.sentence


def original(studio: Studio) -> str:
    """Hash of the tested picture."""
    return studio.row(FIRST).original_sha256


def send(page: Shown, job: int, **said: str) -> tuple[int, str]:
    """Fill in the form of a test and send it: status, and what is shown or where it is told."""
    status, headers, text = page.get(f"/job/{job}")
    assert status == 200
    names = ("mark", "nonce", "test")
    found = {
        name: re.search(f'<input type="hidden" name="{name}" value="([^"]+)">', text)
        for name in names
    }
    hidden = {name: each[1] for name, each in found.items() if each is not None}
    browser = re.search(rf"{BROWSER}=([0-9a-f]+)", headers.get("set-cookie", ""))
    assert browser is not None
    fields = {**hidden, "by": "Mira", "because": "seen under the lamp", **said}
    status, headers, text = page.ask(
        "POST", "/approve", urlencode(fields),
        {
            "Origin": f"http://127.0.0.1:{page.port}", "Cookie": f"{BROWSER}={browser[1]}",
            "Content-Type": "application/x-www-form-urlencoded",
        },
    )  # fmt: skip
    return status, headers.get("location", text)


def ask_here_while_open(studio: Studio, job: int, setting: str) -> Outcome:
    """Answer a job that is held, or withdraw it where nothing is set."""
    settings = (tuple(setting.split("=")),) if setting else ()
    decision = Decision(
        os.urandom(8).hex(), "decide", job, studio.row(job).moved_seq, (), settings,  # type: ignore[arg-type]
        not setting, "Mira", "as it was meant",
    )  # fmt: skip
    return decide.apply(studio.at_work.workshop, decision)


def at_lab(studio: Studio) -> dict[str, Any]:
    """The ticket of the one parcel that the lab has."""
    (found,) = (studio.root / "at-the-lab").rglob("ticket.json")
    ticket: dict[str, Any] = json.loads(found.read_text())
    return ticket


def test_a_test_that_becomes_a_final_is_printed_once(tmp_path: Path, profile: bytes) -> None:
    """Its sheets are no finals of their own, whatever is answered to its first print or to them."""
    root = tmp_path / "studio"
    make_studio(root, profile)
    with working(root) as studio:
        studio.drop("rowan.tif", photograph("coffee"), purpose="test")
        (root / "profiles/rag.icc").write_bytes(make_printer_profile(BARYTA))
        assert studio.settle(FIRST, adjust="lightness 50:54").applied
        studio.rest()
        assert [set(stops(studio, job)) for job in (FIRST, CROPS, STEPS)] == [
            {"profile-changed"}, {"profile-changed"}, {"profile-changed"},
        ]  # fmt: skip
        refused = ask_here_while_open(studio, CROPS, "purpose=final")
        assert "Job 000002 is a sheet of test 000001: its purpose is not" in refused.sentence
        answer = Decision(
            os.urandom(8).hex(), "decide", FIRST, studio.row(FIRST).moved_seq,
            ("profile-changed",), (("purpose", "final"),), False, "Mira", "seen enough",
        )  # fmt: skip
        assert decide.apply(studio.at_work.workshop, answer).applied
        studio.rest()
        assert [(row.state, row.purpose) for row in studio.read.jobs()] == [
            ("rendered", "final"), ("withdrawn", "test"), ("withdrawn", "test"),
        ]  # fmt: skip
        assert list(find_faults_beside(studio.read)) == []
