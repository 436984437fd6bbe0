"""Order sheets through the real service: in any order with their pictures, and once each."""

import csv
import io
import itertools
import os
import shutil
import time
from collections.abc import Callable, Collection, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import tifffile
from at_work import PATIENCE_S, wait_for
from harness import LAB, LAB_FILE, SURFACE, make_studio, picture

from loaded import Loaded
from platemark import durable
from platemark.app.open_studio import OpenStudio, open_studio
from platemark.app.service import Swept, sweep
from platemark.engine.clock import SystemClock
from platemark.engine.knowing import answers_of, asked
from platemark.engine.sheets import OrderSheets
from platemark.engine.workshop import ROOM_KEPT
from platemark.imaging.icc import build_matrix_profile
from platemark.intake.scan import HotFolders, Look, Sighting
from platemark.ledger.proof import find_faults_beside
from platemark.ledger.read import JobRow, Reader, connect_reader

pytestmark = pytest.mark.usefixtures("steps_here")

SURFACES = ("deep-rag", "small-rag", "wide-rag")
PRODUCTS = "[[products]]" + LAB_FILE.partition("[[products]]")[2].partition("[products.profile]")[0]


class Hurried(SystemClock):
    """A clock on which whatever must rest has rested, and on which days can be let pass."""

    def __init__(self) -> None:
        self.later = timedelta()

    def monotonic(self) -> float:
        """Seconds that pass a hundred times as fast."""
        return super().monotonic() * 100

    def now(self) -> datetime:
        """The time of day, perhaps of another day."""
        return super().now() + self.later


class Studio:
    """A studio with three surfaces, and what an assistant does in its hot folders."""

    def __init__(self, root: Path, profile: bytes) -> None:
        make_studio(root, profile)
        shutil.rmtree(root / "hot")
        self.root, self.hot = root, root / "hot"
        for surface in SURFACES:
            (self.hot / surface).mkdir(parents=True)
            named = SURFACE.replace("Small rag", surface.replace("-", " ").capitalize())
            (root / f"surfaces/{surface}.toml").write_text(named)
        lab = LAB_FILE.partition("[[products]]")[0]
        for surface in SURFACES:
            product = PRODUCTS.replace("small-rag", surface).replace("Small Rag", surface.title())
            # The lab converts by itself, which spares the trial of a profile.
            lab += product.replace("[products.ppi]", 'working_spaces = ["srgb"]\n[products.ppi]')
        (root / f"labs/{LAB}.toml").write_text(lab)
        self.clock = Hurried()

    def drop(self, relative: str, seed: int = 1) -> Path:
        """Put a small picture into the hot folders, whole at once."""
        path = self.hot / relative
        path.parent.mkdir(parents=True, exist_ok=True)
        srgb = build_matrix_profile("srgb")
        tifffile.imwrite(path, picture(200, 300, seed), photometric="rgb", iccprofile=srgb)
        return path

    def write(self, text: str, name: str = "spring.csv") -> Path:
        """Write an order sheet."""
        path = self.hot / name
        path.write_text(text, encoding="utf-8", newline="")
        return path

    def sweep(self) -> Swept:
        """One sweep in this process."""
        return sweep(self.root, self.clock)

    def reader(self) -> Reader:
        """The record, for questions."""
        return Reader(connect_reader(self.root / "ledger.sqlite3"))

    def rows(self) -> list[JobRow]:
        """Every job."""
        return self.reader().jobs()

    def said(self) -> list[tuple[str, str, str | None, int | None, str]]:
        """Of every job the name, surface, size, copies and state."""
        return sorted(
            (row.original_name, row.surface, row.size, row.copies, row.state) for row in self.rows()
        )

    def answer(self, name: str = "spring.csv") -> str:
        """What stands beside a sheet, on one line; empty where nothing does."""
        path = self.hot / f"{name}.ANSWER.txt"
        return " ".join(path.read_text().split()) if path.exists() else ""

    def waiting(self) -> str:
        """WAITING.txt."""
        return (self.hot / "WAITING.txt").read_text()

    def in_hot(self) -> list[str]:
        """Files in the hot folders that are neither ours nor let go."""
        files = (path.relative_to(self.hot) for path in self.hot.rglob("*") if path.is_file())
        return sorted(str(p) for p in files if "taken" not in p.parts and str(p) != "WAITING.txt")

    def entries(self, kind: str) -> list[dict[str, Any]]:
        """Bodies of every entry of a kind."""
        return [entry.body for entry in self.reader().entries(kind=kind)]


@pytest.fixture
def studio(tmp_path: Path, profile: bytes) -> Studio:
    """An empty studio."""
    return Studio(tmp_path / "studio", profile)


