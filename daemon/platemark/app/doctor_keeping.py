"""What `doctor` says of what is kept: room by kind, upkeep, the archive, backups."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from platemark.app.doctor_word import Word
from platemark.engine.archive_check import SET_ASIDE, load_round
from platemark.engine.copy_marker import read_marker
from platemark.engine.mending import damage_words
from platemark.engine.retention import Rules, find_removable
from platemark.engine.upkeep import NIGHTLY
from platemark.engine.workshop import Folders
from platemark.intake.drop_files import TAKEN
from platemark.ledger.chain import Entry
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import Reader
from platemark.model.job import shown_name
from platemark.model.studio import Settings

_KINDS = {
    "original": "originals",
    "print": "print files",
    "proof": "previews",
    "profile": "profiles",
    "sheet": "order sheets",
    "paper": "tickets and lists",
    "then-and-now": "then and now",
    "photo": "returned prints",
    "readings": "strips’ readings",
    "chart": "strips’ charts",
    "past": "no longer needed",
    "set aside": "damaged, set aside",
    "other": "others",
}
_MOST_DAMAGES = 50


def keeping_words(root: Path, settings: Settings, reader: Reader) -> Iterator[Word]:
    """Everything about what a studio with a record keeps."""
    now = datetime.now(UTC)
    keeping = Keeping(reader)
    if (marker := read_marker(root)) is not None:
        yield Word(
            "note",
            "copy",
            f"this is a copy of a studio, made on {marker.made[:10]}; it sends nothing",
            "If the studio itself is lost: `platemark take-over`.",
        )
    yield from _damages(reader, keeping)
    yield _room(root, settings, reader)
    yield _removable(root, settings, reader, now)
    yield _archive_read(root, settings, keeping, now)
    yield _upkeep(settings, keeping)
    yield _backup(settings, keeping, now)
    for parcel in reader.parcels(state="doubtful"):
        yield Word(
            "note",
            f"parcel {parcel.name}",
            "nobody knows whether the lab has it: it was closed before this copy was taken over",
            f"Ask the lab, then `platemark parcel {parcel.name} --sent` or `--send`.",
        )


def _damages(reader: Reader, keeping: Keeping) -> Iterator[Word]:
    damages = keeping.damages()
    for damage in damages[:_MOST_DAMAGES]:
        sentence, then = damage_words(reader, damage)
        path = shown_name(damage.path.encode("utf-8", "surrogateescape"))
        yield Word("wrong", path, f"{sentence[:1].lower()}{sentence[1:]}", then)
    if len(damages) > _MOST_DAMAGES:
        yield Word(
            "wrong",
            "archive",
            f"{len(damages) - _MOST_DAMAGES} more files are damaged",
            "Check the disk. `platemark archive verify --json` lists them all.",
        )


def _room(root: Path, settings: Settings, reader: Reader) -> Word:
    """How much room each kind of thing takes."""
    folders = Folders.of(root, settings)
    parts = [f"archive {_of_archive(folders, Keeping(reader))}"]
    taken = sum(_below(path / TAKEN) for path in (folders.hot, *_folders(folders.hot)))
    for name, size in (
        ("outgoing", _below(folders.outgoing)),
        ("held", _below(folders.held)),
        ("taken", taken),
        ("work", _below(folders.work)),
        ("record", _length(folders.ledger)),
    ):
        parts.append(f"{name} {_shown(size)}")
    return Word("good", "room", ", ".join(parts))


def _of_archive(folders: Folders, keeping: Keeping) -> str:
    sizes: Counter[str] = Counter()
    for folder in _folders(folders.archive):
        named = keeping.named(folder.name)
        with os.scandir(folder) as entries:
            for entry in entries:
                kind, state = named.get(entry.name, ("other", ""))
                if SET_ASIDE.fullmatch(entry.name):
                    kind = "set aside"
                elif state in ("past", "removed"):
                    kind = "past"
                sizes[kind] += entry.stat(follow_symlinks=False).st_size
    total = _shown(sum(sizes.values()))
    kinds = ", ".join(f"{_KINDS[kind]} {_shown(sizes[kind])}" for kind in _KINDS if sizes[kind])
    return f"{total} ({kinds})" if kinds else total


def _removable(root: Path, settings: Settings, reader: Reader, now: datetime) -> Word:
    """What the rules would free, found out without reading the files."""
    rules = Rules(settings.studio.keep, now, read_back=False)
    found = find_removable(reader, Folders.of(root, settings), rules)
    by_rule: Counter[str] = Counter()
    for item in found.items:
        by_rule[item.rule] += item.bytes
    if not by_rule:
        return Word("good", "keeping", "nothing is to go by the rules of [keep]")
    listed = ", ".join(f"{_shown(size)} by {rule}" for rule, size in sorted(by_rule.items()))
    return Word(
        "good", "keeping", f"{len(found.items)} things may go: {listed}",
        "The service lets them go at night; `platemark archive keep --dry-run` names them.",
    )  # fmt: skip


def _archive_read(root: Path, settings: Settings, keeping: Keeping, now: datetime) -> Word:
    last, under_way = keeping.newest("archive-verified"), load_round(root / "work")
    so_far = f"; {under_way.share:.0%} of the next is done" if under_way is not None else ""
    then = "`platemark archive verify` reads all of it; the service does it night by night."
    if last is None:
        if under_way is not None:
            so_far = f"; {under_way.share:.0%} of it is done"
        return Word("note", "archive", f"all of it was never read back{so_far}", then)
    days = _age(last, now).days
    sentence = f"all of it was read back on {last.at[:10]} ({last.body['files']} files){so_far}"
    if days > 2 * settings.studio.upkeep.archive_days:
        return Word("note", "archive", f"{sentence}; that is {days} days ago", then)
    return Word("good", "archive", sentence)


def _upkeep(settings: Settings, keeping: Keeping) -> Word:
    night = keeping.night(NIGHTLY)
    at = f"{settings.studio.upkeep.at:%H:%M} ({settings.studio.time_zone})"
    if night is None:
        return Word("note", "upkeep", f"none yet; the service does it at {at}, a sweep does none")
    late = ", late" if night.late else ""
    if not night.done:
        return Word("note", "upkeep", f"that of {night.local_date} was begun{late}, and not ended")
    return Word("good", "upkeep", f"last for {night.local_date}{late}; next at {at}")


def _backup(settings: Settings, keeping: Keeping, now: datetime) -> Word:
    last = keeping.newest("backed-up")
    then = "Make one: `platemark backup DEST`, on another disk than the studio's."
    if last is None:
        return Word("note", "backup", "none was ever made", then)
    made = datetime.fromisoformat(last.body["made"])
    sentence = f"the last was made on {made:%Y-%m-%d}, into {last.body['to']}"
    if now - made > timedelta(days=settings.studio.upkeep.backup_days):
        return Word("note", "backup", f"{sentence}: {(now - made).days} days ago", then)
    return Word("good", "backup", sentence)


def _age(entry: Entry, now: datetime) -> timedelta:
    return now - datetime.fromisoformat(entry.at)


def _folders(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.is_dir() and not path.is_symlink())
    except OSError:
        return []


def _below(folder: Path) -> int:
    return sum(_length(Path(at, name)) for at, _, files in os.walk(folder) for name in files)


def _length(path: Path) -> int:
    try:
        return path.lstat().st_size
    except OSError:
        return 0


def _shown(size: int) -> str:
    return f"{size / 1e9:.1f} GB" if size >= 1e9 else f"{size / 1e6:.1f} MB"
