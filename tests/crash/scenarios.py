"""Studios that stand right before something happens, each with what it must come to undisturbed.

What went before is done undisturbed, so only the operations of that one thing are tried.
"""

import hashlib
import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import tifffile
from harness import (
    LAB,
    Result,
    cut_power,
    drive,
    fresh,
    make_studio,
    operations,
    picture,
    printer_profile,
)

from platemark.engine.picture_decisions import newest_seq as newest_settled
from platemark.engine.picture_decisions import settling_of
from platemark.engine.profile_decisions import newest_seq as newest_tried
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.ledger.editions import Editions
from platemark.ledger.read import Reader, connect_reader


class Laid:
    """A studio that is brought to where a scenario begins, by what people do and by sweeps."""

    def __init__(self, root: Path, memory: Path) -> None:
        self.root, self.memory = root, memory
        self._logs = 0

    def sweep(self) -> None:
        """One sweep that nothing disturbs."""
        assert drive(self.root, 0, self._log(), memory=str(self.memory)) == 0

    def sweep_until(self, name: str, part: str) -> None:
        """A sweep that is killed before the first operation of that name on such a path."""
        (whole := self.root.parent / "ahead").mkdir()
        log = self._log()
        assert drive(fresh(self.root, whole / "studio"), 0, log, memory=str(self.memory)) == 0
        at = next(
            number
            for number, (done, paths) in enumerate(operations(log), 1)
            if done == name and any(part in str(path) for path in paths)
        )
        log = self._log()
        assert drive(self.root, at, log, memory=str(self.memory)) == -9
        cut_power(self.root, log)

    def drop(self, name: str, *, seed: int = 1, tagged: bool = True, **asked: Any) -> None:
        """Put a picture into the hot folder, with what is asked of it."""
        hot = self.root / "hot/small-rag/2x3in"
        icc = build_matrix_profile("srgb") if tagged else None
        tifffile.imwrite(hot / name, picture(200, 300, seed), photometric="rgb", iccprofile=icc)
        self.ask(name, **asked)

    def ask(self, name: str, **asked: Any) -> None:
        """Put a request beside a picture, or where one was."""
        lines = [f"{key} = {json.dumps(value)}\n" for key, value in asked.items()]
        if lines:
            (self.root / f"hot/small-rag/2x3in/{name}.toml").write_text("".join(lines))

    def sheet(self, *rows: str, name: str = "spring.csv") -> None:
        """Write an order sheet."""
        text = "\n".join(("file,order,copies", *rows, ""))
        (self.root / "hot/small-rag" / name).write_text(text, newline="")

    def decide(self, **said: Any) -> None:
        """Hand in a decision of Mira's; `job` is one that she has just looked at."""
        plain = {
            "id": f"decision-{len(list((self.root / 'decisions').iterdir()))}",
            "kind": "decide", "accept": [], "settings": [], "withdraw": False,
            "by": "Mira", "because": "seen on the screen", "v": 1, **said,
        }  # fmt: skip
        if "expected_seq" not in plain and "job" in plain:
            plain["expected_seq"] = self.moved_seq(plain["job"])
        (self.root / "decisions" / f"{plain['id']}.json").write_text(json.dumps(plain))

    def settle(self, job: int, adjust: str) -> None:
        """Hand in how a picture is to be printed."""
        with self.reader() as reader:
            row = reader.job(job)
            assert row is not None
            newest = newest_settled(reader, settling_of(reader, row))
        said = {"kind": "picture", "job": job, "expected_seq": newest, "adjust": adjust}
        plain = {"id": "settling", "intent": None, "by": "Mira", "because": "too dark", "v": 1}
        (self.root / "decisions/settling.json").write_text(json.dumps({**plain, **said}))

    def decide_profile(self, kind: str, profile: bytes | None = None) -> None:
        """Hand in a profile, or retire the one that is used."""
        with self.reader() as reader:
            rows = [row for row in reader.profiles() if row.surface == "small-rag"]
        there = self.root / "profiles/rag.icc"
        expected = hashlib.sha256(there.read_bytes()).hexdigest() if there.exists() else ""
        used = next(row.sha256 for row in rows if row.state == "admitted")
        said = {
            "id": "profiling", "kind": kind, "lab": LAB, "surface": "small-rag",
            "expected_seq": newest_tried(rows), "expected_file": expected,
            "sha256": hashlib.sha256(profile).hexdigest() if profile else used,
            "by": "Mira", "because": "the lab sent it", "v": 1,
        }  # fmt: skip
        if profile is not None:
            (self.root / "decisions/profiling.icc").write_bytes(profile)
        (self.root / "decisions/profiling.json").write_text(json.dumps(said))

    def answer(self, job: int, *ticked: str) -> None:
        """Tick something on the answer sheet of a held job, as Mira, a minute ago."""
        (sheet,) = self.root.glob(f"held/*/*--{job:06}/ANSWER.txt")
        text = sheet.read_text()
        for each in ticked:
            assert f"[ ] {each}" in text
            text = text.replace(f"[ ] {each}", f"[x] {each}")
        text = text.replace("by: ", "by: Mira", 1).replace("because: ", "because: my own scan", 1)
        sheet.write_text(text)
        os.utime(sheet, (time.time() - 60,) * 2)

    def moved_seq(self, job: int) -> int:
        """The entry that brought a job where it is."""
        with self.reader() as reader:
            row = reader.job(job)
            assert row is not None
            return row.moved_seq

    @contextmanager
    def reader(self) -> Iterator[Reader]:
        """The record, for questions."""
        with closing(connect_reader(self.root / "ledger.sqlite3")) as connection:
            yield Reader(connection)

    def _log(self) -> Path:
        self._logs += 1
        return self.root.parent / f"laid-{self._logs}"


