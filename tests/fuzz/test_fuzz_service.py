"""Spoilt files dropped all at once into the hot folders of a real studio.

The service lives; every file is held or printed, none is lost; what no other decoder reads whole is
in no parcel; the note for people can be read.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import independent
import pytest
from harness import LAB, make_studio
from metadata import LONG_AGO
from mutate import picture_mutant

from forked_sweep import ENVIRONMENT, forked_sweep
from platemark.ledger.read import Reader, connect_reader
from platemark.parcel.bag import verify_parcel

PLATEMARK = Path(sys.executable).with_name("platemark")
AT_ONCE = 2


def studio_with(root: Path, numbers: range) -> dict[str, bytes]:
    """A studio whose lab takes working spaces, and these mutants in three of its hot folders."""
    make_studio(root, b"")
    settings = root / "studio.toml"
    settings.write_text(settings.read_text().replace("jobs = 1", f"jobs = {AT_ONCE}"))
    lab = root / f"labs/{LAB}.toml"
    front, _, _ = lab.read_text().partition("[products.profile]")
    lab.write_text(
        front.replace("[products.ppi]", 'working_spaces = ["adobe-rgb", "srgb"]\n[products.ppi]')
    )
    dropped = {}
    for number in numbers:
        mutant = picture_mutant(number)
        folder = root / "hot/small-rag" / ("2x3in", "3x2in", "2x3in/wedding")[number % 3]
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / f"{number}-{mutant.seed}"
        path.write_bytes(mutant.data)
        os.utime(path, (LONG_AGO, LONG_AGO))
        dropped[path.name] = mutant.data
    return dropped


def whole_for_others(data: bytes) -> bool:
    return any(True for _ in independent.readings(data))


def look_at(root: Path, dropped: dict[str, bytes]) -> Counter[str]:
    """Hold what came of a sweep against what must; the states of the jobs, counted."""
    connection = connect_reader(root / "ledger.sqlite3")
    reader = Reader(connection)
    assert reader.find_fault() is None
    rows = {row.original_name: row for row in reader.jobs()}
    findings = {
        name: [f["code"] for f in reader.body(row.held_seq)["findings"] if f["severity"] == "stop"]
        for name, row in rows.items()
        if row.held_seq is not None
    }
    connection.close()
    assert set(rows) == set(dropped)
    assert {row.state for row in rows.values()} <= {"held", "delivered"}
    for name, row in rows.items():
        assert row.original_sha256 == hashlib.sha256(dropped[name]).hexdigest()
        kept = root / "archive" / row.original_sha256[:2]
        (original,) = kept.glob(f"{row.original_sha256}.*")
        assert original.read_bytes() == dropped[name]
    sent = [name for name, row in rows.items() if row.state == "delivered"]
    assert [name for name in sent if not whole_for_others(dropped[name])] == []
    bags = sorted((root / "at-the-lab").iterdir())
    assert [fault for bag in bags for fault in verify_parcel(bag)] == []
    assert len(list((root / "at-the-lab").glob("*/data/*"))) == len(sent)
    codes = Counter(code for found in findings.values() for code in found)
    assert not codes["our-fault"], [n for n, found in findings.items() if "our-fault" in found]
    told = (root / "hot/WAITING.txt").read_text("utf-8")
    held = [name for name, row in rows.items() if row.state == "held"]
    assert [name for name in held if name not in told] == []
    assert all(line.isprintable() for line in told.splitlines())
    print(f"{len(sent)} sent, {len(held)} held: {codes.most_common()}")
    return Counter(row.state for row in rows.values())


@pytest.mark.fault(24, 26, 29)
def test_spoilt_files_all_at_once(tmp_path: Path) -> None:
    """Two dozen, in one sweep of the service whose children are forks of it."""
    root = tmp_path / "studio"
    dropped = studio_with(root, range(7000, 7024))
    code, _, complained = forked_sweep(root)
    assert code == 3, complained[-4000:]
    states = look_at(root, dropped)
    assert min(states["held"], states["delivered"]) > 2


@pytest.mark.long
@pytest.mark.fault(24, 26, 29)
def test_two_thousand_spoilt_files_all_at_once(tmp_path: Path) -> None:
    """The long form: the command itself, with children that are really started."""
    root = tmp_path / "studio"
    dropped = studio_with(root, range(8000, 10_000))
    done = subprocess.run(
        [str(PLATEMARK), "--studio", str(root), "sweep"],
        capture_output=True, text=True, env=ENVIRONMENT, check=False,
    )  # fmt: skip
    assert "Traceback" not in done.stdout + done.stderr, done.stderr[-4000:]
    assert done.returncode == 3, done.stderr[-4000:]
    look_at(root, dropped)
