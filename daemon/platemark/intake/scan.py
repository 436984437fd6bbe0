"""The scan of the hot folders: what lies there, what is still, and what can never be a drop.

The scan is the truth; events only make it come sooner. Nothing here follows a link, and nothing is
ever taken to be deleted because it was not seen: a folder that is gone may come back.
"""

from __future__ import annotations

import difflib
import errno
import os
import stat
import time
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from platemark import durable
from platemark.intake.drop_files import LONGEST_NAME, OPEN_FOLDER, TAKEN, opened
from platemark.intake.look import OFFLINE, Look, Sighting
from platemark.intake.names import is_ignored, is_litter
from platemark.intake.oddities import (
    DEEPEST,
    Oddity,
    document,
    long_sheet_name,
    no_plain_file,
    not_ours_to_move,
    other_disk,
    too_deep,
    unreadable,
    unreadable_file,
    unreadable_sheet,
)
from platemark.model.job import shown_name

REQUEST = b"request.toml"
"""The file that says what every picture of its folder gets."""

SIDECAR = b".toml"
"""Ends the name of a request that stands beside its picture: `heron.tif.toml`."""

SHEET = b".csv"
"""Ends the name of an order sheet, in any case."""

SHEET_ANSWER = b".ANSWER.txt"
"""Ends the name of what is said about an order sheet, beside it: `spring.csv.ANSWER.txt`."""

DOCUMENTS = (b".xlsx", b".xls", b".xlsm", b".ods", b".fods", b".numbers", b".tsv")
"""End the names of tables that are no order sheets until they are saved as CSV."""

Known = Collection[tuple[int, int, int, int]]

_TAKEN = os.fsencode(TAKEN)
_WAITING = b"WAITING.txt"
_ALL_READ = stat.S_IRUSR | stat.S_IRGRP | stat.S_IROTH
_LOST = frozenset(
    {
        errno.ESTALE,
        errno.ENOTCONN,
        errno.ETIMEDOUT,
        errno.EHOSTDOWN,
        errno.EHOSTUNREACH,
        errno.ENODEV,
        errno.ENXIO,
    }
)
"""What the system says when the other end of a share, or a disk, is gone."""


@dataclass(slots=True)
class _Unit:
    """What lies in one unit of quiet."""

    entries: dict[bytes, tuple[int, ...]] = field(default_factory=dict)
    """Everything by path, with what must stay the same; partial and hidden names too."""
    files: list[tuple[bytes, os.stat_result]] = field(default_factory=list)
    oddities: list[Oddity] = field(default_factory=list)
    told: list[Oddity] = field(default_factory=list)
    """The oddities that have been there long enough to be spoken of."""
    pictures: list[Sighting] = field(default_factory=list)
    """Unclaimed files that are no requests."""
    doubtful: set[bytes] = field(default_factory=set)
    """Those of them that not everybody may read; for the others nobody needs to be asked."""
    lone: list[Sighting] = field(default_factory=list)
    """Sidecars whose picture is not there."""
    sheets: list[tuple[bytes, os.stat_result]] = field(default_factory=list)
    """Order sheets; each is a unit of quiet of its own besides."""
    answers: list[bytes] = field(default_factory=list)
    """What was said beside order sheets; it comes and goes unseen."""
    ours: frozenset[bytes] = frozenset()
    """Claimed drops and their sidecars: the caller makes them vanish."""
    since: float = 0.0
    """When it was last seen to change."""
    quiet: bool = False