@dataclass(frozen=True)
class Scenario:
    """Something that happens to a studio."""

    lay: Callable[[Laid], None]
    """Brings an empty studio right before it."""
    came: Callable[[Result], bool]
    """Whether it happened."""
    ahead_days: int = 0
    """It happens at night, so many days later, and not in a sweep."""

    @property
    def how(self) -> dict[str, int]:
        """What the driver is to be told."""
        return {"ahead_days": self.ahead_days} if self.ahead_days else {}


def lay(scenario: Scenario, folder: Path, memory: Path) -> Path:
    """Make the studio of a scenario in a new folder."""
    laid = Laid(folder / "studio", memory)
    make_studio(laid.root, printer_profile())
    laid.sweep()
    scenario.lay(laid)
    return laid.root


def _states(found: Result) -> list[str]:
    return [job[1] for job in found.jobs]


def _held_files(found: Result, job: int) -> set[str]:
    return {Path(path).name for path in found.held if f"--{job:06}/" in path}


# -- held, and answered ----------------------------------------------------------------------


def _hold(laid: Laid) -> None:
    laid.drop("scan.tif", tagged=False, fit="stop", size="2x2in")


def _held(laid: Laid) -> None:
    """Job 1 is held for want of a profile, and so are two more."""
    for number, name in enumerate("abc", 11):
        laid.drop(f"{name}.tif", seed=number, tagged=False)
    laid.sweep()


def _decide(laid: Laid) -> None:
    _held(laid)
    laid.decide(job=1, accept=["colour-untagged"], settings=[["copies", "3"]])
    laid.decide(job=2, withdraw=True)
    laid.decide(job=3, accept=["colour-untagged"], by="Asa")


def _answer(laid: Laid) -> None:
    _held(laid)
    laid.answer(1, "accept colour-untagged")
    laid.answer(2, "withdraw")
    laid.answer(3, "accept colour-untagged", "withdraw")


def _settle(laid: Laid) -> None:
    laid.drop("good.tif")
    laid.sweep_until("make-folder", "studio/work/parcels/")
    laid.settle(1, "lightness 20:26 50:56")


