"""A small studio, its undisturbed result, and what a power cut takes away."""

import functools
import hashlib
import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import tifffile

from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.ledger.projection import TABLES
from platemark.ledger.read import Reader, connect_reader
from platemark.ledger.store import Ledger
from platemark.parcel.bag import verify_parcel

DRIVER = Path(__file__).with_name("driver.py")
RECOVERED = "recovered"
"""A line of the driver's log that is no operation."""
LAB = "brindlewick"

STUDIO = """
name = "Test studio"
time_zone = "Europe/Berlin"
[[people]]
name = "Mira"
role = "photographer"
[[people]]
name = "Asa"
role = "assistant"
[settle]
local_s = 1
[limits]
jobs = 1
"""
SURFACE = """
name = "Small rag"
gloss = "matte"
texture = "smooth"
white_l = 97
white_b = 1
black_l = 16
places = ["indoor"]
edge = "none"
edge_mode = "none"
safe_margin = "1mm"
intent = "relative"
black_point_compensation = true
[ppi]
caution = 20
stop = 10
"""
LAB_FILE = """
name = "Brindlewick"
file_name = "{job}_{title}_{size}"
[closing]
rule = "quiet"
minutes = 600
[delivery]
method = "folder"
path = "at-the-lab"
[[products]]
surface = "small-rag"
name = "Small Rag"
sizes = []
mirror_by = "nobody"
bleed = "3mm"
[products.ppi]
lowest = 50
target = 100
highest = 200
[products.file]
format = "tiff"
bits = 16
[products.profile]
file = "rag.icc"
"""


@dataclass(frozen=True)
class Result:
    """What a studio came to, without what may differ between runs: times, hashes of tickets."""

    jobs: tuple[Any, ...]
    delivered: tuple[tuple[str, tuple[str, ...]], ...]
    """Parcels that the lab has or took, each with the hashes of its print files."""
    held: tuple[str, ...]
    hot: tuple[str, ...]
    waits: tuple[str, ...]
    """Decisions that are not applied yet."""
    decided: tuple[tuple[str, str], ...]
    parcels: tuple[tuple[str, str], ...]
    profiles: tuple[tuple[str, str], ...]
    settled: tuple[tuple[Any, ...], ...]
    sheets: tuple[tuple[str, int, str], ...]
    """Name, rows and end of every order sheet that was read."""
    recalls: tuple[tuple[Any, ...], ...]
    numbers: tuple[tuple[Any, ...], ...]
    """Of editions: which is given, to which job, and what became of it."""
    outgoing: tuple[str, ...]
    archived: tuple[tuple[str, int], ...]
    """How many files of each form the archive has."""
    in_profiles: tuple[tuple[str, str], ...]
    """Files in `profiles/` with their hashes."""


def picture(width: int, height: int, seed: int) -> np.ndarray:
    """A small 8-bit picture with some life in it."""
    noise = np.random.default_rng(seed).normal(0, 12, (height, width, 3))
    ramp = np.linspace(30, 220, width)[None, :, None] + np.zeros((height, 1, 3))
    return np.clip(ramp + noise, 0, 255).astype(np.uint8)


def make_studio(root: Path, profile: bytes) -> None:
    """A small studio whose hot folders are empty."""
    for folder in ("surfaces", "labs", "profiles", "hot/small-rag/2x3in", "at-the-lab"):
        (root / folder).mkdir(parents=True)
    (root / "studio.toml").write_text(STUDIO)
    (root / "surfaces/small-rag.toml").write_text(SURFACE)
    (root / "labs" / f"{LAB}.toml").write_text(LAB_FILE)
    (root / "profiles/rag.icc").write_bytes(profile)


def drop_pictures(root: Path) -> None:
    """One picture that goes through, and one that is held."""
    srgb = build_matrix_profile("srgb")
    hot = root / "hot/small-rag/2x3in"
    tifffile.imwrite(hot / "good.tif", picture(200, 300, 1), photometric="rgb", iccprofile=srgb)
    (hot / "good.tif.toml").write_text('copies = 2\norder = "Alder"\n')
    tifffile.imwrite(hot / "untagged.tif", picture(200, 300, 2), photometric="rgb")


