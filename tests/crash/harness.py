"""A small studio, its undisturbed result, and what a power cut takes away."""

import functools
import hashlib
import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
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
    prints: tuple[str, ...]
    delivered: tuple[tuple[str, tuple[str, ...]], ...]
    held: tuple[str, ...]
    hot: tuple[str, ...]


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


def printer_profile() -> bytes:
    """An invented lab's profile."""
    return make_printer_profile(MATTE_RAG)


def drive(root: Path, stop_at: int, log: Path, omit: str = "") -> int:
    """Run one sweep in a process of its own; gives its exit code, negative for a signal."""
    driver = _driver()
    assert driver.stdin is not None
    assert driver.stdout is not None
    driver.stdin.write(json.dumps([str(root), stop_at, str(log), omit]) + "\n")
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
    lines = log.read_text().splitlines() if log.exists() else []
    return [(name, [Path(path) for path in paths]) for name, paths in map(json.loads, lines)]


def cut_power(root: Path, log: Path) -> None:
    """Take away what was never synced: bytes of files, and names in folders.

    A model of the worst that a file system may do: a written file whose bytes were not synced is
    empty; a rename whose folder was not synced never happened. The database syncs itself.
    """
    unsynced_files: set[Path] = set()
    unsynced_names: list[tuple[Path, Path]] = []
    for name, paths in operations(log):
        if name == "write":
            unsynced_files.add(paths[0])
        elif name == "sync-file":
            unsynced_files.discard(paths[0])
        elif name == "sync-folder":
            unsynced_names = [n for n in unsynced_names if n[1].parent != paths[0]]
        elif name in ("publish", "replace"):
            source, target = paths
            moved = {path for path in unsynced_files if path == source or source in path.parents}
            unsynced_files -= moved
            unsynced_files |= {target / path.relative_to(source) for path in moved}
            if name == "publish":
                unsynced_names.append((source, target))
    for path in unsynced_files:
        if path.is_file():
            path.chmod(0o644)
            path.write_bytes(b"")
    for source, target in reversed(unsynced_names):
        if target.exists() and not source.exists():
            target.rename(source)


def result(root: Path) -> Result:
    """What the studio came to, with everything about it that must hold asserted on the way."""
    connection = connect_reader(root / "ledger.sqlite3")
    reader = Reader(connection)
    assert reader.find_fault() is None
    rows = reader.jobs()
    for row in rows:
        original = reader.body(row.claimed_seq)["original"]
        kept = root / "archive" / row.original_sha256[:2]
        assert _sha256(kept / f"{row.original_sha256}.{original['extension']}") == (
            row.original_sha256
        )
    deliveries = [entry.body["parcel"] for entry in reader.entries(kind="parcel-delivered")]
    assert len(deliveries) == len(set(deliveries)), "a parcel was recorded as delivered twice"
    sent = [entry.job for entry in reader.entries(kind="delivered")]
    assert len(sent) == len(set(sent)), "a job was delivered twice"
    assert not list(reader.drops(here=True))
    connection.close()
    _projection_can_be_rebuilt(root)
    at_lab = sorted((root / "at-the-lab").iterdir())
    for parcel in at_lab:
        assert verify_parcel(parcel) == ()
    for kind in ("spool", "prints", "held", "parcels"):
        assert not list((root / "work" / kind).iterdir()), f"left over in work/{kind}"
    return Result(
        jobs=tuple(
            (row.job, row.state, row.original_name, row.size, row.copies, row.order, row.parcel,
             row.print_sha256, row.request_key) for row in rows
        ),
        prints=tuple(row.print_sha256 or "" for row in rows),
        delivered=tuple(
            (parcel.name, tuple(sorted(_sha256(path) for path in (parcel / "data").iterdir())))
            for parcel in at_lab
        ),
        held=tuple(
            sorted(str(p.relative_to(root)) for p in (root / "held").rglob("*") if p.is_file())
        ),
        hot=tuple(
            sorted(str(p.relative_to(root)) for p in (root / "hot").rglob("*") if p.is_file())
        ),
    )  # fmt: skip


def fresh(template: Path, root: Path) -> Path:
    """A copy of a studio, times kept."""
    shutil.copytree(template, root, copy_function=shutil.copy2)
    return root


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
