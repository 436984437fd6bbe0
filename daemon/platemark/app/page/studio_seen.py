"""A studio as the page sees it: its settings, its record, and nothing that it could change."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

from platemark.app.open_studio import reading
from platemark.engine.clock import SystemClock
from platemark.engine.workshop import Folders, Workshop
from platemark.imaging.child import Children
from platemark.ledger.read import Reader
from platemark.ledger.search import Search
from platemark.ledger.store import Ledger
from platemark.model.studio import Settings
from platemark.settings.load import load_settings


@dataclass(frozen=True, slots=True)
class _ReadOnly:
    """Stands where the engine's questions look for a ledger; it has no way to write."""

    read: Reader


@dataclass(frozen=True, slots=True)
class StudioSeen:
    """One studio, read by the page."""

    root: Path
    settings: Settings

    @classmethod
    def of(cls, root: Path) -> StudioSeen:
        """A studio by its folder.

        Raises:
            SettingsError: its settings have mistakes.
        """
        return cls(root, load_settings(root))

    @property
    def folders(self) -> Folders:
        """Where everything lies."""
        return Folders.of(self.root, self.settings)

    @property
    def zone(self) -> ZoneInfo:
        """Its time zone."""
        return ZoneInfo(self.settings.studio.time_zone)

    @contextmanager
    def reading(self) -> Iterator[Reader]:
        """Open the record for the length of one answer.

        Raises:
            StudioMissing: there is none yet.
            RecordDamaged: it cannot be read.
        """
        with reading(self.root) as reader:
            yield reader

    def search(self, reader: Reader) -> Search:
        """Look for things in the record, as this studio calls them."""
        surfaces = {surface.id: surface.name for surface in self.settings.surfaces}
        return Search(reader, self.zone, surfaces, {lab.id: lab.name for lab in self.settings.labs})

    def workshop(self, reader: Reader) -> Workshop:
        """What the engine's questions about a job are put to; whatever would write to it fails."""
        ledger = cast(Ledger, _ReadOnly(reader))
        return Workshop(self.folders, self.settings, ledger, SystemClock(), Children())

    def local(self, stamp: str) -> datetime:
        """A moment of an entry in the studio's time zone."""
        return datetime.fromisoformat(stamp).astimezone(self.zone)

    def now(self) -> datetime:
        """The moment, in the studio's time zone."""
        return datetime.now(UTC).astimezone(self.zone)

    def surface_name(self, ident: str) -> str:
        """A surface by its name; its id where it is in the settings no more."""
        surface = self.settings.surface(ident)
        return surface.name if surface is not None else ident

    def lab_name(self, ident: str | None) -> str:
        """A lab by its name; empty where there is none yet."""
        lab = self.settings.lab(ident) if ident else None
        return lab.name if lab is not None else ident or ""


def is_served(root: Path, locks: Path = Path("/proc/locks")) -> bool | None:
    """Whether a service has a studio; None where the system does not say.

    The lock itself is not tried: for that moment a service could not start.
    """
    try:
        status = (root / ".lock").stat()
        device, ours = os.major(status.st_dev), os.minor(status.st_dev)
        wanted = f"{device:02x}:{ours:02x}:{status.st_ino}"
        lines = locks.read_text("ascii", "replace").splitlines()
    except FileNotFoundError:
        return False if locks.exists() else None
    except OSError:
        return None
    return any(line.split()[1:2] == ["FLOCK"] and wanted in line.split() for line in lines)
