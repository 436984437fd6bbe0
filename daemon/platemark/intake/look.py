"""What one look into the hot folders found."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from platemark.intake.oddities import Oddity

S = TypeVar("S", "Sighting", Oddity, bytes)


@dataclass(frozen=True, slots=True)
class Sighting:
    """One file as the scan saw it."""

    relative: bytes
    """Path under the hot root."""
    identity: tuple[int, ...]
    """`durable.identity` of it."""
    size: int
    mtime_ns: int
    inode: int
    device: int
    surface: str
    """The first folder of the path; empty for what lies in the root itself."""


@dataclass(frozen=True, slots=True)
class Look:
    """What one look into the hot folders found."""

    settled: tuple[Sighting, ...]
    """Files that may be claimed, by path."""
    moving: int
    """Files and oddities in folders that are not still yet."""
    oddities: tuple[Oddity, ...]
    lone_sidecars: tuple[Sighting, ...]
    """Settled requests whose picture is not beside them."""
    offline: bool
    """The hot folders cannot be seen; nothing may be concluded from what is missing."""
    next_look_s: float | None
    """Seconds until something may have settled; None where nothing is moving."""
    sheets: tuple[Sighting, ...] = ()
    """Settled order sheets, by path, for as long as they lie there."""
    moving_sheets: tuple[bytes, ...] = ()
    """Paths of order sheets that are not still yet."""
    shut_sheets: tuple[bytes, ...] = ()
    """Paths of order sheets that Platemark may not read."""
    arriving: tuple[bytes, ...] = ()
    """Paths of files that are no requests and not still yet."""
    sheet_answers: tuple[bytes, ...] = ()
    """Paths of what was said beside order sheets."""
    away: frozenset[bytes] = frozenset()
    """Surface folders whose own disk or share cannot be seen; as with `offline`."""

    def is_away(self, path: bytes) -> bool:
        """Whether nothing may be concluded of a path from its not being seen."""
        return self.offline or path.split(b"/", 1)[0] in self.away


OFFLINE = Look((), 0, (), (), offline=True, next_look_s=None)


def merged(root: Look, others: Mapping[bytes, Look]) -> Look:
    """What was seen in the root's own folders and in surface folders on disks of their own."""
    seen = [root, *(look for look in others.values() if not look.offline)]
    waits = [look.next_look_s for look in seen if look.next_look_s is not None]

    def by_path(kind: Callable[[Look], tuple[S, ...]]) -> tuple[S, ...]:
        return tuple(sorted((each for look in seen for each in kind(look)), key=_path_of))

    return Look(
        settled=by_path(lambda look: look.settled),
        moving=sum(look.moving for look in seen),
        oddities=by_path(lambda look: look.oddities),
        lone_sidecars=by_path(lambda look: look.lone_sidecars),
        offline=root.offline,
        next_look_s=min(waits, default=None),
        sheets=by_path(lambda look: look.sheets),
        moving_sheets=by_path(lambda look: look.moving_sheets),
        shut_sheets=by_path(lambda look: look.shut_sheets),
        arriving=by_path(lambda look: look.arriving),
        sheet_answers=by_path(lambda look: look.sheet_answers),
        away=root.away | {name for name, look in others.items() if look.offline},
    )


def _path_of(seen: Sighting | Oddity | bytes) -> bytes:
    return seen if isinstance(seen, bytes) else seen.relative
