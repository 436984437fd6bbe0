"""Pictures are measured between being read and being examined, in the real service."""

import base64
import json
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
import tifffile
from at_work import ask
from harness import picture

from platemark import durable
from platemark.app.open_studio import OpenStudio, open_studio, reading
from platemark.engine import examine
from platemark.engine.clock import SystemClock
from platemark.engine.hold import stops_of
from platemark.imaging.child import WORKER, Children
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import BARYTA, make_printer_profile
from platemark.model.measures import Measures
from platemark.model.plain import from_plain
from platemark.model.work import ChildLimits, Failure, MeasureTask, Report, Task

pytestmark = pytest.mark.usefixtures("steps_here")

MISBEHAVING = Path(__file__).with_name("misbehaving.py")


class SteppedClock(SystemClock):
    """A clock that is stepped forward."""

    steps = 0.0

    def monotonic(self) -> float:
        """Seconds with every step added."""
        return super().monotonic() + self.steps


class Household(Children):
    """Real children; those that measure are counted, and may go wrong by a way of their own."""

    def __init__(self, ending: str = "") -> None:
        """All as the service has it, unless measuring is to end in a way of `misbehaving.py`."""
        super().__init__()
        command: Sequence[str] = (sys.executable, str(MISBEHAVING), ending) if ending else WORKER
        self._measuring = Children(command)
        self.measured = 0
        self.meanwhile: Callable[[], object] = lambda: None

    def run(self, task: Task, limits: ChildLimits) -> Report | Failure:
        """Do one step."""
        if not isinstance(task, MeasureTask):
            return super().run(task, limits)
        self.measured += 1
        if self.measured == 1:
            self.meanwhile()
        return self._measuring.run(task, limits)


def turn_until(studio: OpenStudio, right: Callable[[], bool]) -> None:
    """Take turns until something has come to be so."""
    for _ in range(600):
        studio.dispatch.turn()
        if right():
            return
        time.sleep(0.02)
    raise AssertionError("it never came to that")


def settled(studio: OpenStudio, clock: SteppedClock) -> None:
    """Let all drops be taken, and every job come to rest."""
    studio.dispatch.turn()
    clock.steps += 2
    turn_until(studio, lambda: bool(studio.workshop.ledger.read.jobs()))
    turn_until(studio, lambda: not any(job.state in ("claimed", "examined")
                                       for job in studio.workshop.ledger.read.jobs()))  # fmt: skip


def bodies(studio: Path, job: int) -> list[dict[str, Any]]:
    """What was recorded each time when a job was examined or held."""
    with reading(studio) as read:
        entries = list(read.entries(job=job))
        return [each.body for each in entries if each.kind in ("examined", "held")]


def archived(studio: Path, body: dict[str, Any]) -> Path:
    """Where the proof of a record is."""
    name: str = body["proof_sha256"]
    return studio / "archive" / name[:2] / f"{name}.jpg"


def test_measures_are_recorded_and_shown(studio: Path) -> None:
    """Examined or held, a job has its measures; one that nobody may accept is not measured.

    An answer that changes nothing of what they depend on does not have them made again.
    """
    broken = studio / "hot/small-rag/2x3in/cut.tif"
    broken.write_bytes((studio / "hot/small-rag/2x3in/good.tif").read_bytes()[:9000])
    os.utime(broken, (time.time() - 7200, time.time() - 7200))
    clock, children = SteppedClock(), Household()
    with open_studio(studio, clock) as at_work:
        at_work.workshop.children = children
        settled(at_work, clock)
        rows = {row.original_name: row for row in at_work.workshop.ledger.read.jobs()}
        names = {name: row.job for name, row in rows.items()}
        turn_until(at_work, lambda: any(studio.glob("held/*/untagged.tif--*/WHY.html")))
        (held,) = bodies(studio, names["untagged.tif"])
        before = at_work.workshop, rows["untagged.tif"], held["measured_sha256"]
        assert examine._measured_before(*before)["proof_sha256"] == held["proof_sha256"]
        kept = archived(studio, held)
        kept.rename(kept.with_suffix(".away"))
        assert examine._measured_before(*before) == {}, "a proof that is lost is drawn again"
        kept.with_suffix(".away").rename(kept)
        at_work.dispatch.stop()
    assert children.measured == 2
    (good,) = bodies(studio, names["good.tif"])
    measures = from_plain(Measures, good["picture_measures"])
    assert 30 < float(measures.lightness_median) < 70
    assert 0 <= float(measures.gamut_loss_percent) < 20
    (untagged,) = bodies(studio, names["untagged.tif"])
    assert "picture_measures" in untagged
    for body in (good, untagged):
        assert durable.hash_file(archived(studio, body)) == body["proof_sha256"]
    (why,) = studio.glob("held/*/untagged.tif--*/WHY.html")
    page, proof = why.read_text("utf-8"), archived(studio, untagged).read_bytes()
    assert base64.b64encode(proof).decode() in page
    assert "How it would sit" in page
    code, text = ask(
        studio, "decide", str(names["untagged.tif"]), "--accept", "colour-untagged",
        "--by", "Mira", "--because", "mine",
    )  # fmt: skip
    assert code == 0, text
    children = Household()
    with open_studio(studio, clock) as at_work:
        at_work.workshop.children = children
        settled(at_work, clock)
        at_work.dispatch.stop()
    assert children.measured == 0
    held, examined = bodies(studio, names["untagged.tif"])
    for kept in ("picture_measures", "proof_sha256"):
        assert examined[kept] == held[kept]
    assert "plan" in examined


