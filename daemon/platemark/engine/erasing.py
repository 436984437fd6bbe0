"""A client's personal words erased on request: beside the chain, and the copies that are ours."""

from __future__ import annotations

import os
import stat
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from platemark import durable
from platemark.engine.erasing_files import files_with_words, remove_files
from platemark.engine.hold import folder_of
from platemark.engine.morning_files import forget_words
from platemark.engine.people import photographer
from platemark.engine.retention import Item
from platemark.engine.upkeep import BACKUP_LOCK
from platemark.engine.workshop import Folders, Workshop
from platemark.intake.answers import is_reason
from platemark.intake.held import OURS
from platemark.ledger.erasing import KIND, Words, texts_of, words_of
from platemark.ledger.read import JobRow, Reader
from platemark.model.decision import EraseDecision
from platemark.model.errors import DecisionRefused
from platemark.model.job import job_number
from platemark.parcel.file_names import ascii_word

ENDED = ("delivered", "withdrawn")
"""Of jobs in these states nothing more is made; any other still needs its words, but see
`why_open`."""
_SHORTEST_SOUGHT = 4
"""Letters: a shorter word stands in many a text that is not about it."""
_LARGEST_TEXT = 4 << 20
_HOT_PATIENCE_S = 5.0
_NOTES = ("WAITING.txt", "MORNING.txt", "MORNING.html")
"""Words to people in `held/` and the studio, made anew by the service."""

STAYS = (
    "what the lab has",
    "names of files and folders and titles of pictures, which are in the chain itself",
    "originals and print files, with what their own tags say",
    "request files in taken/, which go the coming night; order sheets there, until [keep] lets "
    "them go; request.toml and other files of yours in hot/",
    "a backup, until it is made again into the same folder; any other copy of ledger.sqlite3, such "
    "as one that was kept before an update",
    "what was sent by mail, shown on screens or written into logs",
)
"""What an erasure does not reach; said whenever one is made."""


def apply_erase(workshop: Workshop, decision: EraseDecision) -> str:
    """Erase what a decision says and record it, one entry for each job.

    Returns:
        What was done, for people.

    Raises:
        DecisionRefused: it cannot be done; nothing was changed.
    """
    person = photographer(
        workshop.settings.studio, decision.by, "To erase words is for a photographer"
    )
    if not is_reason(decision.because):
        raise DecisionRefused("Nothing says why words are erased.", "Give a reason with --because.")
    rows = [_ended(workshop, each.job, each.expected_seq) for each in decision.jobs]
    if not rows:
        raise DecisionRefused("No job is named whose words could be erased.")
    read = workshop.ledger.read
    found = _without_file_names(workshop, words_of(read, [row.job for row in rows]))
    if not found.all_own():
        raise DecisionRefused(_nothing_left(read, rows, found))
    texts = texts_of(read, found.all_own())
    # First the copies: cut off here, no word is erased yet and all of it is done again.
    with durable.only_one(workshop.folders.work / BACKUP_LOCK) as got:
        if not got:
            raise DecisionRefused(
                "A backup is being made, which would keep the words.",
                "Nothing was erased. Ask again when it is done.",
            )
        items, stay = files_with_words(workshop, rows)
        left = remove_files(workshop, items)
    forget_words(workshop.folders, texts)
    remove_copies(workshop, rows, texts)
    sentence = _sentence(rows, found, _files_words(items, stay, left))
    with workshop.ledger.transaction() as transaction:
        transaction.erase_words(found.all_own())
        because = transaction.word(decision.because)
        for row in rows:
            body = {
                "decision": decision.id,
                "words": sorted(found.own[row.job]),
                "because": because,
                "sentence": sentence,
            }
            transaction.append(KIND, body, job=row.job, actor=person.name)
    return sentence


def _ended(workshop: Workshop, job: int, expected_seq: int) -> JobRow:
    number, row = job_number(job), workshop.ledger.read.job(job)
    if row is None:
        raise DecisionRefused(f"There is no job {number}.")
    if row.moved_seq != expected_seq:
        raise DecisionRefused(
            f"Job {number} has moved on since: it is {row.state} now.",
            f"Look at it again (`platemark job {job}`) and decide then.",
        )
    if why := why_open(workshop.ledger.read, workshop.folders.root, row):
        raise DecisionRefused(*why)
    return row


def why_open(read: Reader, root: Path, row: JobRow) -> tuple[str, str] | None:
    """Why a job's words are needed still, and what to do; None where they are not.

    What a lab fetches is with it when the parcel is in `outgoing/` no more.
    """
    number = job_number(row.job)
    if row.state in ENDED:
        return None
    parcel = read.parcel(row.parcel) if row.parcel is not None else None
    if row.state == "parcelled" and parcel is not None and parcel.state == "closed":
        if not os.path.lexists(root / "outgoing" / parcel.lab / parcel.name):
            return None
        return (
            f"Job {number} is in {parcel.name}, which waits in outgoing/{parcel.lab}/: the lab "
            "still needs what its request says.",
            "Nothing was erased. Wait until it is delivered; what was fetched, take out of "
            "outgoing/.",
        )
    return (
        f"Job {number} is {row.state}: the lab still needs what its request says.",
        "Nothing was erased. Wait until it is delivered, or withdraw it (`platemark decide "
        f"{row.job} --withdraw`).",
    )


