"""What may go by the rules of `[keep]`: found out from record and disk, and nothing touched.

Never what waits, is on its way or was not delivered; never the only copy: what leaves `taken/` or
`outgoing/` is in the archive, whose own file was read back from the disk just before. What was sent
stays in the archive unless `archive_years` is set, and what belongs to an edition then too.
"""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal

from platemark.engine.archive_check import SET_ASIDE, Stopped, hash_from_disk, parcel_faults
from platemark.engine.workshop import Folders
from platemark.intake.drop_files import TAKEN
from platemark.ledger.edition_tables import EDITION
from platemark.ledger.erasing import KIND as WORDS_ERASED
from platemark.ledger.keeping import Keeping, KeptRow
from platemark.ledger.read import JobRow, ParcelRow, Reader
from platemark.ledger.store import stamp
from platemark.model.decision import HANDED_IN
from platemark.model.job import job_number, shown_name
from platemark.model.studio import Keep

Place = Literal["archive", "outgoing", "hot", "decisions"]
ERASED_RULE = "erased"
"""By what no key of `[keep]` says: somebody had a client's words erased."""
MOST_AT_ONCE = 200
"""Files that one entry speaks of."""
LARGEST_REQUEST = 1 << 20
LARGEST_UNREADABLE = 1 << 30
"""What is larger is read by nobody and stays."""
_TAKEN_NAME = re.compile(rb"(?P<job>[0-9]{6,12})-(?P<name>.+)", re.DOTALL)
_SHEET_NAME = re.compile(rb"sheet-(?P<seq>[0-9]{6,12})-.+", re.DOTALL)
_REQUEST = b".toml"
_UNREADABLE = ".unreadable"
_DAYS_A_YEAR = 366


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that may go."""

    rule: str
    """The key of `[keep]` by which it goes, or `ERASED_RULE`."""
    place: Place
    path: bytes
    """From the studio's folder; in `hot` from the hot root."""
    sha256: str
    """Of a parcel that of its list of tags."""
    bytes: int
    extension: str = ""
    """In the archive and for requests alone."""
    job: int | None = None
    parcel: str = ""
    lab: str = ""
    is_request: bool = False
    """A request that went to `taken/` with its picture: it is archived before it goes."""


@dataclass(slots=True)
class Found:
    """What the rules say of a studio now."""

    items: list[Item] = field(default_factory=list)
    changed: list[Item] = field(default_factory=list)
    """Files in `taken/` that are not what was taken in: somebody wrote to them later."""
    cut_short: bool = False
    """It was to end before everything was looked at."""


@dataclass(frozen=True, slots=True)
class Rules:
    """What the looking goes by."""

    keep: Keep
    now: datetime
    read_back: bool = True
    """False for a first idea of what would go, without reading a file."""
    ending: Callable[[], bool] = lambda: False
    most: int = 5000
    """Files for one time; the rest goes the next."""

    def before(self, days: int) -> str:
        """The moment that a rule reaches back to, as entries have it."""
        return stamp(self.now - timedelta(days=days))


def find_removable(reader: Reader, folders: Folders, rules: Rules) -> Found:
    """Find what may go, and every file that stands in the way of a rule.

    It reads each file that would go, and the archive's copy of it.
    """
    found = Found()
    try:
        for finder in (_taken, _parcels, _never_sent, _sent_long_ago, _left_over):
            for item, fine in finder(reader, folders, rules):
                (found.items if fine else found.changed).append(item)
                if rules.ending() or len(found.items) >= rules.most:
                    found.cut_short = True
                    return found
    except Stopped:
        found.cut_short = True
    return found


Finding = tuple[Item, bool]
"""An item, and whether it may go; one that may not is told."""


# -- taken/ ----------------------------------------------------------------------------------------