def fill_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave room on the disk to take pictures in, and none to render 200 × 300 px, threefold."""
    free = ROOM_KEPT + 500_000
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=free))


@pytest.fixture
def unprinted(monkeypatch: pytest.MonkeyPatch) -> None:
    """These tests are about what comes before rendering."""
    fill_the_disk(monkeypatch)


@pytest.fixture
def opened(studio: Studio) -> Iterator[OpenStudio]:
    """The same, open for single turns."""
    with open_studio(studio.root, studio.clock) as opened:
        yield opened
        opened.dispatch.stop()


def turn_until(opened: OpenStudio, right: Callable[[], bool]) -> None:
    """Turn until it is as it should be."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        opened.dispatch.turn()
        if right():
            return
        time.sleep(0.01)
    raise AssertionError("it never came to that")


def rest(opened: OpenStudio) -> None:
    """Turn until nothing moves and nothing is being worked on."""
    quiet = 0
    while quiet < 3:
        turn = opened.dispatch.turn()
        quiet = 0 if turn.moved or turn.moving or turn.working else quiet + 1
        time.sleep(0.01)


def test_the_service_follows_a_sheet_as_it_comes(studio: Studio) -> None:
    """The command that runs for good: the sheet first, its pictures then, nothing asked twice."""
    studio.write("file,size,surface\nheron.tif,2x3in,small-rag\nheron.tif,4x6in,deep-rag\n")
    service = Loaded(["--studio", str(studio.root), "--log", "json", "run"])
    try:
        deadline = time.monotonic() + PATIENCE_S
        while not studio.answer() and time.monotonic() < deadline:
            time.sleep(0.1)
        assert "1 of 1 file of this sheet is not here yet." in studio.answer()
        studio.drop("small-rag/heron.tif", 1)
        wait_for(
            studio.root,
            lambda found: (
                [job["state"] for job in found] == ["rendered"] * 2 and not studio.in_hot()
            ),
        )
    finally:
        service.terminate()
        assert service.wait(30) == 0
    assert studio.in_hot() == []
    assert [body["jobs"] for body in studio.entries("sheet-let-go")] == [[1, 2]]


THREE = """file,size,copies,surface,order
small-rag/heron.tif,2x3in,2,,Alder
crane.tif,4x6in,,wide-rag,Alder
coot.tif,2x3in,3,deep-rag,Alder
"""


def test_a_sheet_and_its_pictures_on_three_surfaces_in_one_sweep(studio: Studio) -> None:
    """Each row is a job with what it says; the sheet is let go to hot/taken, nothing is left."""
    studio.write(THREE)
    for seed, path in enumerate(("small-rag/heron.tif", "wide-rag/crane.tif", "deep-rag/coot.tif")):
        studio.drop(path, seed)
    swept = studio.sweep()
    assert (swept.took, swept.held, swept.fault) == (3, 0, "")
    assert studio.said() == [
        ("coot.tif", "deep-rag", "2x3in", 3, "delivered"),
        ("crane.tif", "wide-rag", "4x6in", 1, "delivered"),
        ("heron.tif", "small-rag", "2x3in", 2, "delivered"),
    ]
    assert {row.order for row in studio.rows()} == {"Alder"}
    (read,), (gone,) = studio.entries("sheet-read"), studio.entries("sheet-let-go")
    assert (read["name"], read["rows"]) == ("spring.csv", 3)
    assert (gone["outcome"], gone["jobs"], gone["unused_rows"]) == ("taken", [1, 2, 3], [])
    (taken,) = (studio.hot / "taken").iterdir()
    kept = studio.root / "archive" / read["sha256"][:2] / f"{read['sha256']}.csv"
    assert taken.read_text() == kept.read_text() == THREE
    assert studio.in_hot() == []
    assert "Nothing waits" in studio.waiting()
    assert "Alder" not in str([entry.body for entry in studio.reader().entries()])
    assert list(find_faults_beside(studio.reader())) == []


@pytest.mark.usefixtures("unprinted")
def test_a_long_sheet_over_three_surfaces(studio: Studio, opened: OpenStudio) -> None:
    """200 rows, each with its own picture: every one is claimed as a job with what its row says.

    Nothing is rendered, and the turns end once all are claimed: most are still to be read.
    """
    rows = [(f"p{n:03d}.tif", SURFACES[n % 3], 1 + n % 7) for n in range(200)]
    for n, (name, surface, _) in enumerate(rows):
        studio.drop(f"{surface}/{name}", n)
    lines = [f"{name},2x3in,{copies},{surface},Alder" for name, surface, copies in rows]
    studio.write("\n".join(["file,size,copies,surface,order", *lines, ""]))
    began = time.monotonic()
    turn_until(opened, lambda: len(studio.rows()) == 200)
    seconds = time.monotonic() - began
    print(f"200 rows and pictures in {seconds:.1f} s")
    reader = studio.reader()
    requests = [
        (row, asked(reader, row, answers_of(reader, row.job)).request) for row in studio.rows()
    ]
    assert sorted(
        (row.original_name, row.surface, str(request.size), request.copies, request.order)
        for row, request in requests
    ) == [(name, surface, "2x3in", copies, "Alder") for name, surface, copies in rows]
    assert [body["rows"] for body in studio.entries("sheet-read")] == [200]
    assert studio.entries("rendered") == []
    assert seconds < 25