@cache
def _another_profile() -> bytes:
    return make_printer_profile(replace(MATTE_RAG, black=(19.0, 0.4, 0.9)))


def _profile_added(laid: Laid) -> None:
    laid.drop("good.tif")
    laid.sweep_until("make-folder", "studio/work/parcels/")
    laid.decide_profile("profile-add", _another_profile())


def _profile_retired(laid: Laid) -> None:
    laid.drop("good.tif")
    laid.sweep_until("make-folder", "studio/work/parcels/")
    laid.decide_profile("profile-retire")


def _ask_late(laid: Laid) -> None:
    laid.drop("good.tif")
    laid.sweep_until("make-folder", "studio/work/parcels/")
    laid.ask("good.tif", copies=4)


def _supersede(laid: Laid) -> None:
    laid.drop("scan.tif", tagged=False, seed=11)
    laid.sweep()
    laid.drop("scan.tif")


# -- called back -----------------------------------------------------------------------------


def _recall(laid: Laid, *jobs: int) -> None:
    about = [{"job": job, "expected_seq": laid.moved_seq(job)} for job in jobs]
    said = {"id": "recalling", "kind": "recall", "jobs": about, "by": "Mira", "v": 1}
    text = json.dumps({**said, "because": "the wrong version"})
    (laid.root / "decisions/recalling.json").write_text(text)


def _tell_the_lab(laid: Laid) -> None:
    laid.drop("good.tif", copies=2)
    laid.drop("other.tif", seed=2)
    laid.sweep()
    _recall(laid, 1)


def _take_back(laid: Laid) -> None:
    laid.drop("good.tif", copies=2)
    laid.drop("other.tif", seed=2)
    laid.sweep_until("write", "/at-the-lab/.platemark-")
    _recall(laid, 1)


def _keep(laid: Laid) -> None:
    laid.drop("good.tif", copies=2)
    laid.drop("scan.tif", tagged=False, seed=11)
    laid.sweep()
    laid.decide(job=2, withdraw=True)
    laid.sweep()


# -- sets ------------------------------------------------------------------------------------


def _hold_set(laid: Laid) -> None:
    laid.drop("left.tif", order="Alder", set="Herons", set_of=2)
    laid.drop("right.tif", order="Alder", set="Herons", set_of=2, tagged=False, seed=11)


def _let_set_go(laid: Laid) -> None:
    _hold_set(laid)
    laid.sweep()
    laid.decide(job=2, accept=["colour-untagged"])


# -- order sheets ----------------------------------------------------------------------------


def _rows_first(laid: Laid) -> None:
    laid.sheet("good.tif,Alder,2", "good.tif,Birch,1", "other.tif,Alder,1")
    laid.sweep()
    laid.drop("good.tif")


def _rows_last(laid: Laid) -> None:
    laid.drop("good.tif")
    laid.sweep_until("make-folder", "studio/work/parcels/")
    laid.sheet("good.tif,Alder,2", "good.tif,Birch,1")


def _wrong_sheet(laid: Laid) -> None:
    laid.drop("good.tif")
    laid.sheet("good.tif,Alder,two")


def _sheet_corrected(laid: Laid) -> None:
    _wrong_sheet(laid)
    laid.sweep()
    laid.sheet("good.tif,Alder,2")


# -- editions --------------------------------------------------------------------------------


def _last_number(laid: Laid) -> None:
    """Two finals come for the one number that is left, and a word on the one that is sold."""
    (laid.root / "editions").mkdir()
    (laid.root / "editions/dunes.toml").write_text(
        'name = "Dunes"\ntotal = 2\nsurfaces = ["small-rag"]\n[[sizes]]\nsize = "2x3in"\n'
    )
    laid.drop("first.tif", seed=3, edition="dunes", order="Alder")
    laid.sweep()
    laid.drop("again.tif", seed=3, edition="dunes", order="Birch")
    laid.drop("once-more.tif", seed=3, edition="dunes", order="Cedar")
    with laid.reader() as reader:
        (row,) = Editions(reader).numbers("dunes")
    said = {"edition": "dunes", "part": "", "of_kind": "print", "number": 1}
    laid.decide(kind="edition-sold", expected_seq=row.seq, **said)