class HotFolders:
    """Looks into the hot folders again and again, and knows what was still in between.

    A file is settled when its whole *unit of quiet* has been the same for `quiet_s` by our own
    monotonic clock, over at least two looks. A unit is the files directly in `hot/<surface>/`
    together, or one folder in it with everything below. A file alone would not do: a
    `request.toml` or a sidecar that lands last must still count for the pictures before it, and a
    batch that is being copied is not to be torn apart. For the same reason the surface's own
    `request.toml` belongs to every unit of the surface, and a partial name (`.part`, hidden, `~`)
    that comes, grows or goes makes its unit young again: somebody is copying.

    An order sheet belongs to its folder's unit, so that pictures beside it wait while it is
    written, and is a unit of its own too: it can be read while they are still being copied.

    What the caller has claimed may vanish without making the rest wait.
    """

    def __init__(
        self,
        root: Path,
        surfaces: Collection[str],
        *,
        quiet_s: float,
        compare_ctime: bool,
        now: Callable[[], float] = time.monotonic,
        only: str | None = None,
    ) -> None:
        """Remember where to look; nothing is read yet.

        Args:
            root: The hot folders' root.
            surfaces: Ids of the surfaces, which are the names of their folders.
            quiet_s: Seconds for which a unit must be the same.
            compare_ctime: Whether a change of ctime counts; shares make it up.
            now: Seconds that only go forward.
            only: One surface, whose folder is on a disk or share of its own: nothing else is seen.
        """
        self._only = os.fsencode(only) if only is not None else None
        self._mounted: frozenset[bytes] = frozenset()
        self._root = root
        self._surfaces = {os.fsencode(surface) for surface in surfaces}
        self._quiet_s = quiet_s
        self._compare_ctime = compare_ctime
        self._now = now
        self._units: dict[bytes, _Unit] = {}
        self._device: int | None = None
        self._had_surfaces = False

    def look(self, known: Known = (), mounted: Collection[bytes] = ()) -> Look:
        """Look once.

        Args:
            known: (device, inode, size, mtime_ns) of the drops that are claimed and not yet let
                go. They are not reported again, wherever in the hot folders they lie; a late write
                makes one a new file. Order sheets among them are reported, and may vanish. The
                device is not compared: a share or disk that was connected anew, or a restart, may
                number it differently.
            mounted: Paths under the root on which something else is mounted. They are not touched:
                a share may hang. Surface folders among them are looked into with `only`.

        Returns:
            What was found. While the root is gone, has just become another volume, or has lost all
            of its surface folders (an unmounted share leaves an empty folder), the look is
            offline; after that every file settles anew.
        """
        began = self._now()
        self._mounted = frozenset(mounted)
        try:
            units = self._read() if self._only is None else self._read_only(self._only)
        except OSError:
            # Which error tells that a share is gone depends on its kind.
            units = None
        if units is None:
            self._units = {}
            return OFFLINE
        ended = self._now()
        claimed = {each[1:] for each in known}
        # A sheet is in its folder's unit and in its own, and may vanish from both.
        sheets = [each for unit in units.values() for each in unit.sheets]
        read = set(_claimed_paths(sheets, claimed))
        for key, unit in units.items():
            before = self._units.get(key)
            if claimed:
                unit.ours = frozenset(_claimed_paths(unit.files, claimed))
                unit.ours |= read & unit.entries.keys()
            self._sort(before, unit)
            self._age(before, unit, began, ended)
        self._units = units
        return self._told(began)

    # -- reading -----------------------------------------------------------------------------

    def _read(self) -> dict[bytes, _Unit] | None:
        """Every unit by its path; None where these are not the folders that we know."""
        with opened(os.open(self._root, os.O_RDONLY | os.O_DIRECTORY)) as root:
            device = os.fstat(root).st_dev
            replaced = self._device not in (None, device)
            self._device = device
            top = _Unit()
            folders = self._list(root, b"", top)
            top.entries.pop(_WAITING, None)
            if _TAKEN not in self._surfaces:
                # Order sheets are let go into it.
                top.entries.pop(_TAKEN, None)
                folders.discard(_TAKEN)
            elsewhere = self._surfaces & self._mounted
            here = sorted(folders & self._surfaces)
            nothing = not (here or elsewhere) and (self._had_surfaces or not top.entries)
            if replaced or nothing:
                return None
            self._had_surfaces = bool(here or elsewhere)
            top.files = [(path, status) for path, status in top.files if path != _WAITING]
            top.oddities += [self._misplaced(path) for path, _ in top.files if not is_sheet(path)]
            top.oddities += [self._misspelt(name) for name in sorted(folders - self._surfaces)]
            top.files = [each for each in top.files if is_sheet(each[0])]
            units = {b"": top}
            for name in here:
                units.update(self._read_surface(root, name))
        self._part_sheets(units)
        return units

    def _read_only(self, name: bytes) -> dict[bytes, _Unit] | None:
        """Every unit of the one surface; None where its folder is not the one that we know."""
        root = os.open(self._root, os.O_RDONLY | os.O_DIRECTORY)
        with opened(root), opened(os.open(name, OPEN_FOLDER, dir_fd=root)) as folder:
            device = os.fstat(folder).st_dev
            replaced = self._device not in (None, device)
            self._device = device
            if replaced:
                return None
            units = self._read_surface(root, name)
        self._part_sheets(units)
        return units

    @staticmethod
    def _part_sheets(units: dict[bytes, _Unit]) -> None:
        """Make every order sheet a unit of its own besides."""
        for unit in list(units.values()):
            for path, status in _take_out_sheets(unit):
                if len(path.rpartition(b"/")[2]) > LONGEST_NAME - len(SHEET_ANSWER):
                    unit.oddities.append(long_sheet_name(path))
                    continue
                units[path] = _Unit({path: unit.entries[path]}, sheets=[(path, status)])

    def _read_surface(self, root: int, name: bytes) -> dict[bytes, _Unit]:
        direct = _Unit()
        units = {name: direct}

        def read(folder: int) -> None:
            subfolders = self._list(folder, name + b"/", direct)
            subfolders.discard(_TAKEN)
            direct.entries.pop(name + b"/" + _TAKEN, None)
            device = os.fstat(folder).st_dev
            for subfolder in sorted(subfolders):
                path = name + b"/" + subfolder
                units[path] = _Unit()
                self._read_tree(folder, subfolder, path, units[path], device)
            if why := _no_way_out(folder):
                direct.oddities.append(Oddity(name, why, "Correct that; nothing is lost."))
                for unit in units.values():
                    unit.files.clear()

        _inside(root, name, name, direct, read)
        request = name + b"/" + REQUEST
        if request in direct.entries:
            for unit in units.values():
                unit.entries[request] = direct.entries[request]
        return units

    def _read_tree(self, parent: int, name: bytes, path: bytes, unit: _Unit, device: int) -> None:
        def read(folder: int) -> None:
            if os.fstat(folder).st_dev != device:
                unit.oddities.append(other_disk(path))
                return
            before = len(unit.files)
            subfolders = self._list(folder, path + b"/", unit)
            if len(unit.files) > before and not _may(b".", os.W_OK | os.X_OK, folder):
                del unit.files[before:]
                unit.oddities.append(not_ours_to_move(path))
            for subfolder in sorted(subfolders):
                self._read_tree(folder, subfolder, path + b"/" + subfolder, unit, device)

        if path.count(b"/") > DEEPEST:
            unit.oddities.append(too_deep(path))
        else:
            _inside(parent, name, path, unit, read)

    def _list(self, folder: int, prefix: bytes, unit: _Unit) -> set[bytes]:
        """Put what lies in one open folder into its unit; gives the folders in it."""
        parts = 5 if self._compare_ctime else 4
        folders: set[bytes] = set()
        with os.scandir(folder) as entries:
            for entry in entries:
                name = os.fsencode(entry.name)
                if name.endswith(SHEET_ANSWER) and is_sheet(name.removesuffix(SHEET_ANSWER)):
                    unit.answers.append(prefix + name)
                    continue
                ignored = is_ignored(name)
                if ignored and is_litter(name):
                    continue
                path = prefix + name
                status = self._status_of(entry, path, unit)
                if status is None:
                    continue
                kind = stat.S_IFMT(status.st_mode)
                if kind == stat.S_IFDIR:
                    # A folder's times change whenever something in it does; that is seen there.
                    unit.entries[path] = (status.st_dev, status.st_ino)
                    if name.lower().endswith(DOCUMENTS) and name not in self._surfaces:
                        unit.oddities.append(document(path))
                    elif not ignored:
                        folders.add(name)
                    continue
                unit.entries[path] = durable.identity(status)[:parts]
                if ignored:
                    continue
                if kind == stat.S_IFREG and name.lower().endswith(DOCUMENTS):
                    unit.oddities.append(document(path))
                elif kind == stat.S_IFREG and status.st_nlink == 1:
                    unit.files.append((path, status))
                else:
                    unit.oddities.append(no_plain_file(path, kind))
        return folders

    def _status_of(
        self, entry: os.DirEntry[str], path: bytes, unit: _Unit
    ) -> os.stat_result | None:
        """What the system says of an entry; None where it is gone, or is not to be touched."""
        if path not in self._mounted:
            with suppress(FileNotFoundError):
                return entry.stat(follow_symlinks=False)
        elif path not in self._surfaces and not is_ignored(path.rpartition(b"/")[2]):
            unit.oddities.append(other_disk(path))
        return None

    # -- telling -----------------------------------------------------------------------------

    def _sort(self, before: _Unit | None, unit: _Unit) -> None:
        """Tell pictures from requests; what has not changed at all is not sorted again."""
        if (
            before is not None
            and self._compare_ctime  # else a sighting's ctime may have become another
            and before.ours == unit.ours
            and before.entries == unit.entries
            and len(before.files) == len(unit.files)  # rights of a folder may have changed
        ):
            unit.pictures, unit.lone = before.pictures, before.lone
            unit.doubtful = before.doubtful
            return
        for path, status in unit.files:
            if path in unit.ours or path.endswith(b"/" + REQUEST):
                continue
            if not path.endswith(SIDECAR):
                unit.pictures.append(_sighting(path, status))
                if status.st_mode & _ALL_READ != _ALL_READ:
                    unit.doubtful.add(path)
            elif path.removesuffix(SIDECAR) not in unit.entries:
                unit.lone.append(_sighting(path, status))

    def _age(self, before: _Unit | None, unit: _Unit, began: float, ended: float) -> None:
        if before is None or not _same(before, unit):
            # The change happened at some time before it was read; counted from after the reading.
            unit.since = ended
        else:
            unit.since = before.since
            unit.quiet = began - unit.since >= self._quiet_s
        spoken_of = before.told if before is not None else []
        unit.told = [odd for odd in unit.oddities if unit.quiet or odd in spoken_of]

    def _told(self, began: float) -> Look:
        settled: list[Sighting] = []
        lone: list[Sighting] = []
        oddities: list[Oddity] = []
        sheets: list[Sighting] = []
        moving_sheets: list[bytes] = []
        shut_sheets: list[bytes] = []
        moving = 0
        waits: list[float] = []
        for unit in self._units.values():
            oddities += unit.told
            waiting = len(unit.oddities) - len(unit.told)
            if unit.quiet:
                for sighting in unit.pictures:
                    if sighting.relative not in unit.doubtful or self._may_read(sighting):
                        settled.append(sighting)
                    else:
                        oddities.append(unreadable_file(sighting.relative))
                lone += unit.lone
            else:
                waiting += len(unit.pictures) + len(unit.lone) + len(unit.sheets)
            for sheet in (_sighting(path, status) for path, status in unit.sheets):
                if not unit.quiet:
                    moving_sheets.append(sheet.relative)
                elif self._may_read(sheet):
                    sheets.append(sheet)
                else:
                    shut_sheets.append(sheet.relative)
                    oddities.append(unreadable_sheet(sheet.relative))
            if waiting:
                moving += waiting
                waits.append(max(0.0, unit.since + self._quiet_s - began))
        return Look(
            settled=tuple(sorted(settled, key=lambda sighting: sighting.relative)),
            moving=moving,
            oddities=tuple(sorted(oddities, key=lambda odd: odd.relative)),
            lone_sidecars=tuple(sorted(lone, key=lambda sighting: sighting.relative)),
            offline=False,
            next_look_s=min(waits, default=None),
            sheets=tuple(sorted(sheets, key=lambda sheet: sheet.relative)),
            moving_sheets=tuple(sorted(moving_sheets)),
            shut_sheets=tuple(sorted(shut_sheets)),
            arriving=tuple(
                sorted(
                    sighting.relative
                    for unit in self._units.values()
                    if not unit.quiet
                    for sighting in unit.pictures
                )
            ),
            sheet_answers=tuple(
                sorted(path for unit in self._units.values() for path in unit.answers)
            ),
        )

    def _may_read(self, sighting: Sighting) -> bool:
        return _may(os.fsencode(self._root) + b"/" + sighting.relative, os.R_OK)

    def _misplaced(self, path: bytes) -> Oddity:
        return Oddity(
            path,
            "It lies in the hot folders' root, so nobody knows which surface it is for.",
            f"Move it into the folder of its surface: {self._surface_names()}.",
        )

    def _misspelt(self, name: bytes) -> Oddity:
        shown = shown_name(name)
        names = [os.fsdecode(surface) for surface in self._surfaces]
        close = difflib.get_close_matches(shown.lower(), names, n=1)
        return Oddity(
            name,
            f"There is no surface “{shown}”, so nothing in this folder is taken.",
            f"Did you mean {close[0]}? Rename it or move what is in it."
            if close
            else f"Move what is in it into the folder of its surface: {self._surface_names()}.",
        )

    def _surface_names(self) -> str:
        return ", ".join(sorted(os.fsdecode(surface) for surface in self._surfaces))