@pytest.mark.usefixtures("unprinted")
def test_the_request_says_where_it_was_said(studio: Studio) -> None:
    """A row is a statement: it beats defaults, and a name that disagrees stops the job."""
    (studio.hot / "small-rag/request.toml").write_text("copies = 9\n")
    studio.write("file,size,copies\nheron_3x4in.tif,2x3in,2\ncrane.tif,2x3in,2\n",
                 "small-rag/spring.csv")  # fmt: skip
    studio.drop("small-rag/heron_3x4in.tif", 1)
    studio.drop("small-rag/crane.tif", 2)
    studio.sweep()
    assert [(row.original_name, row.copies, row.state) for row in studio.rows()] == [
        ("crane.tif", 2, "examined"),
        ("heron_3x4in.tif", 2, "held"),
    ]
    assert "order sheet “spring.csv”, row 2 says 2x3in" in studio.waiting()
    assert [path.name[-10:] for path in (studio.hot / "small-rag/taken").glob("sheet*")] == [
        "spring.csv"
    ]


@pytest.mark.usefixtures("unprinted")
def test_the_sheet_may_come_first_and_a_file_late(studio: Studio) -> None:
    """What is not here is named and waited for, over sweeps; the rest goes on meanwhile."""
    studio.write(THREE)
    studio.drop("small-rag/heron.tif", 1)
    studio.sweep()
    assert [row.state for row in studio.rows()] == ["examined"]
    assert "2 of 3 files of this order sheet are not here yet: crane.tif, coot.tif" in (
        studio.waiting()
    )
    assert "Row 3: crane.tif is not here." in studio.answer()
    studio.drop("wide-rag/crane.tif", 2)
    studio.sweep()
    assert "1 of 3 files of this order sheet is not here yet: coot.tif" in studio.waiting()
    studio.drop("deep-rag/coot.tif", 3)
    studio.sweep()
    assert [row.state for row in studio.rows()] == ["examined"] * 3
    assert studio.in_hot() == []
    assert len(studio.entries("sheet-read")) == 1
    assert "spring.csv" not in studio.waiting()


@pytest.mark.usefixtures("unprinted")
def test_the_sheet_may_come_last(studio: Studio, opened: OpenStudio) -> None:
    """Jobs that were claimed before it are asked for anew, once, and keep their sidecar's words."""
    studio.drop("small-rag/heron.tif", 1)
    (studio.hot / "small-rag/heron.tif.toml").write_text('note = "no rush"\n')
    studio.drop("small-rag/2x3in/crane.tif", 2)
    rest(opened)
    assert [row.state for row in studio.rows()] == ["examined", "held"]
    studio.write("file,size,copies\nheron.tif,2x3in,2\ncrane.tif,,4\n", "small-rag/spring.csv")
    rest(opened)
    assert studio.said() == [
        ("crane.tif", "small-rag", "2x3in", 4, "examined"),
        ("heron.tif", "small-rag", "2x3in", 2, "examined"),
    ]
    assert len(studio.entries("asked-anew")) == 2
    heron = next(row for row in studio.rows() if row.original_name == "heron.tif")
    assert studio.reader().body(heron.examined_seq)["request"]["note"] == "no rush"
    assert studio.in_hot() == []


@pytest.mark.usefixtures("unprinted")
def test_a_late_sidecar_keeps_the_row(studio: Studio, opened: OpenStudio) -> None:
    """A sidecar that lands after a picture of an order sheet adds to the row, for all its jobs."""
    studio.write("file,size,surface\nheron.tif,2x3in,small-rag\nheron.tif,2x3in,wide-rag\n")
    studio.drop("small-rag/heron.tif", 1)
    rest(opened)
    (studio.hot / "small-rag/heron.tif.toml").write_text("copies = 5\n")
    rest(opened)
    assert studio.said() == [
        ("heron.tif", "small-rag", "2x3in", 5, "examined"),
        ("heron.tif", "wide-rag", "2x3in", 5, "examined"),
    ]


