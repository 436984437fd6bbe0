"""What a photographer settles for a picture on a surface, through the real service and command."""

import io
import json
import os
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import click
import imagecodecs
import numpy as np
import pytest
import pyvips
import skimage.data
import tifffile
from click.testing import CliRunner
from harness import LAB, make_studio
from PIL import Image

from here import Here
from platemark import durable
from platemark.app.cli_decide import decide as decide_command
from platemark.app.cli_jobs import job
from platemark.app.open_studio import OpenStudio, open_studio, reading
from platemark.engine import decide
from platemark.engine.clock import SystemClock
from platemark.engine.picture_decisions import newest_seq, settling_of
from platemark.imaging import worker
from platemark.imaging.icc import build_grey_profile, build_matrix_profile
from platemark.ledger.proof import find_faults_beside
from platemark.ledger.read import JobRow
from platemark.model.adjusting import curve_of, parse_adjustment
from platemark.model.decision import Outcome, PictureDecision
from platemark.model.errors import PlatemarkError

pytestmark = pytest.mark.usefixtures("steps_here")

BRIGHTER = "lightness 20:26 50:56, chroma 1.1"


class SteppedClock(SystemClock):
    """A clock that is stepped forward."""

    steps = 0.0

    def monotonic(self) -> float:
        """Seconds with every step added."""
        return super().monotonic() + self.steps


class Studio:
    """A studio at work, asked and answered as a person would."""

    def __init__(self, at_work: OpenStudio, clock: SteppedClock, root: Path) -> None:
        self.at_work = at_work
        self.clock = clock
        self.root = root
        self.read = at_work.workshop.ledger.read

    def put(self, name: str, pixels: np.ndarray, space: str = "srgb", **asked: str) -> None:
        """Put a picture into the hot folder."""
        hot = self.root / "hot/small-rag/2x3in"
        icc = build_matrix_profile(space)
        tifffile.imwrite(hot / name, pixels, photometric="rgb", iccprofile=icc)
        lines = [f"{key} = {json.dumps(value)}\n" for key, value in asked.items()]
        (hot / f"{name}.toml").write_text("".join(lines))

    def drop(self, name: str, pixels: np.ndarray, space: str = "srgb", **asked: str) -> None:
        """Drop a picture, and let it be prepared."""
        self.put(name, pixels, space, **asked)
        self.take()

    def take(self) -> None:
        """Let what lies in the hot folder be prepared."""
        before = self.read.newest_job()
        self.at_work.dispatch.turn()
        self.clock.steps += 2
        self.until(lambda: self.read.newest_job() > before)
        self.rest()

    def until(self, right: Callable[[], bool]) -> None:
        """Take turns until something has come to be so."""
        deadline = time.monotonic() + 90
        while time.monotonic() < deadline:
            self.at_work.dispatch.turn()
            if right():
                return
            time.sleep(0.05)
        raise AssertionError("it never came to that")

    def rest(self) -> None:
        """Let every job come to rest."""
        moving = ("claimed", "examined")
        self.until(lambda: not any(row.state in moving for row in self.read.jobs()))

    def decision(self, job: int, **changes: Any) -> PictureDecision:
        """What Mira decides who has just looked at a job."""
        row = self.read.job(job)
        assert row is not None
        plain = {
            "id": str(uuid.uuid4()),
            "kind": "picture",
            "job": job,
            "expected_seq": newest_seq(self.read, settling_of(self.read, row)),
            "adjust": None,
            "intent": None,
            "by": "Mira",
            "because": "seen on the test print",
        }
        return PictureDecision(**{**plain, **changes})

    def settle(self, job: int, **changes: Any) -> Outcome:
        """Hand a decision in as a file, and let everything come to rest."""
        decision = self.decision(job, **changes)
        folder = self.root / "decisions"
        decide.write_decision(folder, decision, folder / f".{decision.id}.tmp")
        self.until(lambda: self.read.decided(decision.id) is not None)
        self.rest()
        entry = self.read.decided(decision.id)
        assert entry is not None
        return Outcome(decision.id, job, entry.kind != "decision-refused", entry.body["sentence"])

    def print_of(self, job: int) -> str:
        """Hash of a job's print file."""
        row = self.read.job(job)
        assert row is not None
        assert row.state == "rendered"
        return str(row.print_sha256)

    def changes(self, job: int) -> dict[str, str]:
        """A job's change log."""
        row = self.row(job)
        return {c["code"]: c["text"] for c in self.read.body(row.rendered_seq)["changes"]}

    def row(self, job: int) -> JobRow:
        """A job as it stands."""
        row = self.read.job(job)
        assert row is not None
        return row

    def cautions(self, job: int) -> dict[str, str]:
        """What is found of an examined job, by code."""
        body = self.read.body(self.row(job).examined_seq)
        return {finding["code"]: finding["message"] for finding in body["findings"]}