SCENARIOS = {
    "last-number": Scenario(
        _last_number,
        lambda r: (
            _states(r) == ["delivered", "delivered", "held"]
            and r.numbers == (("dunes", 1, 1, "sold"), ("dunes", 2, 2, "printed"))
        ),
    ),
    "hold": Scenario(
        _hold,
        lambda r: (
            _states(r) == ["held"]
            and _held_files(r, 1) == {"scan.tif", "WHY.html", "WHY.txt", "ANSWER.txt"}
        ),
    ),
    "decide": Scenario(
        _decide,
        lambda r: (
            _states(r) == ["delivered", "withdrawn", "held"]
            and r.jobs[0][4] == 3
            and len(r.decided) == 3
            and not r.waits
        ),
    ),
    "answer-sheet": Scenario(
        _answer,
        lambda r: _states(r) == ["delivered", "withdrawn", "held"],
    ),
    "settle-picture": Scenario(
        _settle,
        lambda r: _states(r) == ["delivered"] and r.settled[0][2] == 1,
    ),
    "add-profile": Scenario(
        _profile_added,
        lambda r: len(r.profiles) == 2 and dict(r.in_profiles).get("rag.icc") in dict(r.profiles),
    ),
    "retire-profile": Scenario(
        _profile_retired,
        lambda r: _states(r) == ["held"] and [state for _, state in r.profiles] == ["retired"],
    ),
    "ask-late": Scenario(
        _ask_late,
        lambda r: _states(r) == ["delivered"] and r.jobs[0][4] == 4,
    ),
    "supersede": Scenario(_supersede, lambda r: _states(r) == ["withdrawn", "delivered"]),
    "tell-the-lab": Scenario(
        _tell_the_lab,
        lambda r: (
            _states(r) == ["delivered", "delivered"]
            and r.recalls == ((1, f"{LAB}-000001", "notice", f"{LAB}-000002"),)
            and [name for name, _ in r.delivered] == [f"{LAB}-000001", f"{LAB}-000002"]
        ),
    ),
    "take-back": Scenario(
        _take_back,
        lambda r: (
            _states(r) == ["withdrawn", "delivered"]
            and [name for name, _ in r.delivered] == [f"{LAB}-000002"]
        ),
    ),
    "keep": Scenario(
        _keep,
        lambda r: (
            r.outgoing == ()
            and dict(r.archived)[".tif"] == 2
            and not any("/taken/" in path for path in r.hot)
        ),
        ahead_days=400,
    ),
    "hold-set": Scenario(_hold_set, lambda r: _states(r) == ["held", "held"]),
    "let-set-go": Scenario(
        _let_set_go,
        lambda r: _states(r) == ["delivered", "delivered"] and len(r.delivered) == 1,
    ),
    "rows-first": Scenario(
        _rows_first,
        lambda r: _states(r) == ["delivered", "delivered"] and r.sheets == (("spring.csv", 3, ""),),
    ),
    "rows-last": Scenario(
        _rows_last,
        lambda r: (
            _states(r) == ["delivered", "delivered"] and r.sheets == (("spring.csv", 2, "taken"),)
        ),
    ),
    "wrong-sheet": Scenario(
        _wrong_sheet,
        lambda r: not r.jobs and "hot/small-rag/spring.csv.ANSWER.txt" in r.hot,
    ),
    "sheet-corrected": Scenario(
        _sheet_corrected,
        lambda r: _states(r) == ["delivered"] and not any("ANSWER" in path for path in r.hot),
    ),
}