def _taken(reader: Reader, folders: Folders, rules: Rules) -> Iterator[Finding]:
    days = rules.keep.taken_days
    before = rules.before(days) if days else ""
    erased = {entry.job for entry in reader.entries(kind=WORDS_ERASED)}
    if not days and not erased:
        return
    for folder in (folders.hot, *_folders_in(folders.hot)):
        for path, status in _plain_files(folder / TAKEN):
            relative = os.fsencode(path.relative_to(folders.hot))
            name = os.fsencode(path.name)
            if sheet := _SHEET_NAME.fullmatch(name):
                found = _sheet(reader, relative, status, int(sheet["seq"]), before)
            elif (match := _TAKEN_NAME.fullmatch(name)) and int(match["job"]) in erased:
                found = _erased_request(relative, status, int(match["job"]))
                found = found or _drop(reader, relative, status, int(match["job"]), before)
            elif match:
                found = _drop(reader, relative, status, int(match["job"]), before)
            else:
                found = None
            if found is not None:
                yield from _as_archived(reader, folders, path, found, rules)


def _erased_request(relative: bytes, status: os.stat_result, job: int) -> Item | None:
    """The request of a job whose words were erased goes at once, and nothing of it is archived."""
    if not relative.endswith(_REQUEST) or status.st_size > LARGEST_REQUEST:
        return None
    return Item(ERASED_RULE, "hot", relative, "", status.st_size, "toml", job)


def _drop(
    reader: Reader, relative: bytes, status: os.stat_result, job: int, before: str
) -> Item | None:
    row = reader.job(job)
    if row is None:
        return None
    holder = int(reader.body(row.claimed_seq).get("drop_of", job))
    gone = [entry for entry in reader.entries(job=holder, kind="let-go") if entry.at < before]
    if not gone or gone[-1].body["outcome"] != "taken":
        return None
    name = relative.rsplit(b"/", 1)[-1]
    if name != bytes.fromhex(gone[-1].body["taken"]):
        if not name.endswith(_REQUEST) or status.st_size > LARGEST_REQUEST:
            return None
        return Item("taken_days", "hot", relative, "", status.st_size, "toml", job, is_request=True)
    return Item("taken_days", "hot", relative, row.original_sha256, status.st_size, job=job)


def _sheet(
    reader: Reader, relative: bytes, status: os.stat_result, seq: int, before: str
) -> Item | None:
    entry = reader.entry(seq)
    if entry is None or entry.kind != "sheet-read" or entry.at >= before:
        return None
    ended = (each for each in reader.entries(seq, kind="sheet-let-go") if each.at < before)
    if not any(each.body["sheet"] == seq for each in ended):
        return None
    return Item("taken_days", "hot", relative, entry.body["sha256"], status.st_size)


def _as_archived(
    reader: Reader, folders: Folders, path: Path, item: Item, rules: Rules
) -> Iterator[Finding]:
    """Whether a file in `taken/` is what was taken in, and the archive has it whole."""
    if not rules.read_back:
        yield item, True
        return
    lengths = Keeping(reader).lengths_of(item.sha256)
    if lengths and item.bytes not in lengths:
        # Another length is another content; what somebody put there may have no end.
        yield _with_hash(item, ""), False
        return
    found = _hash(path, rules)
    if not found:
        return
    if item.is_request or item.rule == ERASED_RULE:
        yield _with_hash(item, found), True
    elif found != item.sha256:
        yield _with_hash(item, found), False
    elif _is_archived(reader, folders, item.sha256, rules):
        yield item, True


def _with_hash(item: Item, sha256: str) -> Item:
    return Item(
        item.rule, item.place, item.path, sha256, item.bytes, item.extension, item.job,
        is_request=item.is_request,
    )  # fmt: skip


def _is_archived(reader: Reader, folders: Folders, sha256: str, rules: Rules) -> bool:
    """Whether the archive's own file has that content, or the record says why it has none."""
    rows = Keeping(reader).rows_of(sha256)
    names = {(row.sha256, row.extension) for row in rows if row.state == "needed"}
    if not names:
        return any(row.state == "removed" for row in rows)
    return any(_hash(folders.archived(*name), rules) == sha256 for name in names)


# -- outgoing/ -------------------------------------------------------------------------------------


