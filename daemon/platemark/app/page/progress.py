"""What is being prepared just now, and how far it is.

The record says which step of a job was begun; how far its files have grown says the rest. Only
their sizes are looked at.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platemark.ledger.read import JobRow, Reader
from platemark.ledger.search import begun_steps

MOST = 40
_SCRATCH = re.compile(r"(?:\d+-)?(\d+)-\d+\.(face|tif|jpg)")
_FACE_BYTES = 6
"""Of a pixel: three channels of 16 bit."""


@dataclass(frozen=True, slots=True)
class UnderWay:
    """One job that is being worked on."""

    row: JobRow
    stage: str
    """What is done to it, in words."""
    done: int | None
    """How far that is, 0 to 100; None where nobody can tell."""


def under_way(reader: Reader, work: Path) -> list[UnderWay]:
    """Jobs whose step was begun and is not done."""
    begun = begun_steps(reader)
    files = dict(_sizes(work))
    found = []
    for row in reader.jobs_numbered(list(begun)[:MOST]):
        step, _ = begun[row.job]
        if row.state == "claimed" and step == "examine":
            found.append(UnderWay(row, "being read and measured", None))
        elif row.state == "examined" and step == "render":
            stage, done = _making(reader.body(row.examined_seq).get("plan", {}), files, row.job)
            found.append(UnderWay(row, stage, done))
    return found


def _making(
    plan: dict[str, Any], files: dict[tuple[int, str], tuple[int, bool]], job: int
) -> tuple[str, int | None]:
    """How far a picture is that is made for the lab: its face, its print file, the check."""
    printed = files.get((job, "print"))
    if printed is not None and printed[1]:
        return "the print file is being checked", None
    pixels = int(plan.get("width_px", 0)) * int(plan.get("height_px", 0))
    if printed is not None:
        of_pixel = 3 * int(plan.get("bits", 8)) // 8
        plain = plan.get("compression", "none") == "none" and plan.get("format") != "jpeg"
        return "the print file is being written", _part(printed[0], pixels * of_pixel, plain)
    face = files.get((job, "face"))
    if face is not None:
        return "its pixels are being made", _part(face[0], pixels * _FACE_BYTES, True)
    return "its pixels are being made", 0


def _part(size: int, of: int, is_plain: bool) -> int | None:
    """Hundredths; None where a packed file's whole size is not known before its end."""
    return min(99, 100 * size // of) if is_plain and of > 0 else None


def _sizes(work: Path) -> Iterator[tuple[tuple[int, str], tuple[int, bool]]]:
    """Files in `work/` by job and kind: their bytes, and whether they are whole."""
    for kind in ("faces", "prints"):
        for path, is_whole in _scratch(work / kind):
            match = _SCRATCH.fullmatch(path.name)
            if match is None:
                continue
            what = "face" if match[2] == "face" else "print"
            try:
                size = path.stat(follow_symlinks=False).st_size
            except OSError:
                continue
            yield (int(match[1]), what), (size, is_whole)


def _scratch(folder: Path) -> Iterator[tuple[Path, bool]]:
    """A folder's files, and those that a child process has in hand; these come first."""
    try:
        entries = sorted(os.scandir(folder), key=lambda each: not each.name.startswith(".child-"))
    except OSError:
        return
    for entry in entries:
        if entry.name.startswith(".child-") and entry.is_dir(follow_symlinks=False):
            try:
                inside = [Path(each.path) for each in os.scandir(entry.path)]
            except OSError:
                continue
            # The third that a child writes is the ticket's drawing.
            yield from ((path, False) for path in inside if not path.name.startswith("2-"))
        elif not entry.name.startswith("."):
            yield Path(entry.path), True