@pytest.mark.usefixtures("unprinted")
def test_one_file_in_several_rows_is_several_jobs(studio: Studio) -> None:
    """Two sizes, and two surfaces from one drop: one copy in the archive, one file let go."""
    studio.write(
        "file,size,copies,surface\n"
        "heron.tif,2x3in,1,small-rag\n"
        "heron.tif,4x6in,2,small-rag\n"
        "heron.tif,2x3in,3,wide-rag\n"
    )
    studio.drop("small-rag/heron.tif", 1)
    swept = studio.sweep()
    assert (swept.took, swept.held) == (3, 0)
    assert studio.said() == [
        ("heron.tif", "small-rag", "2x3in", 1, "examined"),
        ("heron.tif", "small-rag", "4x6in", 2, "examined"),
        ("heron.tif", "wide-rag", "2x3in", 3, "examined"),
    ]
    assert len({row.original_sha256 for row in studio.rows()}) == 1
    assert len(studio.reader().drops()) == 1
    assert [p.name for p in (studio.hot / "small-rag/taken").iterdir()] == ["000001-heron.tif"]
    assert studio.in_hot() == []
    assert list(find_faults_beside(studio.reader())) == []


@pytest.mark.usefixtures("unprinted")
def test_a_file_of_the_rows_own_surface_is_waited_for_while_anything_is_copied(
    studio: Studio, opened: OpenStudio
) -> None:
    """Only when nothing moves any more is another surface's file of that name taken instead."""
    studio.write("file,size,surface\nheron.tif,2x3in,small-rag\nheron.tif,2x3in,wide-rag\n")
    studio.drop("small-rag/heron.tif", 1)
    began = time.monotonic()
    while time.monotonic() - began < 0.5:
        studio.drop("wide-rag/2x3in/crane.tif", int(time.monotonic() * 100))
        opened.dispatch.turn()
    assert studio.rows() == []
    studio.drop("wide-rag/heron.tif", 2)
    rest(opened)
    herons = [row for row in studio.rows() if row.original_name == "heron.tif"]
    assert sorted(row.surface for row in herons) == ["small-rag", "wide-rag"]
    assert len({row.original_sha256 for row in herons}) == 2
    assert studio.in_hot() == []


@pytest.mark.usefixtures("unprinted")
def test_another_surface_does_not_take_what_the_first_folder_says(studio: Studio) -> None:
    """A size folder and a request.toml speak for their own surface, not for the row's."""
    (studio.hot / "small-rag/request.toml").write_text("copies = 7\n")
    (studio.hot / "wide-rag/request.toml").write_text("copies = 4\n")
    studio.write("file,size,surface\nheron.tif,,small-rag\nheron.tif,4x6in,wide-rag\n")
    studio.drop("small-rag/2x3in/heron.tif", 1)
    studio.sweep()
    assert studio.said() == [
        ("heron.tif", "small-rag", "2x3in", 7, "examined"),
        ("heron.tif", "wide-rag", "4x6in", 4, "examined"),
    ]


@pytest.mark.usefixtures("unprinted")
def test_mistakes_are_told_at_once_and_nothing_of_the_sheet_counts(studio: Studio) -> None:
    """The pictures that it names wait, others do not; corrected, it is followed."""
    studio.write(
        "file,size,copies,paper\n"
        "heron.tif,2x3,2,small-rag\n"
        "../crane.tif,2x3in,many,small-rag\n"
        "coot.tif,2x3in,1,small-rag\n"
    )
    for seed, name in enumerate(("heron", "crane", "coot")):
        studio.drop(f"small-rag/{name}.tif", seed)
    swept = studio.sweep()
    assert (swept.took, swept.fault) == (0, "")
    assert [sentence[:12] for sentence in swept.sheets] == ["spring.csv: "]
    studio.drop("small-rag/2x3in/other.tif", 4)
    studio.sweep()
    assert [row.original_name for row in studio.rows()] == ["other.tif"]
    answer = studio.answer()
    for said in (
        "Nobody knows the heading “paper”. Is surface meant?",
        "Row 2: size: “2x3” has no unit",
        "Row 3: “../crane.tif” leads out of the sheet's folder.",
        "Row 3: copies: “many” is not a whole number",
    ):
        assert said in answer
    assert "3 pictures wait for it." in studio.waiting()
    studio.write("file,size\nheron.tif,2x3in\ncrane.tif,2x3in\ncoot.tif,2x3in\n")
    studio.sweep()
    assert [row.state for row in studio.rows()] == ["examined"] * 4
    assert studio.in_hot() == []


@pytest.mark.usefixtures("unprinted")
def test_a_sheet_that_is_removed_lets_its_pictures_go_on(studio: Studio) -> None:
    """Without the sheet the pictures are taken as they are, and its answer goes too."""
    sheet = studio.write("file,size\nheron.tif,2x3\n", "small-rag/spring.csv")
    studio.drop("small-rag/heron_2x3in.tif", 1)
    studio.drop("small-rag/heron.tif", 1)
    studio.sweep()
    assert [row.original_name for row in studio.rows()] == ["heron_2x3in.tif"]
    assert studio.answer("small-rag/spring.csv")
    sheet.unlink()
    studio.sweep()
    assert [row.state for row in studio.rows()] == ["examined", "held"]
    assert studio.in_hot() == []