def _nothing_left(read: Reader, rows: Sequence[JobRow], found: Words) -> str:
    numbers = ", ".join(job_number(row.job) for row in rows)
    if found.shared:
        return (
            f"Whatever is said of {numbers} is said of other jobs too, so nothing was erased. Name "
            "the whole order with --order."
        )
    erased = [entry.at[:10] for row in rows for entry in read.entries(job=row.job, kind=KIND)]
    when = f": that was done on {erased[-1]}" if erased else ""
    return f"Of {numbers} there are no personal words to erase{when}."


def _without_file_names(workshop: Workshop, found: Words) -> Words:
    """Leave the names of print files out that say nothing of the client.

    A recall needs them: the lab finds the file by its name.
    """
    read = workshop.ledger.read
    own = {}
    for job, digests in found.own.items():
        texts = {digest: (texts_of(read, [digest]) or [""])[0] for digest in digests}
        said = [ascii_word(text).casefold() for text in texts.values() if not _is_file(text)]
        own[job] = frozenset(
            digest
            for digest, text in texts.items()
            if not _is_file(text) or any(word and word in text.casefold() for word in said)
        )
    return Words(own, found.shared)


def _is_file(text: str) -> bool:
    return text.startswith("data/")


def _files_words(items: Sequence[Item], stay: Sequence[str], left: int) -> str:
    """What became of the files that hold the words."""
    said = ""
    if parcels := [item.parcel for item in items if item.place == "outgoing"]:
        said += (
            f" {', '.join(parcels)} left outgoing/ with all tickets in it, of other orders too; "
            "its list of tags stays, for comparing the lab's copy."
        )
    if others := sum(item.place == "archive" for item in items):
        said += f" {others} tickets, requests or order sheets left the archive."
    if stay:
        said += f" {', '.join(stay)} stays, because the archive lacks a print file of it."
    if left:
        said += f" {left} could not be removed; the log says why. Ask again."
    return said


def _sentence(rows: Sequence[JobRow], found: Words, files: str) -> str:
    count, jobs = len(found.all_own()), len(rows)
    which = f"job {job_number(rows[0].job)}" if jobs == 1 else f"{jobs} jobs"
    words = "1 text" if count == 1 else f"{count} texts"
    are = "is" if count == 1 else "are"
    said = f"{words} of {which} {are} erased; the record verifies as before."
    if found.shared:
        stay = "1 stays" if len(found.shared) == 1 else f"{len(found.shared)} stay"
        said += f" {stay}, because other jobs or decisions say the same."
    return f"{said}{files} Not reached: {'; '.join(STAYS)}."


def remove_copies(workshop: Workshop, rows: Sequence[JobRow], texts: Sequence[str]) -> None:
    """Remove the copies of words that the service made and makes anew without them."""
    sought = tuple(text.encode() for text in _sought(texts))
    for row in rows:
        folder = folder_of(workshop, row)
        for name in OURS:
            if _is_plain(folder / name):
                durable.remove_file(folder / name)
    for path in _ours(workshop.folders):
        _remove_if_it_holds(path, sought)
    # A share may hang; the note is written anew by the service anyway.
    note = workshop.folders.hot / "WAITING.txt"
    thread = threading.Thread(target=_remove_if_it_holds, args=(note, sought), daemon=True)
    thread.start()
    thread.join(_HOT_PATIENCE_S)


def _sought(texts: Sequence[str]) -> list[str]:
    return [text for text in texts if len(text) >= _SHORTEST_SOUGHT]


@dataclass(frozen=True, slots=True)
class _Place:
    """Folder of texts that are ours."""

    folder: Path
    names: tuple[str, ...]
    """Patterns."""


def _ours(folders: Folders) -> Iterator[Path]:
    """Every text that the service wrote for people, or left half done."""
    places = (
        _Place(folders.root, _NOTES),
        _Place(folders.held, (*_NOTES, *(f"*/*/{name}" for name in OURS if name != "ANSWER.txt"))),
        # Nothing of a parcel that is being made.
        _Place(folders.work, ("*", "held/**/*")),
        _Place(folders.decisions, ("*.unreadable", ".*.tmp")),
    )
    for place in places:
        for pattern in place.names:
            yield from sorted(place.folder.glob(pattern))


def _remove_if_it_holds(path: Path, sought: Sequence[bytes]) -> None:
    if _holds(path, sought):
        durable.remove_file(path)


def _is_plain(path: Path) -> bool:
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def _holds(path: Path, sought: Sequence[bytes]) -> bool:
    if not _is_plain(path):
        return False
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError:
        return False
    with os.fdopen(descriptor, "rb") as file:
        if os.fstat(descriptor).st_size > _LARGEST_TEXT:
            return False
        data = file.read()
    return any(text in data for text in sought)