@functools.cache
def printer_profile() -> bytes:
    """An invented lab's profile."""
    return make_printer_profile(MATTE_RAG)


def drive(root: Path, stop_at: int, log: Path, **how: Any) -> int:
    """Run one sweep in a process of its own; gives its exit code, negative for a signal.

    Args:
        root: The studio.
        stop_at: The operation before which it is killed; 0 for never.
        log: Where the operations are told that were completed.
        how: What else `driver.Order` has.
    """
    driver = _driver()
    assert driver.stdin is not None
    assert driver.stdout is not None
    order = {"studio": str(root), "stop_at": stop_at, "log": str(log), **how}
    driver.stdin.write(json.dumps(order) + "\n")
    driver.stdin.flush()
    code = int(driver.stdout.readline())
    if code not in (0, -9):
        raise AssertionError(Path(f"{log}.said").read_text())
    return code


@functools.cache
def _driver() -> "subprocess.Popen[str]":
    """The driver, started once; it ends with its standard input."""
    # What the pixel libraries read when they are loaded, as a child's own environment would say.
    threads = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "VIPS_CONCURRENCY": "2"}
    return subprocess.Popen(
        [sys.executable, str(DRIVER)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env=os.environ | threads,
    )  # fmt: skip


def operations(log: Path) -> list[tuple[str, list[Path]]]:
    """The operations that were completed, in order."""
    return [(name, paths) for name, paths in _lines(log) if name != RECOVERED]


def recovery(log: Path) -> int:
    """How many of them were done before the studio was ready for work."""
    names = [name for name, _ in _lines(log)]
    return names.index(RECOVERED)


def _lines(log: Path) -> list[tuple[str, list[Path]]]:
    # The last line of a process that was killed may be cut off.
    lines = log.read_text().rpartition("\n")[0].splitlines() if log.exists() else []
    return [(name, [Path(path) for path in paths]) for name, paths in map(json.loads, lines)]


@dataclass
class _Unsynced:
    """What a power cut may take away, or give back."""

    files: set[Path] = field(default_factory=set)
    names: list[tuple[Path, Path]] = field(default_factory=list)
    """Of renames, from and to."""
    removed: list[tuple[Path, Path]] = field(default_factory=list)
    """A file that was removed, and where it still is."""

    def follow(self, name: str, paths: list[Path]) -> None:
        """Know of one more operation."""
        match name:
            case "write":
                self.files.add(paths[0])
            case "sync-file":
                self.files.discard(paths[0])
            case "sync-folder":
                self.names = [each for each in self.names if each[1].parent != paths[0]]
                self.removed = [each for each in self.removed if each[0].parent != paths[0]]
            case "remove" if len(paths) > 1:
                self.removed.append((paths[0], paths[1]))
            case "publish" | "replace":
                self._move(*paths)
                if name == "publish":
                    self.names.append((paths[0], paths[1]))

    def _move(self, source: Path, target: Path) -> None:
        moved = {path for path in self.files if path == source or source in path.parents}
        self.files -= moved
        self.files |= {target / path.relative_to(source) for path in moved}


def cut_power(root: Path, log: Path) -> None:
    """Take away what was never synced: bytes of files, and names in folders.

    A model of the worst that a file system may do: a written file whose bytes were not synced is
    empty; a rename whose folder was not synced never happened, nor did the removal of a file. The
    database syncs itself.
    """
    unsynced = _Unsynced()
    for name, paths in operations(log):
        unsynced.follow(name, paths)
    for path in unsynced.files:
        if path.is_file():
            path.chmod(0o644)
            path.write_bytes(b"")
    for path, grave in unsynced.removed:
        # One that was removed twice has been put back already.
        if root in path.parents and path.parent.is_dir() and grave.exists() and not path.exists():
            grave.rename(path)
    for source, target in reversed(unsynced.names):
        if target.exists() and not source.exists():
            target.rename(source)


def take_from_lab(root: Path) -> None:
    """Do what a lab does that empties its folder at once."""
    took = root.parent / "took"
    took.mkdir(exist_ok=True)
    for parcel in sorted((root / "at-the-lab").iterdir()):
        if not parcel.name.startswith("."):
            assert not (took / parcel.name).exists(), f"{parcel.name} came twice"
            assert verify_parcel(parcel) == (), parcel.name
            shutil.move(parcel, took / parcel.name)


def result(root: Path) -> Result:
    """What the studio came to, with everything about it that must hold asserted on the way."""
    with closing(connect_reader(root / "ledger.sqlite3")) as connection:
        reader = Reader(connection)
        assert reader.find_fault() is None
        rows = reader.jobs()
        gone = "SELECT job FROM kept WHERE kind = 'original' AND state = 'removed'"
        removed = {job for (job,) in connection.execute(gone)}
        for row in rows:
            if row.job in removed:
                continue
            original = reader.body(row.claimed_seq)["original"]
            kept = root / "archive" / row.original_sha256[:2]
            assert _sha256(kept / f"{row.original_sha256}.{original['extension']}") == (
                row.original_sha256
            )
        sent = [entry.body["parcel"] for entry in reader.entries(kind="parcel-delivered")]
        assert len(sent) == len(set(sent)), "a parcel was recorded as delivered twice"
        arrived = [entry.job for entry in reader.entries(kind="delivered")]
        assert len(arrived) == len(set(arrived)), "a job was delivered twice"
        assert not list(reader.drops(here=True))
        said = _said(reader, connection)
    _projection_can_be_rebuilt(root)
    nothing_is_left_over(
        root,
        drawn={row.job for row in rows if row.state != "delivered"},
        shown={f"{row.job}-{row.moved_seq}.jpg" for row in rows if row.state == "held"},
    )
    parcels = [*(root / "at-the-lab").iterdir(), *_files_in(root.parent / "took", "*")]
    names = [parcel.name for parcel in parcels]
    assert len(names) == len(set(names)), f"a parcel came twice: {names}"
    return Result(
        jobs=tuple(
            (row.job, row.state, row.original_name, row.size, row.copies, row.order, row.set,
             row.parcel, row.print_sha256, row.request_key) for row in rows
        ),
        delivered=tuple(
            (parcel.name, tuple(sorted(map(_sha256, _files_in(parcel / "data", "*.tif")))))
            for parcel in sorted(parcels, key=lambda parcel: parcel.name)
        ),
        held=_names(root, root / "held"),
        hot=_names(root, root / "hot"),
        waits=_names(root, root / "decisions"),
        outgoing=_names(root, root / "outgoing"),
        archived=tuple(sorted(Counter(p.suffix for p in root.glob("archive/*/*")).items())),
        in_profiles=tuple(
            (path.name, _sha256(path)) for path in _files_in(root / "profiles", "*")
        ),
        **said,
    )  # fmt: skip


def _said(reader: Reader, connection: sqlite3.Connection) -> dict[str, tuple[Any, ...]]:
    """What the record says beside its jobs."""
    ends = {e.body["sheet"]: e.body["outcome"] for e in reader.entries(kind="sheet-let-go")}
    every = connection.execute
    decided = (reader.entry(seq) for (seq,) in every("SELECT seq FROM decisions").fetchall())
    return {
        "decided": tuple(sorted((e.body["decision"], e.kind) for e in decided if e is not None)),
        "parcels": tuple((parcel.name, parcel.state) for parcel in reader.parcels()),
        "profiles": tuple((row.sha256, row.state) for row in reader.profiles()),
        "settled": tuple(
            every("SELECT original, surface, version, adjust, intent FROM settled ORDER BY 1, 2")
        ),
        "sheets": tuple(
            (entry.body["name"], entry.body["rows"], ends.get(entry.seq, ""))
            for entry in reader.entries(kind="sheet-read")
        ),
        "recalls": tuple(every("SELECT job, parcel, how, notice FROM recalls ORDER BY 1")),
        "numbers": tuple(
            every("SELECT edition, number, job, state FROM edition_numbers ORDER BY 1, 2")
        ),
    }


def nothing_is_left_over(root: Path, drawn: set[int], shown: set[str]) -> None:
    """Nothing unfinished is anywhere: in `work/`, or half visible where people look.

    Args:
        root: The studio.
        drawn: Jobs whose drawing may wait for their parcel.
        shown: Drawings that the status page may show, of jobs that are held.
    """
    for path in (root / "work").rglob("*"):
        if path.parent.name == "drawings" and path.stem.isdigit():
            assert int(path.stem) in drawn, f"left over: {path}"
        elif path.parent.name == "shown":
            assert path.name in shown, f"left over: {path}"
        elif path.is_dir():
            assert path.parent == root / "work", f"left over: {path}"
        else:
            assert path.parent.name in ("work", "lab-folders"), f"left over: {path}"
    for path in root.rglob("*"):
        is_hidden = path.name.startswith(".") or path.name.endswith((".tmp", ".new"))
        assert not is_hidden or path == root / ".lock", f"left over: {path}"
    for folder in (root / "held").glob("*/*"):
        there = {path.name for path in folder.iterdir()}
        assert there > {"WHY.html", "WHY.txt", "ANSWER.txt"}, f"half a folder: {folder}"
    for parcel in (*(root / "outgoing").glob("*/*"), *(root / "at-the-lab").iterdir()):
        assert verify_parcel(parcel) == (), parcel


def _files_in(folder: Path, pattern: str) -> list[Path]:
    return sorted(folder.glob(pattern)) if folder.is_dir() else []


def _names(root: Path, folder: Path) -> tuple[str, ...]:
    return tuple(
        sorted(str(path.relative_to(root)) for path in folder.rglob("*") if path.is_file())
    )


def fresh(template: Path, root: Path) -> Path:
    """A copy of a studio, times kept, and of what its lab took."""
    shutil.copytree(template, root, copy_function=shutil.copy2)
    if (template.parent / "took").exists():
        shutil.copytree(template.parent / "took", root.parent / "took")
    return root


def disturbed(
    template: Path, folder: Path, *stops: int, power: bool, takes: bool | None = None, **how: Any
) -> Result:
    """What a studio comes to whose runs are stopped, one after the other, and then one is not.

    Args:
        template: The studio.
        folder: A new folder for the copy.
        stops: The operation before which each run is killed; later ones hit what starts after it.
        power: Whether each stop takes away what was not synced.
        takes: Whether the lab takes away what it has after each stop; by default every other time.
        how: What else `driver.Order` has, for the runs that are stopped and the last.
    """
    root = fresh(template, folder / "studio")
    for number, stop_at in enumerate(stops):
        log = folder / f"log{number}"
        if drive(root, stop_at, log, **how) == -9 and power:
            cut_power(root, log)
        if sum(stops) % 2 if takes is None else takes:
            take_from_lab(root)
    assert drive(root, 0, folder / "log", **how) == 0
    found = result(root)
    shutil.rmtree(folder)
    return found


def restart(template: Path, folder: Path, stop_at: int, **how: Any) -> int:
    """How many operations a start does before it takes new work, after a power cut."""
    root = fresh(template, folder / "studio")
    drive(root, stop_at, folder / "log0", **how)
    cut_power(root, folder / "log0")
    assert drive(root, 0, folder / "log", **how) == 0
    done = recovery(folder / "log")
    shutil.rmtree(folder)
    return done


def _projection_can_be_rebuilt(root: Path) -> None:
    path = root / "ledger.sqlite3"
    before = _tables(path)
    ledger = Ledger(path, lambda: datetime.now(UTC))
    ledger.rebuild()
    ledger.close()
    assert _tables(path) == before


def _tables(path: Path) -> dict[str, list[Any]]:
    connection = connect_reader(path)
    found = {
        table: connection.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall()
        for table in TABLES
    }
    connection.close()
    return found


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