def _inside(
    parent: int, name: bytes, path: bytes, unit: _Unit, read: Callable[[int], None]
) -> None:
    """Open a folder without following a link and read it; what cannot be read is an oddity.

    Raises:
        OSError: the whole share or disk is gone.
    """
    before = len(unit.files)
    try:
        with opened(os.open(name, OPEN_FOLDER, dir_fd=parent)) as folder:
            read(folder)
    except (FileNotFoundError, NotADirectoryError):
        # It went away or became something else meanwhile; the next look tells.
        return
    except OSError as error:
        if error.errno in _LOST:
            raise
        # Half of a folder is not enough: a sidecar may be in the other half.
        del unit.files[before:]
        unit.oddities.append(unreadable(path))


def _may(path: bytes, what: int, folder: int | None = None) -> bool:
    """Whether the system would let us do that, with the rights that we have in effect."""
    effective = os.access in os.supports_effective_ids
    return os.access(path, what, dir_fd=folder, effective_ids=effective)


def _no_way_out(surface: int) -> str:
    """Why a drop could not be moved to `taken/`; empty where it can."""
    try:
        found = os.stat(TAKEN, dir_fd=surface, follow_symlinks=False)
    except FileNotFoundError:
        where = b"."
    else:
        if not stat.S_ISDIR(found.st_mode):
            return f"“{TAKEN}” in this folder is no folder, so nothing could be moved there."
        where = _TAKEN
    if _may(where, os.W_OK | os.X_OK, surface) and _may(b".", os.W_OK | os.X_OK, surface):
        return ""
    return "Platemark may not move files in this folder, so nothing in it is taken."