def test_a_job_without_proof_is_measured_again(
    studio: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One that an earlier version measured has no proof; an answer to it brings one."""
    (studio / "hot/small-rag/2x3in/good.tif").unlink()
    clock, now = SteppedClock(), examine._measured_now
    with open_studio(studio, clock) as at_work, monkeypatch.context() as earlier:
        earlier.setattr(examine, "_measured_now", lambda *given: {
            key: value for key, value in now(*given).items() if key != "proof_sha256"
        })  # fmt: skip
        settled(at_work, clock)
        at_work.dispatch.stop()
    (held,) = bodies(studio, 1)
    assert "proof_sha256" not in held
    code, text = ask(studio, "decide", "1", "--accept", "colour-untagged", "--by", "Mira",
                     "--because", "mine")  # fmt: skip
    assert code == 0, text
    children = Household()
    with open_studio(studio, clock) as at_work:
        at_work.workshop.children = children
        settled(at_work, clock)
        at_work.dispatch.stop()
    assert children.measured == 1
    _, again = bodies(studio, 1)
    assert durable.hash_file(archived(studio, again)) == again["proof_sha256"]
    assert again["picture_measures"] == held["picture_measures"]


def test_examine_shows_measures(studio: Path) -> None:
    """`examine --json` gives them beside the facts; where no size is settled, only the facts."""
    picture_file = studio / "hot/small-rag/2x3in/good.tif"
    words = ("examine", str(picture_file), "--surface", "small-rag", "--json")
    sized = json.loads(ask(studio, *words, "--size", "2x3in")[1])["measures"]
    assert {"facts", "native_ppi", "lightness_median", "edge_lines"} <= sized.keys()
    assert sized["tone"] == "coloured"
    assert "lightness_median" not in json.loads(ask(studio, *words)[1])["measures"]


@pytest.mark.parametrize(
    ("ending", "code"), [("segv", "file-stops-its-reader"), ("bug", "our-fault")]
)
def test_a_picture_that_cannot_be_measured_is_held(studio: Path, ending: str, code: str) -> None:
    """A child that is killed twice holds its job, and one with a mistake of ours at once."""
    (studio / "hot/small-rag/2x3in/untagged.tif").unlink()
    clock, children = SteppedClock(), Household(ending)
    with open_studio(studio, clock) as at_work:
        at_work.workshop.children = children
        settled(at_work, clock)
        (row,) = at_work.workshop.ledger.read.jobs()
        assert row.state == "held"
        assert [each.code for each in stops_of(at_work.workshop, row)] == [code]
        at_work.dispatch.stop()
    assert children.measured == (2 if ending == "segv" else 1)


def test_a_restart_between_reading_and_measuring(studio: Path) -> None:
    """What was read and not recorded is read again; the job goes through."""
    clock, children = SteppedClock(), Household("hang")
    with open_studio(studio, clock) as at_work:
        at_work.workshop.children = children
        at_work.dispatch.turn()
        clock.steps += 2
        turn_until(at_work, lambda: children.measured == 1)
        children._measuring.kill_all()
        at_work.dispatch.stop()
        assert {row.state for row in at_work.workshop.ledger.read.jobs()} == {"claimed"}
    with open_studio(studio, clock) as at_work:
        settled(at_work, clock)
        states = {row.original_name: row.state for row in at_work.workshop.ledger.read.jobs()}
        at_work.dispatch.stop()
    assert states["good.tif"] in ("rendered", "parcelled", "delivered")


def test_a_profile_that_changes_meanwhile(studio: Path) -> None:
    """What was measured against the old one is not taken for the new one; the job is held."""
    (studio / "hot/small-rag/2x3in/untagged.tif").unlink()
    clock, children = SteppedClock(), Household()
    new = make_printer_profile(BARYTA)
    children.meanwhile = lambda: (studio / "profiles/rag.icc").write_bytes(new)
    with open_studio(studio, clock) as at_work:
        at_work.workshop.children = children
        settled(at_work, clock)
        (row,) = at_work.workshop.ledger.read.jobs()
        assert "profile-changed" in [each.code for each in stops_of(at_work.workshop, row)]
        at_work.dispatch.stop()
    assert children.measured == 2
    assert "picture_measures" in bodies(studio, row.job)[0]


def test_a_hole_that_was_allowed_is_measured_too(studio: Path) -> None:
    """A picture that was waited for goes on to be measured, as one that was not."""
    good = studio / "hot/small-rag/2x3in/good.tif"
    (studio / "hot/small-rag/2x3in/untagged.tif").unlink()
    tifffile.imwrite(good, picture(400, 600, 1), photometric="rgb", rowsperstrip=600,
                     iccprofile=build_matrix_profile("srgb"))  # fmt: skip
    whole = good.read_bytes()
    good.write_bytes(whole[: 40 * 4096] + bytes(16 * 4096) + whole[56 * 4096 :])
    sidecar = good.with_name("good.tif.toml")
    sidecar.write_text('allow = ["file-hole"]\nbecause = "It is night there."\n')
    clock, children = SteppedClock(), Household()
    with open_studio(studio, clock) as at_work:
        at_work.workshop.children = children
        at_work.dispatch.turn()
        for _ in range(200):
            clock.steps += 0.2
            at_work.dispatch.turn()
            time.sleep(0.02)
            if any(row.state != "claimed" for row in at_work.workshop.ledger.read.jobs()):
                break
        (row,) = at_work.workshop.ledger.read.jobs()
        at_work.dispatch.stop()
    assert children.measured == 1
    assert "picture_measures" in bodies(studio, row.job)[0]