def _parcels(reader: Reader, folders: Folders, rules: Rules) -> Iterator[Finding]:
    if not rules.keep.parcels_days:
        return
    before = rules.before(rules.keep.parcels_days)
    cleared = Keeping(reader).cleared_parcels()
    for parcel in reader.parcels(state="delivered"):
        entry = reader.entry(parcel.seq)
        folder = folders.outgoing / parcel.lab / parcel.name
        if entry is None or entry.at >= before or parcel.name in cleared:
            continue
        if folder.is_symlink() or not folder.is_dir():
            continue
        item = Item(
            "parcels_days", "outgoing", os.fsencode(folder.relative_to(folders.root)),
            parcel.tagmanifest, _bytes_below(folder), parcel=parcel.name, lab=parcel.lab,
        )  # fmt: skip
        if not rules.read_back or _parcel_is_archived(reader, folders, parcel, rules):
            yield item, True


def _parcel_is_archived(reader: Reader, folders: Folders, parcel: ParcelRow, rules: Rules) -> bool:
    """Whether a parcel is as it was sent, and the archive has every print file of it."""
    faults, _ = parcel_faults(folders.root, parcel, rules.ending)
    if faults:
        return False
    rows = reader.jobs(parcel=parcel.name)
    return all(
        row.print_sha256 is None or _is_archived(reader, folders, row.print_sha256, rules)
        for row in rows
    )


# -- archive/ --------------------------------------------------------------------------------------


def _never_sent(reader: Reader, folders: Folders, rules: Rules) -> Iterator[Finding]:
    """Files of withdrawn jobs that were never in a parcel, and what others took the place of."""
    if not rules.keep.withdrawn_days:
        return
    before = rules.before(rules.keep.withdrawn_days)
    here = {row.job for row in reader.drops(here=True)}
    done: set[str] = set()
    for job in reader.jobs(state="withdrawn"):
        if job.moved_at < before and job.parcel is None and job.job not in here:
            rows = Keeping(reader).rows_of_job(job.job)
            yield from _unless_needed(reader, folders, rows, before, "withdrawn_days", done)
    past = Keeping(reader).past(Keeping(reader).seq_before(before) + 1)
    yield from _unless_needed(reader, folders, past, before, "withdrawn_days", done)


def _sent_long_ago(reader: Reader, folders: Folders, rules: Rules) -> Iterator[Finding]:
    if not rules.keep.archive_years:
        return
    before = rules.before(rules.keep.archive_years * _DAYS_A_YEAR)
    done: set[str] = set()
    for job in reader.jobs(state="delivered"):
        if job.moved_at < before and not _of_an_edition(reader, job):
            rows = Keeping(reader).rows_of_job(job.job)
            yield from _unless_needed(reader, folders, rows, before, "archive_years", done)


def _unless_needed(
    reader: Reader, folders: Folders, rows: list[KeptRow], before: str, rule: str, done: set[str]
) -> Iterator[Finding]:
    for row in rows:
        if row.state == "removed" or row.sha256 in done or row.kind not in _OF_JOBS:
            continue
        done.add(row.sha256)
        if not all(
            _may_go(reader, each, before, rule) for each in Keeping(reader).rows_of(row.sha256)
        ):
            continue
        path = folders.archived(row.sha256, row.extension)
        yield (
            Item(
                rule, "archive", os.fsencode(path.relative_to(folders.root)), row.sha256,
                _length(path), row.extension, row.job or None,
            ),
            True,
        )  # fmt: skip


_OF_JOBS = ("original", "print", "proof")


def _may_go(reader: Reader, row: KeptRow, before: str, rule: str) -> bool:
    """Whether what one job has to do with a file is no reason to keep it."""
    if row.state == "removed":
        return True
    if row.kind not in _OF_JOBS:
        return False
    job = reader.job(row.job)
    if job is None:
        return False
    if rule == "archive_years":
        old = job.state == "delivered" and job.moved_at < before and not _of_an_edition(reader, job)
        return old or (_never_sent_at_all(job, row) and job.moved_at < before)
    if row.state == "past" and not row.sent:
        entry = reader.entry(row.seq)
        return entry is not None and entry.at < before
    return _never_sent_at_all(job, row) and job.moved_at < before


def _never_sent_at_all(job: JobRow, row: KeptRow) -> bool:
    return job.state == "withdrawn" and job.parcel is None and not row.sent


