"""The folder that a copy lies in. Others may write there, so nothing that is there is trusted.

A link in the place of a folder would lead a backup to move and to remove what lies elsewhere. So a
copy that holds any is refused before anything is done, and whatever is moved or removed later is
named from an open folder that no link led to.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from platemark import durable
from platemark.intake.drop_files import folder_below
from platemark.model.errors import UsageError

_NOT_OURS = "lost+found"
LARGEST_NOTE = 1 << 20
"""Bytes of the largest small file that is read whole: a marker, a list, a request."""


def refuse_planted(dest: Path) -> None:
    """Refuse a copy's folder with anything in it but plain folders and files.

    Raises:
        UsageError: names what is in the way.
        OSError: it cannot be looked into.
    """
    left = [dest]
    while left:
        folder = left.pop()
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    if folder == dest and entry.name == _NOT_OURS:
                        continue
                    if entry.is_dir(follow_symlinks=False):
                        left.append(Path(entry.path))
                    elif not entry.is_file(follow_symlinks=False):
                        raise _planted(Path(entry.path))
        except FileNotFoundError:
            continue  # it was there for another backup, which is noticed by its lock


def _planted(path: Path) -> UsageError:
    kind = "a link" if path.is_symlink() else "no file and no folder"
    return UsageError(
        f"{path} is {kind}; a backup makes none, so somebody else put it there.",
        "Nothing was copied, and nothing in that folder was touched. Find out who did, remove it, "
        "and make the backup again; or name another folder.",
    )


def move(dest: Path, source: Path, target: Path) -> None:
    """Give something in a copy's folder another name there, never over what is there.

    Raises:
        AlreadyThere: the name is taken.
        OSError: a link or a file is on the way.
    """
    with (
        folder_below(dest, os.fsencode(source.relative_to(dest))) as old,
        folder_below(dest, os.fsencode(target.relative_to(dest))) as new,
    ):
        durable.publish_at(old, source, new, target)


def remove(dest: Path, path: Path) -> None:
    """Remove a file of a copy's folder if it is there.

    Raises:
        OSError: a link or a file is on the way.
    """
    with folder_below(dest, os.fsencode(path.relative_to(dest))) as folder:
        durable.remove_at(folder, path)


def read_note(path: Path) -> bytes:
    """Read a small plain file; a link is not followed, and nothing is waited for.

    Raises:
        FileNotFoundError: it is not there.
        OSError: it is no plain file, is too large, or cannot be read.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(descriptor, "rb") as file:
        if not stat.S_ISREG(os.fstat(descriptor).st_mode):
            raise OSError(errno.EINVAL, "it is not an ordinary file", str(path))
        data = file.read(LARGEST_NOTE + 1)
    if len(data) > LARGEST_NOTE:
        raise OSError(errno.EFBIG, "it is too large", str(path))
    return data


def is_plain(path: Path) -> bool:
    """Whether a plain file has that name."""
    try:
        return stat.S_ISREG(path.lstat().st_mode)
    except OSError:
        return False


def plain_below(folder: Path) -> Iterator[Path]:
    """Plain files below a folder; links are not followed."""
    for at, folders, files in os.walk(folder):
        folders.sort()
        for name in sorted(files):
            path = Path(at, name)
            if is_plain(path):
                yield path


def is_folder(path: Path) -> bool:
    """Whether a folder has that name, and no link to one."""
    try:
        return stat.S_ISDIR(path.lstat().st_mode)
    except OSError:
        return False