@pytest.mark.usefixtures("unprinted")
def test_a_sheet_as_a_spreadsheet_program_writes_it(studio: Studio) -> None:
    """UTF-16 with a mark, semicolons, CRLF, quotes, empty rows and columns, names from a Mac."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=";", lineterminator="\r\n")
    writer.writerows([
        ["File", " Size ", "Ship to", "note", "", ""],
        ["h\u00e9ron.tif", "2x3in", "Weir; \"Lane\"", "line one\nline two", "", ""],
        ["", "", "", "", "", ""],
        ["CRANE.TIF", "2x3in", "", "", "", ""],
    ])  # fmt: skip
    (studio.hot / "small-rag/Order.CSV").write_bytes(text.getvalue().encode("utf-16"))
    studio.drop("small-rag/wedding/he\u0301ron.tif", 1)
    studio.drop("small-rag/wedding/crane.tif", 2)
    studio.sweep()
    rows = studio.rows()
    assert [row.state for row in rows] == ["examined"] * 2
    heron = next(row for row in rows if row.original_name.startswith("he"))
    request = studio.reader().body(heron.examined_seq)["request"]
    assert request["ship_to"] == 'Weir; "Lane"'
    assert request["note"] == "line one\nline two"
    assert studio.in_hot() == []


def test_what_came_too_late_is_told(studio: Studio) -> None:
    """A job in a parcel is not changed; the sheet says so, and at its end that it was no use."""
    studio.drop("small-rag/2x3in/heron.tif", 1)
    studio.sweep()
    studio.write("file,copies\nheron.tif,3\n", "small-rag/spring.csv")
    studio.sweep()
    told = f"Row 2 came too late for heron.tif: job 000001 is already in parcel {LAB}-000001"
    assert told in studio.waiting()
    assert [row.copies for row in studio.rows()] == [1]
    studio.clock.later = timedelta(hours=49)
    studio.sweep()
    answer = studio.answer("small-rag/spring.csv")
    assert answer.startswith("Finished with order sheet spring.csv")
    assert "and 1 row of 1 was not followed" in answer
    assert told in answer
    assert studio.in_hot() == ["small-rag/spring.csv.ANSWER.txt"]
    (gone,) = studio.entries("sheet-let-go")
    assert (gone["outcome"], gone["jobs"], gone["unused_rows"]) == ("taken", [], [2])
    assert "spring.csv.ANSWER.txt" in studio.waiting()
    (studio.hot / "small-rag/spring.csv.ANSWER.txt").unlink()
    studio.sweep()
    assert "Nothing waits" in studio.waiting()


def test_a_late_row_for_another_surface_is_a_further_job(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The original is archived, so it can be ordered again though its job is long at the lab."""
    studio.drop("small-rag/2x3in/heron.tif", 1)
    studio.sweep()
    fill_the_disk(monkeypatch)
    studio.write("file,size,surface\nheron.tif,2x3in,small-rag\nheron.tif,4x6in,wide-rag\n")
    studio.sweep()
    assert studio.said() == [
        ("heron.tif", "small-rag", "2x3in", 1, "delivered"),
        ("heron.tif", "wide-rag", "4x6in", 1, "examined"),
    ]
    assert studio.in_hot() == []


@pytest.mark.usefixtures("unprinted")
def test_a_corrected_sheet_changes_what_it_changes(studio: Studio) -> None:
    """Rows that stayed make nothing twice; one that says something else is asked for anew."""
    studio.write("file,size,copies\nheron.tif,2x3in,1\ncrane.tif,2x3in,1\ncoot.tif,2x3in,1\n",
                 "small-rag/spring.csv")  # fmt: skip
    studio.drop("small-rag/heron.tif", 1)
    studio.drop("small-rag/crane.tif", 2)
    with open_studio(studio.root, studio.clock) as opened:
        rest(opened)
        studio.write("file,copies,size\nheron.tif,1,2x3in\ncrane.tif,6,2x3in\ncoot.tif,1,2x3in\n",
                     "small-rag/spring.csv")  # fmt: skip
        rest(opened)
        opened.dispatch.stop()
    assert studio.said() == [
        ("crane.tif", "small-rag", "2x3in", 6, "examined"),
        ("heron.tif", "small-rag", "2x3in", 1, "examined"),
    ]
    studio.drop("small-rag/coot.tif", 3)
    studio.sweep()
    assert [row.copies for row in studio.rows()] == [6, 1, 1]
    assert len(studio.entries("asked-anew")) == 1
    assert studio.in_hot() == []


