"""A digest's files: MORNING.txt and MORNING.html in the studio, and past ones in `mornings/`.

What a digest says is kept beside them as JSON, so that it can be sent once more after a start, and
written anew without a client's words when those are erased.
"""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import msgspec

from platemark import durable
from platemark.engine.digest_pages import digest_html, digest_text
from platemark.engine.workshop import Folders
from platemark.ledger.read import ERASED
from platemark.model.morning import Digest, DigestLine
from platemark.model.plain import from_plain, to_plain

FOLDER = "mornings"
_SHORTEST_SOUGHT = 4
"""Letters of what is looked for within sentences."""
_OURS = re.compile(r"(\d{4}-\d{2}-\d{2})\.(json|txt|html)")


def write_digest(folders: Folders, digest: Digest) -> None:
    """Write a digest as the studio's newest, and among the past ones; the same again is no harm.

    Raises:
        DiskFault: the disk refuses.
        DiskFull: there is no room.
    """
    _write_kept(folders, digest)
    _write(folders, folders.root / "MORNING.txt", digest_text(digest))
    _write(folders, folders.root / "MORNING.html", digest_html(digest))


def read_digest(root: Path, day: str) -> Digest | None:
    """What was said on a local date; None where it is not kept, or cannot be read any more."""
    try:
        plain = json.loads((root / FOLDER / f"{day}.json").read_bytes())
        return from_plain(Digest, plain)
    except (OSError, ValueError, msgspec.ValidationError):
        return None


def clear_past(folders: Folders, today: date, keep_days: int) -> None:
    """Remove digests that are older than the studio keeps them; 0 keeps all."""
    oldest = (today - timedelta(days=keep_days)).isoformat()
    for path in _kept(folders.root):
        if keep_days and path.stem < oldest:
            durable.remove_file(path)


def forget_words(folders: Folders, words: Collection[str]) -> int:
    """Write every digest anew that holds one of these personal words; gives how many did.

    Args:
        folders: The studio's.
        words: Texts that were erased from the record.
    """
    wanted = {word for word in words if word}
    days = sorted({path.stem for path in _kept(folders.root)})
    found = 0
    for day in days:
        digest = read_digest(folders.root, day)
        if digest is None:
            continue
        fresh = _without(digest, wanted)
        if fresh == digest:
            continue
        found += 1
        if day == days[-1]:
            write_digest(folders, fresh)
        else:
            _write_kept(folders, fresh)
    return found


def _without(digest: Digest, words: Collection[str]) -> Digest:
    parts = tuple(
        replace(part, lines=tuple(_line_without(line, words) for line in part.lines))
        for part in digest.parts
    )
    return replace(digest, parts=parts)


def _line_without(line: DigestLine, words: Collection[str]) -> DigestLine:
    if any(word in line.private for word in words):
        line = replace(line, private=ERASED)
    # The longest first, as one may be a part of another; a short one stands in many a word.
    for word in sorted(words, key=len, reverse=True):
        if len(word) < _SHORTEST_SOUGHT:
            continue
        line = replace(
            line, text=line.text.replace(word, ERASED), next=line.next.replace(word, ERASED)
        )
    return line


def _write_kept(folders: Folders, digest: Digest) -> None:
    folder = folders.root / FOLDER
    durable.make_folder(folder)
    day = digest.day.isoformat()
    _write(folders, folder / f"{day}.txt", digest_text(digest))
    _write(folders, folder / f"{day}.html", digest_html(digest))
    plain = json.dumps(to_plain(digest), ensure_ascii=False, indent=1)
    _write(folders, folder / f"{day}.json", plain)


def _write(folders: Folders, path: Path, text: str) -> None:
    scratch = folders.scratch("mornings") / path.name
    durable.make_folder(scratch.parent)
    durable.write_over(path, text.encode("utf-8", "replace"), scratch)


def _kept(root: Path) -> Iterator[Path]:
    try:
        paths = sorted((root / FOLDER).iterdir())
    except OSError:
        return
    yield from (path for path in paths if _OURS.fullmatch(path.name))
