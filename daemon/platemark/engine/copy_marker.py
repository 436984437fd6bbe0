"""The file by which a copy of a studio is known as one, until somebody lets it be the studio."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from platemark import durable
from platemark.engine.copy_place import is_folder, move, read_note
from platemark.model.errors import UsageError
from platemark.model.ticket import Witness

MARKER = "A-COPY.json"
"""In the copy's own folder."""
MARKER_AGAIN = "labs/A-COPY"
"""The same once more: where the first was cleared away, the copy would send everything again."""
LEDGER = "ledger.sqlite3"
SETTINGS = ("studio.toml", "surfaces", "labs", "editions", "profiles", "decisions")
"""What may change at any time; together with the record it is put in place at the end."""
COMING, READY, FORMER = ".coming", ".coming-ready.json", ".former"
"""What a backup changes at its end, the list of it once it is whole, and what was there before."""
PART = ".part"
"""What is being copied, under no name of its own."""
_WORDS = (
    "This is a copy of a Platemark studio, made by `platemark backup`. It sends nothing and takes "
    "nothing in. To go on with it in place of a lost studio: `platemark take-over`."
)


@dataclass(frozen=True, slots=True)
class CopyMarker:
    """What a copy says of itself."""

    id: str
    """Of this state of the copy."""
    studio: str
    """The hash of the record's first entry: it tells one studio from another."""
    made: str
    """UTC, as entries have it."""
    seq: int
    """The newest entry of its record, and that one's hash: the witness."""
    hash: str
    ledger_sha256: str

    @property
    def witness(self) -> Witness:
        """The newest entry of its record."""
        return Witness(self.seq, self.hash)


def read_marker(folder: Path) -> CopyMarker | None:
    """What a folder says of itself as a copy; None where it says nothing.

    Raises:
        UsageError: it says something that cannot be read.
    """
    return _read(folder / MARKER) or _read(folder / MARKER_AGAIN)


def _read(path: Path) -> CopyMarker | None:
    try:
        told: Any = json.loads(read_note(path))
        return CopyMarker(
            str(told["id"]), str(told["studio"]), str(told["made"]), int(told["seq"]),
            str(told["hash"]), str(told["ledger_sha256"]),
        )  # fmt: skip
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UsageError(
            f"{path} cannot be read, so nobody knows what this copy is of.",
            "Nothing was changed. If it is a copy, make the backup again into another folder. If "
            "it is the studio itself, remove that file: no backup puts one there.",
        ) from error


def marker_text(marker: CopyMarker) -> bytes:
    """The marker as it stands in its file."""
    return json.dumps({"v": 1, "what": _WORDS, **asdict(marker)}, indent=1).encode() + b"\n"


def refuse_a_copy(root: Path) -> None:
    """Refuse to work in a copy that nobody has let be the studio.

    Raises:
        UsageError: it is one.
    """
    marker = read_marker(root)
    if marker is not None or (root / READY).exists():
        of = f", made on {marker.made[:10]}" if marker is not None else ", not finished"
        raise UsageError(
            f"{root} is a copy of a studio{of}: it does not know what was sent since then.",
            f"Nothing was done. If the studio itself is lost, read about `platemark take-over`; "
            f"else work in the studio. If {MARKER} was put here by mistake, remove it.",
        )


def refuse_place(root: Path, dest: Path) -> None:
    """Refuse a place that is no good for a copy of a studio.

    Raises:
        UsageError: says why.
    """
    refuse_a_copy(root)
    studio, place = root.resolve(), dest.resolve()
    if place.is_relative_to(studio) or studio.is_relative_to(place):
        raise UsageError(
            f"{dest} and the studio lie inside one another; a copy there would be lost with it.",
            "Nothing was copied. Name a folder on another disk.",
        )
    if dest.exists() and not dest.is_dir():
        raise UsageError(f"{dest} is no folder.", "Nothing was copied. Name another place.")
    ours = {MARKER, READY, COMING, PART, ".lock"}
    there = {path.name for path in dest.iterdir()} if dest.is_dir() else set()
    # An unfinished first copy has no marker yet; it has nothing but what a backup makes.
    unfinished = there & ours or not there - {"lost+found"}
    if read_marker(dest) is None and not unfinished:
        raise UsageError(
            f"There is something in {dest} that is no copy of this studio.",
            "Nothing was copied. Name an empty folder, or one that a backup was made into.",
        )


def finish_switch(folder: Path) -> None:
    """Put the whole of a new state in the place of the one before; nothing where none is ready.

    It may be done again after a crash at any point: what is listed has either moved or has not.

    Raises:
        UsageError: what is ready is not what a backup left.
    """
    ready = folder / READY
    if not os.path.lexists(ready):
        return
    for name in _listed(folder):
        coming, target, former = folder / COMING / name, folder / name, folder / FORMER / name
        if not os.path.lexists(coming):
            continue
        if os.path.lexists(target):
            durable.make_folder(former.parent)
            if os.path.lexists(former):
                durable.remove_tree(former)
            move(folder, target, former)
        move(folder, coming, target)
    durable.remove_file(ready)
    durable.sync_folder(folder)
    for left in (COMING, FORMER):
        durable.remove_tree(folder / left)


def _listed(folder: Path) -> list[str]:
    """What a new state consists of.

    Raises:
        UsageError: the list is none of ours, or what is listed does not lie where it should.
    """
    ready = folder / READY
    try:
        names: Any = json.loads(read_note(ready))
    except (OSError, ValueError):
        names = None
    mine = {LEDGER, MARKER, *SETTINGS}
    beside = [folder / each for each in (COMING, FORMER) if os.path.lexists(folder / each)]
    if (
        isinstance(names, list)
        and all(isinstance(name, str) and name in mine for name in names)
        and all(map(is_folder, beside))
    ):
        return names
    raise UsageError(
        f"{ready} is not as a backup leaves it, so what is beside it is not put in place.",
        "Nothing was changed. Keep that folder, and make the backup into another.",
    )
