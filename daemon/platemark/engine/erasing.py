"""A client's personal words erased on request: beside the chain, and the copies that are ours."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from platemark import durable
from platemark.engine.hold import folder_of
from platemark.engine.people import photographer
from platemark.engine.workshop import Folders, Workshop
from platemark.intake.answers import is_reason
from platemark.intake.held import OURS
from platemark.ledger.erasing import KIND, Words, texts_of, words_of
from platemark.ledger.read import JobRow
from platemark.model.decision import EraseDecision
from platemark.model.errors import DecisionRefused
from platemark.model.job import job_number
from platemark.parcel.file_names import ascii_word

ENDED = ("delivered", "withdrawn")
"""Only of a job that nothing more is made for; any other still needs its words."""
_SHORTEST_SOUGHT = 4
"""Letters: a shorter word stands in many a text that is not about it."""
_LARGEST_TEXT = 4 << 20
_NOTES = ("WAITING.txt", "MORNING.txt", "MORNING.html")
"""Words to people in `hot/`, `held/` and the studio, made anew by the service."""

STAYS = (
    "the parcels that were sent, with the tickets in them and their copies in the archive",
    "names of files, of folders and of pictures, which are in the chain itself",
    "files in the archive: the originals, order sheets and request files",
    "what lies in hot/ and in its taken/ folders, until the rule of [keep] lets it go",
    "every backup, and copies of ledger.sqlite3 that were kept aside",
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
    texts = texts_of(read, found.all_own())
    sentence = _sentence(rows, found)
    # First the copies: cut off here, nothing is recorded and it is done again.
    remove_copies(workshop, rows, texts)
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
    if row.state not in ENDED:
        raise DecisionRefused(
            f"Job {number} is {row.state}: the lab still needs what its request says.",
            f"Wait until it is delivered, or withdraw it (`platemark decide {job} --withdraw`).",
        )
    return row


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


def _sentence(rows: Sequence[JobRow], found: Words) -> str:
    count, jobs = len(found.all_own()), len(rows)
    which = f"job {job_number(rows[0].job)}" if jobs == 1 else f"{jobs} jobs"
    words = "1 text" if count == 1 else f"{count} texts"
    are = "is" if count == 1 else "are"
    said = f"{words} of {which} {are} erased; the record verifies as before."
    if found.shared:
        stay = "1 stays" if len(found.shared) == 1 else f"{len(found.shared)} stay"
        said += f" {stay}, because other jobs or decisions say the same."
    return f"{said} Not reached: {'; '.join(STAYS)}."


def remove_copies(workshop: Workshop, rows: Sequence[JobRow], texts: Sequence[str]) -> None:
    """Remove the copies of words that the service made and makes anew without them."""
    sought = tuple(text.encode() for text in texts if len(text) >= _SHORTEST_SOUGHT)
    for row in rows:
        folder = folder_of(workshop, row)
        for name in OURS:
            if _is_plain(folder / name):
                durable.remove_file(folder / name)
    for path in _ours(workshop.folders):
        if _holds(path, sought):
            durable.remove_file(path)


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
        _Place(folders.hot, _NOTES),
        _Place(folders.held, (*_NOTES, *(f"*/*/{name}" for name in OURS if name != "ANSWER.txt"))),
        # Nothing of a parcel that is being made.
        _Place(folders.work, ("*", "held/**/*")),
        _Place(folders.decisions, ("*.unreadable", ".*.tmp")),
    )
    for place in places:
        for pattern in place.names:
            yield from sorted(place.folder.glob(pattern))


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
