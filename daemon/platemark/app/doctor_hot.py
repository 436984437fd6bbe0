"""What `doctor` says of the hot folders: whether they answer, and how each is watched."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Literal

from platemark.engine.hot_side import Silent, answer_within
from platemark.intake.mounts import mounted_below
from platemark.intake.watch import folders_below, watch_limits
from platemark.intake.watches import Watched, how_watched
from platemark.model.studio import Settings

Level = Literal["good", "note", "wrong"]
Said = tuple[Level, str, str, str]
"""How grave, about what, a sentence, and what to do."""

PATIENCE_S = 10.0
"""A share that has not answered for so long is called silent."""

HOW = {
    "native": "the system tells at once what is dropped",
    "polling": "the folders are looked through again and again",
}


def words_of_hot(root: Path, settings: Settings) -> Iterator[Said]:
    """Everything that can be said of a studio's hot folders; a share that hangs hangs nobody."""
    hot = root / settings.studio.hot.path
    try:
        is_there, mounted = answer_within(PATIENCE_S, lambda: (hot.is_dir(), mounted_below(hot)))
    except Silent:
        yield _silent(hot)
        return
    if not is_there:
        yield (
            "wrong", "hot folders", f"{hot} is not there",
            "Make it, or connect the disk or share that it is on.",
        )  # fmt: skip
        return
    names = [surface.id for surface in settings.surfaces]
    apart = [name for name in names if name.encode() in mounted]
    for name in names:
        try:
            has_folder = answer_within(PATIENCE_S, (hot / name).is_dir)
        except Silent:
            yield _silent(hot / name)
            continue
        if name not in apart and (hot / name).is_symlink():
            yield (
                "wrong", "hot folders", f"{name} in {hot} is only a link, and links are not "
                "followed", "Put a folder in its place, or mount what it leads to there.",
            )  # fmt: skip
        elif not has_folder:
            yield (
                "wrong", "hot folders", f"{name} has no folder in {hot}", f"Make it: {hot / name}",
            )  # fmt: skip
    watched = answer_within(
        PATIENCE_S, lambda: tuple(how_watched(hot, names, settings.studio.hot.watch))
    )
    scan_s = settings.studio.settle.scan_s
    for each in watched:
        yield (
            "good", f"watching {each.folder.name}" if each.surface else "watching",
            f"{HOW[each.kind]} (a disk of the kind {each.file_system}); whatever that misses is "
            f"found within {scan_s} seconds", "",
        )  # fmt: skip
    for sentence, then in watch_limits(_watched_natively(watched)):
        yield "note", "watching", sentence, then


def _watched_natively(watched: tuple[Watched, ...]) -> list[int]:
    """The inodes of folders that the system is to watch; those of a share that hangs left out."""
    apart = [each.surface for each in watched if each.surface]
    inodes: list[int] = []
    for each in watched:
        if each.kind != "native":
            continue
        skip = () if each.surface else apart
        try:
            inodes += answer_within(PATIENCE_S, partial(folders_below, each.folder, skip))
        except OSError:
            continue
    return inodes


def _silent(folder: Path) -> Said:
    return (
        "wrong", "hot folders", f"{folder} does not answer",
        "Nothing is lost, and all that is not on it goes on. Look after the disk or share; what "
        "lies there is taken when it answers.",
    )  # fmt: skip