@pytest.mark.usefixtures("unprinted")
def test_a_row_that_was_taken_out_is_told_of(studio: Studio, opened: OpenStudio) -> None:
    """What the sheet ordered before it was changed goes on, and its answer says so."""
    studio.drop("deep-rag/reed.tif", 2)
    studio.drop("deep-rag/heron.tif", 1)
    studio.write(
        "file,size\nreed.tif,2x3in\nheron.tif,2x3in\nlate.tif,2x3in\n", "deep-rag/spring.csv"
    )
    rest(opened)
    assert len(studio.rows()) == 2
    studio.write("file,size\nreed.tif,2x3in\n", "deep-rag/spring.csv")
    rest(opened)
    assert "Job 000001 (heron.tif on deep-rag) was ordered by this sheet before it was changed" in (
        studio.answer("deep-rag/spring.csv")
    )


@pytest.mark.usefixtures("unprinted")
def test_a_look_older_than_the_claim_leaves_no_word_behind(
    studio: Studio, opened: OpenStudio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A job that was claimed after the look is no row's yet; that nobody asks for it is not said.

    On a slow disk a look may be older than the last claim; here the last look with the picture is
    always looked at once more.
    """
    older: list[Look] = []
    tend = OrderSheets.tend

    async def tend_late(sheets: OrderSheets, look: Look, running: Collection[int]) -> None:
        for each in (*older, look):
            await tend(sheets, each, running)
        if look.settled:
            older[:] = [look]

    monkeypatch.setattr(OrderSheets, "tend", tend_late)
    studio.drop("deep-rag/heron.tif", 1)
    studio.write("file,size\nheron.tif,2x3in\n", "deep-rag/spring.csv")
    rest(opened)
    assert older
    assert [entry["outcome"] for entry in studio.entries("sheet-let-go")] == ["taken"]
    assert studio.answer("deep-rag/spring.csv") == ""


@pytest.mark.usefixtures("unprinted")
def test_tables_without_end_stop_nobody(studio: Studio) -> None:
    """A line without end, too many columns and a name without room are told; the rest goes on."""
    studio.drop("small-rag/2x3in/heron.tif")
    studio.write("x" * 200_000, "deep-rag/endless.csv")
    wide = ";".join(["file", *(f"h{n}" for n in range(19_999))])
    studio.write(f"{wide}\n", "deep-rag/wide.csv")
    studio.write("file,size\n", f"deep-rag/{'n' * 250}.csv")
    studio.sweep()
    assert [row.original_name for row in studio.rows()] == ["heron.tif"]
    assert "far longer than any request" in studio.answer("deep-rag/endless.csv")
    assert "It has 20,000 columns" in studio.answer("deep-rag/wide.csv")
    assert "name of this order sheet is too long" in studio.waiting()


@pytest.mark.usefixtures("unprinted")
def test_the_same_sheet_again_orders_new_pictures(studio: Studio) -> None:
    """A sheet that was let go and is dropped again waits for files of its own."""
    text = "file,size,order\nheron.tif,2x3in,Alder\n"
    studio.write(text, "small-rag/spring.csv")
    studio.drop("small-rag/heron.tif", 1)
    studio.sweep()
    studio.write(text, "small-rag/spring.csv")
    studio.sweep()
    assert "ordered by another sheet and stays as it is" in studio.answer("small-rag/spring.csv")
    studio.drop("small-rag/heron.tif", 2)
    studio.sweep()
    # The same name and order beside a job that is not in a parcel yet: somebody must choose.
    assert [(row.size, row.state) for row in studio.rows()] == [
        ("2x3in", "examined"), ("2x3in", "held")
    ]  # fmt: skip
    assert studio.in_hot() == []


@pytest.mark.usefixtures("unprinted")
def test_names_that_fit_two_files_wait(studio: Studio) -> None:
    """Neither is printed until the sheet says which; the rest of the sheet goes on."""
    studio.write("file,size\nheron.tif,2x3in\ncrane.tif,2x3in\n")
    studio.drop("small-rag/heron.tif", 1)
    studio.drop("wide-rag/heron.tif", 2)
    studio.drop("wide-rag/crane.tif", 3)
    studio.sweep()
    assert [row.original_name for row in studio.rows()] == ["crane.tif"]
    assert "heron.tif may be small-rag/heron.tif or wide-rag/heron.tif" in studio.waiting()
    studio.write("file,size\nwide-rag/heron.tif,2x3in\ncrane.tif,2x3in\n")
    studio.sweep()
    assert [(row.surface, row.state) for row in studio.rows()] == [
        ("wide-rag", "examined"), ("small-rag", "held"), ("wide-rag", "examined")
    ]  # fmt: skip
    assert studio.in_hot() == []


@pytest.mark.usefixtures("unprinted")
def test_pictures_wait_for_a_sheet_that_is_being_written(
    studio: Studio, opened: OpenStudio
) -> None:
    """While a sheet in hot/ changes, nothing is claimed; afterwards its rows count at the claim."""
    studio.drop("small-rag/2x3in/heron.tif", 1)
    text = "file,copies\n"
    began = time.monotonic()
    while time.monotonic() - began < 0.5:
        text += f"bird{len(text)}.tif,1\n"
        studio.write(text)
        opened.dispatch.turn()
    assert studio.rows() == []
    studio.write("file,copies\nheron.tif,6\n")
    rest(opened)
    assert studio.said() == [("heron.tif", "small-rag", "2x3in", 6, "examined")]
    assert studio.entries("asked-anew") == []


@pytest.mark.usefixtures("unprinted")
def test_other_tables_are_answered(studio: Studio) -> None:
    """A spreadsheet's own file is neither a picture nor an order sheet."""
    for name in ("spring.xlsx", "small-rag/spring.ods"):
        (studio.hot / name).write_bytes(b"PK\x03\x04")
    (studio.hot / "small-rag/spring.numbers").mkdir()
    studio.sweep()
    assert studio.rows() == []
    assert studio.waiting().count("save it as CSV (UTF-8) under the name spring.csv") == 3


@pytest.mark.usefixtures("unprinted")
def test_stopped_before_any_step_nothing_is_claimed_twice(tmp_path: Path, profile: bytes) -> None:
    """Before each commit and each move in turn: a second sweep comes to the same end."""
    told = []
    for number in itertools.count(1):
        studio = Studio(tmp_path / str(number), profile)
        studio.write("file,size,surface\nheron.tif,2x3in,small-rag\nheron.tif,2x3in,wide-rag\n")
        studio.drop("small-rag/heron.tif", 1)
        stopped = stopped_before(studio, number)
        if stopped:
            told.append(stopped)
            studio.sweep()
        assert studio.said() == [
            ("heron.tif", "small-rag", "2x3in", 1, "examined"),
            ("heron.tif", "wide-rag", "2x3in", 1, "examined"),
        ]
        assert [body["outcome"] for body in studio.entries("sheet-let-go")] == ["taken"]
        assert len(studio.entries("sheet-read")) == 1
        assert studio.in_hot() == []
        assert list(find_faults_beside(studio.reader())) == []
        if not stopped:
            break
    assert sum("spring.csv" in name for name in told) == 1
    assert sum("heron.tif" in name for name in told) == 1
    assert len(told) > 8


def stopped_before(studio: Studio, number: int) -> str:
    """Sweep and stop before one commit or move; its name, empty where there are not so many."""
    count = itertools.count(1)

    def stop(moment: str, name: str, paths: tuple[Path, ...]) -> None:
        lasting = name == "commit" or (name == "publish" and "archive" not in paths[-1].parts)
        # A record that is being made has no entry yet, and keeps its lock in this process.
        if moment == "before" and lasting and has_record(studio) and next(count) == number:
            raise KeyboardInterrupt(f"{name} {paths[-1].name}")

    durable.observe(stop)
    try:
        studio.sweep()
    except KeyboardInterrupt as stopped:
        return str(stopped)
    finally:
        durable.observe(None)
    return ""


def has_record(studio: Studio) -> bool:
    """Whether there is a record with its tables."""
    path = studio.root / "ledger.sqlite3"
    return path.exists() and path.stat().st_size > 0


@pytest.mark.usefixtures("unprinted")
def test_a_hot_root_that_cannot_be_changed_is_told(studio: Studio) -> None:
    """Where taken is in the way the jobs go on, and the sheet is told to be stuck."""
    (studio.hot / "taken").write_text("mine")
    studio.write("file,size\nheron.tif,2x3in\n")
    studio.drop("small-rag/heron.tif", 1)
    studio.sweep()
    assert [row.state for row in studio.rows()] == ["examined"]
    assert "cannot be moved away" in studio.waiting()
    (studio.hot / "taken").unlink()
    studio.sweep()
    assert studio.in_hot() == []
    assert os.listdir(studio.hot / "taken") != []


@pytest.mark.usefixtures("unprinted")
def test_a_picture_that_was_still_arriving_keeps_its_rows(
    studio: Studio, opened: OpenStudio
) -> None:
    """Cut off and young, it is waited for; whole, it is taken again with both of its rows."""
    studio.write("file,size,surface\nheron.tif,2x3in,small-rag\nheron.tif,2x3in,wide-rag\n")
    path = studio.drop("small-rag/heron.tif", 1)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    turn_until(opened, lambda: len(studio.rows()) == 2)
    rest(opened)
    assert [row.state for row in studio.rows()] == ["claimed"] * 2
    assert studio.entries("sheet-let-go") == []
    path.write_bytes(whole)
    turn_until(opened, lambda: bool(studio.entries("sheet-let-go")))
    assert [(row.surface, row.state) for row in studio.rows()] == [
        ("small-rag", "withdrawn"), ("wide-rag", "withdrawn"),
        ("small-rag", "examined"), ("wide-rag", "examined"),
    ]  # fmt: skip
    assert studio.in_hot() == []


@pytest.mark.usefixtures("unprinted")
def test_a_picture_dropped_anew_gets_its_row_anew(studio: Studio, opened: OpenStudio) -> None:
    """While the sheet waits for another file, a corrected picture is ordered as the first was."""
    (studio.hot / "small-rag/request.toml").write_text('order = "Alder"\n')
    studio.write("file,copies\nheron.tif,4\ncrane.tif,1\n", "small-rag/spring.csv")
    studio.drop("small-rag/heron.tif", 1)
    rest(opened)
    assert [(row.copies, row.state) for row in studio.rows()] == [(4, "held")]
    studio.drop("small-rag/heron.tif", 2)
    rest(opened)
    assert [(row.copies, row.state) for row in studio.rows()] == [(4, "withdrawn"), (4, "held")]


QUIET_S = 2.0


class Scan:
    """Looks at a studio's hot folders by a clock that is turned by hand."""

    def __init__(self, studio: Studio) -> None:
        self.now = 0.0
        self.folders = HotFolders(
            studio.hot, SURFACES, quiet_s=QUIET_S, compare_ctime=True, now=lambda: self.now
        )

    def look(self, after_s: float = 0.0, known: tuple[Sighting, ...] = ()) -> Look:
        """Let time pass, then look."""
        self.now += after_s
        return self.folders.look({(s.device, s.inode, s.size, s.mtime_ns) for s in known})


def test_a_sheet_is_still_by_itself_and_pictures_beside_it_are_not(studio: Studio) -> None:
    """It is read while pictures are copied; they wait while it is written."""
    scan = Scan(studio)
    sheet = studio.write("file\n", "small-rag/spring.csv")
    picture = studio.hot / "small-rag/heron.tif"
    picture.write_text("1")
    scan.look()
    picture.write_text("12")
    look = scan.look(QUIET_S)
    assert [each.relative for each in look.sheets] == [b"small-rag/spring.csv"]
    assert (look.settled, look.arriving, look.moving) == ((), (b"small-rag/heron.tif",), 1)
    sheet.write_text("file\nheron.tif\n")
    look = scan.look(QUIET_S)
    assert (look.settled, look.sheets) == ((), ())
    assert look.moving_sheets == (b"small-rag/spring.csv",)
    look = scan.look(QUIET_S)
    assert [each.relative for each in look.settled] == [b"small-rag/heron.tif"]
    assert [each.relative for each in look.sheets] == [b"small-rag/spring.csv"]


@pytest.mark.parametrize("known", [True, False])
def test_a_sheet_that_is_let_go_makes_nothing_wait(studio: Studio, known: bool) -> None:
    """Pictures beside it stay settled when a sheet that was read goes; else its folder changed."""
    scan = Scan(studio)
    (studio.hot / "small-rag/wedding").mkdir()
    sheet = studio.write("file\n", "small-rag/wedding/spring.csv")
    (studio.hot / "small-rag/wedding/heron.tif").write_text("1")
    scan.look()
    read = scan.look(QUIET_S).sheets if known else ()
    scan.look(QUIET_S, read)
    sheet.unlink()
    assert len(scan.look(0.1, read).settled) == int(known)


def test_what_is_said_beside_a_sheet_and_what_was_taken_is_no_drop(studio: Studio) -> None:
    """They come and go without anything waiting for them, and nothing is said of them."""
    scan = Scan(studio)
    studio.write("file\n")
    (studio.hot / "small-rag/heron.tif").write_text("1")
    scan.look()
    (studio.hot / "taken").mkdir()
    (studio.hot / "taken/sheet-000001-old.csv").write_text("file\n")
    (studio.hot / "spring.csv.ANSWER.txt").write_text("Order sheet")
    (studio.hot / "small-rag/May.CSV.ANSWER.txt").write_text("Order sheet")
    look = scan.look(QUIET_S)
    assert [each.relative for each in look.settled] == [b"small-rag/heron.tif"]
    assert [(each.relative, each.surface) for each in look.sheets] == [(b"spring.csv", "")]
    assert look.sheet_answers == (b"small-rag/May.CSV.ANSWER.txt", b"spring.csv.ANSWER.txt")
    assert look.oddities == ()


def test_a_sheet_that_is_a_link_is_told_and_not_read(studio: Studio, tmp_path: Path) -> None:
    """Nothing outside the hot folders is read as a sheet."""
    (tmp_path / "secret.csv").write_text("file\n")
    (studio.hot / "spring.csv").symlink_to(tmp_path / "secret.csv")
    os.link(tmp_path / "secret.csv", studio.hot / "small-rag/second.csv")
    scan = Scan(studio)
    scan.look()
    look = scan.look(QUIET_S)
    assert (look.sheets, look.settled) == ((), ())
    assert [odd.relative for odd in look.oddities] == [b"small-rag/second.csv", b"spring.csv"]
