"""Some three hundred files, good, odd and bad, through the real service in one sweep.

What must come of each is written beside it in the tables of this folder, from the rules of the
trade and not from what the code says.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from entries import Dropped
from outside import apart, seen, small
from studio_of_corpus import CORPUS, ONLY_LONG, drop_all, make_studio

from forked_sweep import forked_sweep
from platemark.ledger.read import Reader, connect_reader
from platemark.parcel.bag import verify_parcel

PLATEMARK = Path(sys.executable).with_name("platemark")


@dataclass(frozen=True)
class Came:
    """What came of one file."""

    state: str
    stops: frozenset[str]
    cautions: frozenset[str]
    changes: str
    """Texts of the change log."""


def command(root: Path, *words: str) -> tuple[int, str, str]:
    """Run a command of the studio: exit code, what it wrote, what it complained of."""
    done = subprocess.run(
        [str(PLATEMARK), "--studio", str(root), *words],
        capture_output=True,
        text=True,
        timeout=900,
        check=False,
    )
    return done.returncode, done.stdout, done.stderr


def hashes(root: Path, dropped: dict[bytes, Dropped]) -> dict[bytes, str]:
    """SHA-256 of every file that was dropped as a file."""
    found = {}
    for relative in dropped:
        path = root / "hot" / os.fsdecode(relative)
        if path.is_file() and not path.is_symlink():
            found[relative] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def came_of(root: Path) -> dict[bytes, Came]:
    """What the record has of every file, by its path under the hot folders."""
    listed = {job["job"]: job for job in json.loads(command(root, "jobs", "--json")[1])}
    changes = dict(changes_of(root))
    connection = connect_reader(root / "ledger.sqlite3")
    found = {}
    for row in Reader(connection).jobs():
        body = Reader(connection).body(row.claimed_seq)
        path = bytes.fromhex(body["drop"]["path_hex"])
        if "test_of" in body:
            assert listed[row.job]["state"] in ("parcelled", "delivered")
            continue
        # Whether a picture suits its surface is another table's question.
        findings = [f for f in listed[row.job]["findings"] if not f["code"].startswith("suit-")]
        by_severity = {
            severity: frozenset(f["code"] for f in findings if f["severity"] == severity)
            for severity in ("stop", "caution")
        }
        assert path not in found
        found[path] = Came(
            listed[row.job]["state"],
            by_severity["stop"],
            by_severity["caution"],
            changes.get(row.job, ""),
        )
    connection.close()
    return found


def tickets_of(root: Path) -> Iterator[tuple[Path, dict[str, Any]]]:
    """Every ticket of every parcel, with its parcel."""
    for path in sorted((root / "outgoing").glob("*/*/ticket.json")):
        for ticket in json.loads(path.read_text())["tickets"]:
            yield path.parent, ticket


def changes_of(root: Path) -> Iterator[tuple[int, str]]:
    for _, ticket in tickets_of(root):
        yield ticket["job"], " ".join(change["text"] for change in ticket["changes"])


def disagreements(
    dropped: dict[bytes, Dropped], found: dict[bytes, Came], told: str
) -> Iterator[str]:
    """One line for each file of which something else came than its table says."""
    for relative, each in dropped.items():
        name = relative.decode("utf-8", "backslashreplace")
        came = found.get(relative)
        wanted = each.outcome
        if wanted.come in ("told", "ignored"):
            if came is not None and came.state != "claimed":
                yield f"{name}: {wanted}, but it became a job and is {came.state}"
            word = wanted.logged or name.rpartition("/")[2]
            if wanted.come == "told" and word not in told:
                yield f"{name}: {wanted}, but WAITING.txt does not name it"
            continue
        if came is None:
            yield f"{name}: {wanted}, but it is no job"
            continue
        got = " ".join((came.state, *sorted(came.stops), "with", *sorted(came.cautions)))
        if wanted.come == "held":
            if (came.state, came.stops, came.cautions) != ("held", wanted.codes, wanted.cautions):
                yield f"{name}: {wanted}, but {got}"
        elif wanted.come == "passes":
            if came.state not in ("parcelled", "delivered") or came.cautions != wanted.codes:
                yield f"{name}: {wanted}, but {got}"
            elif wanted.logged not in came.changes:
                yield f"{name}: its change log does not say “{wanted.logged}”: {came.changes}"


def losses(root: Path, before: dict[bytes, str], found: dict[bytes, Came]) -> Iterator[str]:
    """One line for each file whose bytes are neither archived nor where they were dropped."""
    for relative, digest in before.items():
        kept = list((root / "archive" / digest[:2]).glob(f"{digest}.*"))
        here = root / "hot" / os.fsdecode(relative)
        if kept:
            if any(hashlib.sha256(path.read_bytes()).hexdigest() != digest for path in kept):
                yield f"{relative!r} is another file in the archive"
        elif relative in found:
            yield f"{relative!r} is a job and not in the archive"
        elif not here.is_file() or hashlib.sha256(here.read_bytes()).hexdigest() != digest:
            yield f"{relative!r} is nowhere"


MOST_APART = 8
"""Codes of 255, between a picture and its print in sRGB; what a paper cannot print is more."""
MOST_APART_ON_PAPER = 30


def misprints(root: Path) -> Iterator[str]:
    """One line for each print file that other people's readers cannot read, or see otherwise.

    The face of the print is held against the whole original.
    """
    for parcel, ticket in tickets_of(root):
        path = parcel / ticket["print_file"]["path"]
        digest = ticket["original"]["sha256"]
        (original,) = (root / "archive" / digest[:2]).glob(f"{digest}.*")
        name = ticket["original"]["name"]
        try:
            print_seen, original_seen = seen(path), seen(original)
        except (OSError, ValueError) as error:
            yield f"{name}: {error}"
            continue
        assert print_seen is not None
        size = ticket["print_file"]["width_px"], ticket["print_file"]["height_px"]
        if print_seen.size != size:
            yield f"{name}: its print is {print_seen.size} and not {size}"
        if original_seen is None or ticket["request"]["border"] != "none" or "cropped" in name:
            continue
        # Sheets of a test show places of the picture.
        if ticket.get("test", {}).get("part", "half") != "half":
            continue
        left, top, width, height = (
            ticket["geometry"]["face_box"][key] for key in ("left", "top", "width", "height")
        )
        limit = MOST_APART if parcel.parent.name == "tarnmoor" else MOST_APART_ON_PAPER
        off = apart(
            small(print_seen, (left, top, left + width, top + height)),
            small(original_seen, (0, 0, *original_seen.size)),
        )
        if off > limit:
            yield f"{name}: its print is {off:.0f} codes from the picture"


def test_the_corpus_is_as_large_as_it_is_said_to_be() -> None:
    """At least 150 files, of every outcome."""
    assert {each.name for each in CORPUS} >= ONLY_LONG
    assert len(CORPUS) - len(ONLY_LONG) >= 150
    assert set(Counter(each.outcome.come for each in CORPUS)) == {
        "passes", "held", "told", "ignored",
    }  # fmt: skip


@pytest.mark.fault(21, 22, 23, 24, 26, 29)
@pytest.mark.parametrize(
    ("corpus", "sweep"),
    [
        pytest.param(
            [each for each in CORPUS if each.name not in ONLY_LONG], forked_sweep,
            id="one-of-a-kind",
        ),
        pytest.param(
            CORPUS, lambda root: command(root, "sweep"), id="all", marks=pytest.mark.long
        ),
    ],
)  # fmt: skip
def test_every_file_comes_out_as_its_table_says(
    corpus: Sequence[Dropped], sweep: Callable[[Path], tuple[int, str, str]], tmp_path: Path
) -> None:
    """One sweep of the real service over all of them; in the long form of the command itself.

    It ends with 3 and without a fault; every file is accounted for; none is lost; each held job
    has just the stops and cautions of its table, each passing one just the cautions; every parcel
    holds, and other people's readers see in every print file what they see in its original.
    """
    root = tmp_path / "studio"
    make_studio(root)
    dropped = drop_all(root, corpus)
    before = hashes(root, dropped)
    began = time.monotonic()
    code, said, complained = sweep(root)
    print(f"The sweep of {len(corpus)} files took {time.monotonic() - began:.0f} s.")
    assert "Traceback" not in said + complained, complained[-4000:]
    assert code == 3, (said, complained[-4000:])
    found = came_of(root)
    told = (root / "hot/WAITING.txt").read_text()
    assert list(losses(root, before, found)) == []
    parcels = {parcel for parcel, _ in tickets_of(root)}
    assert parcels
    assert [wrong for parcel in parcels for wrong in verify_parcel(parcel)] == []
    assert command(root, "ledger", "verify", "--files")[0] == 0
    wrong = [*disagreements(dropped, found, told), *misprints(root)]
    assert not wrong, f"{len(wrong)} of {len(dropped)} files:\n" + "\n".join(wrong)
    # It is large, and pytest keeps the folders of three runs.
    shutil.rmtree(root)