def _of_an_edition(reader: Reader, job: JobRow) -> bool:
    """Whether a job asked for an edition, or its ticket names one where nothing else is left."""
    body = reader.body(job.examined_seq)
    return bool(body.get("request", {}).get("edition") or body.get(EDITION))


# -- what nobody reads any more --------------------------------------------------------------------


def _left_over(reader: Reader, folders: Folders, rules: Rules) -> Iterator[Finding]:
    """Answers that could not be read, files whose decision is gone, damaged ones that are whole."""
    days = rules.keep.withdrawn_days
    if not days:
        return
    oldest = rules.now - timedelta(days=days)
    for path, status in _plain_files(folders.decisions):
        if status.st_size > LARGEST_UNREADABLE:
            continue
        is_left = path.suffix == _UNREADABLE or _lacks_its_decision(path)
        if is_left and status.st_ctime < oldest.timestamp():
            item = _item_of(folders, path, "decisions", status, _hash(path, rules))
            yield item, True
    for folder in _folders_in(folders.archive):
        for path, status in _plain_files(folder):
            match = SET_ASIDE.fullmatch(path.name)
            if match is None or match["when"] >= f"{oldest:%Y%m%d%H%M%S}":
                continue
            sha256 = match["name"].partition(".")[0]
            if not rules.read_back or _is_archived(reader, folders, sha256, rules):
                yield _item_of(folders, path, "archive", status, _hash(path, rules)), True


def _lacks_its_decision(path: Path) -> bool:
    """Whether a file was handed in beside a decision that is not, or no longer, there."""
    return path.suffix[1:] in HANDED_IN and not path.with_suffix(".json").exists()


def _item_of(
    folders: Folders, path: Path, place: Place, status: os.stat_result, sha256: str
) -> Item:
    relative = os.fsencode(path.relative_to(folders.root))
    return Item("withdrawn_days", place, relative, sha256, status.st_size)


# -- reading ---------------------------------------------------------------------------------------


def _hash(path: Path, rules: Rules) -> str:
    """The hash of a file as the disk has it; empty where it cannot be read or need not be."""
    if not rules.read_back:
        return ""
    try:
        return hash_from_disk(path, rules.ending)[0]
    except OSError:
        return ""


def _folders_in(folder: Path) -> list[Path]:
    try:
        return sorted(path for path in folder.iterdir() if path.is_dir() and not path.is_symlink())
    except OSError:
        return []


def _plain_files(folder: Path) -> list[tuple[Path, os.stat_result]]:
    """Files in a folder that is none by a link; none where it is not there."""
    found = []
    try:
        if not stat.S_ISDIR(folder.lstat().st_mode):
            return []
        for path in sorted(folder.iterdir()):
            status = path.lstat()
            if stat.S_ISREG(status.st_mode):
                found.append((path, status))
    except OSError:
        return found
    return found


def _length(path: Path) -> int:
    try:
        return path.lstat().st_size
    except OSError:
        return 0


def _bytes_below(folder: Path) -> int:
    return sum(_length(Path(at, name)) for at, _, files in os.walk(folder) for name in files)


def words_of(item: Item) -> str:
    """One item for people: where it is and why it may go."""
    of = f" (job {job_number(item.job)})" if item.job else ""
    return f"{path_words(item)}{of}, {item.bytes / 1e6:.1f} MB, by {item.rule}"


def path_words(item: Item) -> str:
    """Where an item is, for people: its path in the studio, or below `hot/`."""
    shown = shown_name(item.path)
    return f"hot/{shown}" if item.place == "hot" else shown


def plain_item(item: Item) -> dict[str, Any]:
    """An item as an entry holds it: its path as text where it is text, else as hexadecimal."""
    try:
        path: dict[str, Any] = {"path": item.path.decode("utf-8")}
    except UnicodeDecodeError:
        path = {"path_hex": item.path.hex()}
    body = {
        "rule": item.rule, "place": item.place, **path, "sha256": item.sha256,
        "bytes": str(item.bytes), "extension": item.extension, "job": item.job,
    }  # fmt: skip
    if item.parcel:
        body |= {"parcel": item.parcel, "lab": item.lab}
    return body