@pytest.fixture
def studio(tmp_path: Path, profile: bytes, monkeypatch: pytest.MonkeyPatch) -> Iterator[Studio]:
    """A studio whose lab waits so long with a parcel that jobs stay as they are rendered.

    Its steps are done in this process, which saves the start of sixty others.
    """
    monkeypatch.setattr(worker, "_prepare_vips", lambda: pyvips.cache_set_max(0))
    root = tmp_path / "studio"
    make_studio(root, profile)
    clock = SteppedClock()
    with open_studio(root, clock) as at_work:
        at_work.workshop.children = Here()
        yield Studio(at_work, clock, root)
        at_work.dispatch.stop()


def photograph(name: str) -> np.ndarray:
    """The middle of a photograph, 200 × 300 px."""
    whole = Image.fromarray(getattr(skimage.data, name)())
    return np.asarray(
        whole.resize((whole.width * 300 // whole.height, 300)).crop((50, 0, 250, 300))
    )


def by_engine(values: np.ndarray, *way: Any, to: str, dtype: str) -> np.ndarray:
    """Convert by LittleCMS, relative with compensation, every pixel by itself."""
    flags = imagecodecs.CMS.FLAGS.NOOPTIMIZE | imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION
    return np.asarray(
        imagecodecs.cms_transform(
            np.ascontiguousarray(values), *way,
            colorspace="lab" if values.dtype == np.float32 else "rgb", outcolorspace=to,
            outdtype=dtype, intent=1, flags=int(flags),
        )
    )  # fmt: skip


def by_hand(pixels: np.ndarray, space: str, profile: bytes, text: str | None) -> np.ndarray:
    """A print of a picture as the numbers say, worked by another engine from L*a*b* to print."""
    lab4 = imagecodecs.cms_profile("lab4")
    codes = pixels.astype(np.uint16) * np.uint16(257)
    lab = by_engine(codes, build_matrix_profile(space), lab4, to="lab", dtype="f4")
    how = parse_adjustment(text) if text is not None else None
    if how is not None:
        lab[..., 0] = np.vectorize(curve_of(how).at)(lab[..., 0].astype(float))
        lab[..., 1:] *= float(how.chroma)
    return by_engine(lab, lab4, profile, to="rgb", dtype="u2")


def printed_lightness(codes: np.ndarray, profile: bytes) -> np.ndarray:
    """L* of what is printed, relative to its paper."""
    flags = int(imagecodecs.CMS.FLAGS.NOOPTIMIZE)
    lab = imagecodecs.cms_transform(
        codes, profile, imagecodecs.cms_profile("lab4"),
        colorspace="rgb", outcolorspace="lab", outdtype="f4", intent=1, flags=flags,
    )  # fmt: skip
    return np.asarray(lab)[..., 0]


def test_a_picture_is_settled_reused_repeated_and_undone(studio: Studio, profile: bytes) -> None:
    """The print moves as the numbers say; the same numbers give the same bytes; none, the first."""
    studio.drop("heron.tif", photograph("coffee"), "adobe-rgb", order="Alder")
    first = studio.print_of(1)
    assert "would look visibly different" in studio.cautions(1)["colour-intents-differ"]
    outcome = studio.settle(1, adjust=BRIGHTER, intent="perceptual")
    assert outcome.applied
    assert "Job 000001 is prepared anew with it." in outcome.sentence
    brighter = studio.print_of(1)
    assert brighter != first
    assert "colour-intents-differ" not in studio.cautions(1)
    said = studio.changes(1)
    today = studio.at_work.workshop.local(studio.clock.now())
    day = f"as decided on {today.day} {today:%B %Y} (version 1)"
    assert said["adjusted"].endswith(f"{day}.")
    assert (
        said["intent-settled"]
        == f"The perceptual intent is taken {day}; the usual one here is relative."
    )
    assert "Mira" not in json.dumps(said)

    # The same again, and without the intent: none is ever worked on another's result.
    studio.settle(1, adjust=f" {BRIGHTER.upper()} ")
    assert studio.print_of(1) == brighter
    studio.settle(1, intent="surface")
    relative = studio.print_of(1)
    path = studio.at_work.workshop.folders.archived(relative, "tif")
    printed = printed_lightness(tifffile.imread(path), profile)
    plain = printed_lightness(by_hand(photograph("coffee"), "adobe-rgb", profile, None), profile)
    moved = by_hand(photograph("coffee"), "adobe-rgb", profile, BRIGHTER)
    wanted = printed_lightness(moved, profile)
    assert (wanted - plain).mean() > 2
    assert np.abs(printed - wanted).mean() < 0.1

    # Another order brings the same bytes: nobody is asked.
    studio.drop("heron copy.tif", photograph("coffee"), "adobe-rgb", order="Birch")
    assert studio.changes(2)["adjusted"].endswith("(version 3).")
    assert studio.print_of(2) == relative
    outcome = studio.settle(2, adjust="none")
    assert "Jobs 000001, 000002 are prepared anew" in outcome.sentence
    assert studio.print_of(1) == studio.print_of(2) == first
    assert "adjusted" not in studio.changes(1)
    assert not list(find_faults_beside(studio.read))


def a_settled_set(studio: Studio) -> None:
    """Two panels, settled by a decision about the second."""
    asked = {"order": "Alder", "set": "Herons"}
    studio.put("1.tif", photograph("chelsea"), **asked)
    studio.drop("2.tif", photograph("rocket"), **asked)
    outcome = decide.apply(studio.at_work.workshop, studio.decision(2, adjust="lightness 50:54"))
    assert outcome.sentence.startswith("The 2 pictures of the set “Herons” on Small rag: ")
    assert "Jobs 000001, 000002 are prepared anew with it." in outcome.sentence


def test_a_set_is_settled_as_one(studio: Studio) -> None:
    """One decision for any panel is one for all of them, in one transaction."""
    a_settled_set(studio)
    settled = list(studio.read.entries(kind="picture-settled"))
    assert [(entry.job, entry.body["adjust"]) for entry in settled] == [
        (2, "lightness 50:54"), (1, "lightness 50:54")
    ]  # fmt: skip
    assert len({entry.at for entry in settled}) == 1
    assert [studio.row(job).state for job in (1, 2)] == ["claimed", "claimed"]


@pytest.mark.long
def test_a_panel_that_comes_later_must_be_alike(studio: Studio) -> None:
    """It is held with the numbers of the others; deciding about it settles all of them again."""
    a_settled_set(studio)
    studio.rest()
    assert [studio.changes(job)["adjusted"][-12:] for job in (1, 2)] == ["(version 1)."] * 2
    studio.drop("3.tif", photograph("astronaut"), order="Alder", set="Herons")
    held = studio.read.body(studio.row(3).held_seq)["findings"]
    (differs,) = (finding for finding in held if finding["code"] == "set-differs")
    assert "000002 has lightness 50:54, 000003 has none" in differs["message"]
    assert "--adjust settles it for the whole set" in differs["next"]
    outcome = studio.settle(3, adjust="lightness 50:54")
    assert "Jobs 000001, 000002, 000003 are prepared anew with it." in outcome.sentence
    versions = [studio.changes(job)["adjusted"][-12:] for job in (1, 2, 3)]
    assert versions == ["(version 2).", "(version 2).", "(version 1)."]


@pytest.mark.long
def test_other_bytes_of_that_name_begin_anew(studio: Studio) -> None:
    """What was settled for the earlier file is told and not carried over."""
    studio.drop("heron.tif", photograph("coffee"), order="Alder")
    studio.settle(1, adjust=BRIGHTER)
    studio.drop("heron.tif", photograph("astronaut"), order="Cedar")
    assert f"{parse_adjustment(BRIGHTER).words}. It was not" in studio.cautions(2)["adjust-earlier"]
    assert "adjusted" not in studio.changes(2)


def test_what_cannot_be_settled_is_refused(studio: Studio) -> None:
    """Not by whoever it is not for, not what cannot be read, and not what somebody changed."""
    studio.drop("heron.tif", photograph("coffee"))
    apply = decide.apply

    def refused(**changes: Any) -> str:
        outcome = apply(studio.at_work.workshop, studio.decision(1, **changes))
        assert not outcome.applied
        return outcome.sentence

    assert "Nobody is not one of the studio's people" in refused(by="", adjust="b 1")
    assert "for the photographer to settle, not for Asa" in refused(by="Asa", adjust="b 1")
    assert "nothing says why" in refused(because="...", adjust="b 1")
    assert "nothing is decided" in refused()
    assert "“gamma 2” is no part of an adjustment" in refused(adjust="gamma 2")
    assert "no adjustment is settled" in refused(adjust="none")
    assert "no intent is settled" in refused(intent="surface")
    old = studio.decision(1, adjust="b 2")
    assert apply(studio.at_work.workshop, studio.decision(1, adjust="b 1")).applied
    stale = apply(studio.at_work.workshop, old)
    assert not stale.applied
    assert "Mira settled colour balance +1 b* on" in stale.sentence
    assert "(version 1), which is not what you saw" in stale.sentence
    assert studio.read.settled(studio.row(1).original_sha256, "small-rag").adjust == "b 1"
    # A parcel that was closed stays what it is.
    studio.rest()
    printed = studio.print_of(1)
    studio.at_work.dispatch.close_everything()
    studio.until(lambda: studio.row(1).state == "delivered")
    outcome = apply(studio.at_work.workshop, studio.decision(1, adjust="b 3"))
    assert "Job 000001 is in a parcel already and not changed" in outcome.sentence
    assert (studio.row(1).state, studio.row(1).print_sha256) == ("delivered", printed)
    words = json.loads((studio.root / "outgoing" / LAB / f"{LAB}-000001/ticket.json").read_bytes())
    changes = {each["code"]: each for each in words["tickets"][0]["changes"]}
    assert changes["adjusted"]["after"] == "b 1"


def test_it_is_settled_once_wherever_the_service_is_killed(studio: Studio) -> None:
    """At whichever lasting step the power goes, the decision is applied once, whole or later."""

    class Killed(BaseException):
        pass

    studio.drop("heron.tif", photograph("coffee"))
    workshop, folder = studio.at_work.workshop, studio.root / "decisions"
    for version, at in enumerate(range(20), 1):
        decision = studio.decision(1, adjust=BRIGHTER)
        decide.write_decision(folder, decision, folder / ".tmp")
        steps = 0

        def kill(when: str, name: str, paths: tuple[Path, ...], at: int = at) -> None:
            nonlocal steps
            steps += 1
            if steps == at + 1:
                raise Killed

        durable.observe(kill)
        try:
            decide.apply_waiting(workshop)
            killed = False
        except Killed:
            killed = True
        durable.observe(None)
        decide.apply_waiting(workshop)
        decide.apply_waiting(workshop)
        row = studio.read.settled(studio.row(1).original_sha256, "small-rag")
        assert (row.version, row.adjust) == (version, BRIGHTER)
        assert studio.row(1).state == "claimed"
        assert not os.listdir(folder)
        if not killed:
            break
    assert 3 < at < 19
    assert studio.read.find_fault() is None
    assert not list(find_faults_beside(studio.read))
    before = studio.read.ask("settled", "SELECT * FROM settled ORDER BY original")
    workshop.ledger.rebuild()
    assert studio.read.ask("settled", "SELECT * FROM settled ORDER BY original") == before


def told(command: click.Command, root: Path, *words: str) -> tuple[int, str]:
    """Give a command in this process; its exit code and what it said."""
    result = CliRunner().invoke(command, words, obj=str(root))
    fault = result.exception
    if isinstance(fault, PlatemarkError):
        return fault.exit_code, str(fault)
    assert fault is None or isinstance(fault, SystemExit), result.exc_info
    return result.exit_code, result.output


def test_the_command_settles_at_once_and_shows_it(tmp_path: Path, profile: bytes) -> None:
    """Without a service, and then through real child processes; what cannot be is refused."""
    root, clock = tmp_path / "studio", SteppedClock()
    make_studio(root, profile)
    grey, data = Image.fromarray(photograph("coffee")).convert("L"), io.BytesIO()
    grey.save(data, "TIFF", icc_profile=build_grey_profile())
    (root / "hot/small-rag/2x3in/grey.tif").write_bytes(data.getvalue())
    with open_studio(root, clock) as at_work:
        Studio(at_work, clock, root).take()
        at_work.dispatch.stop()
    mira = ("--by", "Mira", "--because", "too dark")
    for words, code, said in (
        ((), 2, "You have not said what is decided."),
        (("--adjust", "b 1", "--set", "copies=2"), 2, "Decide them one after the other."),
        (("--adjust", "lightness 20:26,5"), 2, "is no part of an adjustment"),
        (("--adjust", "chroma 1.1"), 1, "grey with one channel, and has no colour"),
        (("--adjust", "lightness 20:26"), 0, "Job 000001 is prepared anew with it."),
    ):
        answer = told(decide_command, root, "1", *words, *mira)
        assert (answer[0], said in answer[1]) == (code, True), answer
    assert "settled    lightness L* 20 to 26; version 1, by Mira on" in told(job, root, "1")[1]
    settled = json.loads(told(job, root, "1", "--json")[1])["settled"]
    assert (settled["version"], settled["adjust"]) == (1, "lightness 20:26")
    with open_studio(root, clock) as at_work:
        studio = Studio(at_work, clock, root)
        studio.rest()
        assert "lightness L* 20 to 26" in studio.changes(1)["adjusted"]
        at_work.dispatch.stop()
    with reading(root) as read:
        assert next(read.entries(kind="picture-settled")).body["v"] == 1