def _claimed_paths(
    files: Iterable[tuple[bytes, os.stat_result]], claimed: set[tuple[int, int, int]]
) -> Iterator[bytes]:
    for path, status in files:
        if (status.st_ino, status.st_size, status.st_mtime_ns) in claimed:
            yield path
            yield path + SIDECAR


def _same(before: _Unit, now: _Unit) -> bool:
    if before.entries == now.entries:
        return True
    if any(before.entries.get(path) != what for path, what in now.entries.items()):
        return False
    return all(path in now.entries or path in before.ours for path in before.entries)


def is_sheet(name: bytes) -> bool:
    """Whether a name is that of an order sheet."""
    return name.lower().endswith(SHEET)


def _take_out_sheets(unit: _Unit) -> list[tuple[bytes, os.stat_result]]:
    sheets = [each for each in unit.files if is_sheet(each[0])]
    if sheets:
        unit.files = [each for each in unit.files if not is_sheet(each[0])]
    return sheets


def _sighting(path: bytes, status: os.stat_result) -> Sighting:
    return Sighting(
        relative=path,
        identity=durable.identity(status),
        size=status.st_size,
        mtime_ns=status.st_mtime_ns,
        inode=status.st_ino,
        device=status.st_dev,
        surface=os.fsdecode(path.split(b"/", 1)[0]) if b"/" in path else "",
    )
