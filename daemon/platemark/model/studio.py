"""The studio's own settings, and all settings together."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from datetime import time
from typing import Literal

from platemark.model.edition import Edition
from platemark.model.hours import Window
from platemark.model.lab import Lab
from platemark.model.morning import Display, Morning
from platemark.model.page import Page
from platemark.model.strip_report import StripLimits
from platemark.model.surface import Surface

Role = Literal["assistant", "photographer"]


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who may answer held jobs."""

    name: str
    role: Role


def without_role(name: str) -> str:
    """A name without the “(role)” that stands behind it in lists of people."""
    return re.sub(r"\s*\([^()]*\)\s*\Z", "", name)


@dataclass(frozen=True, slots=True)
class HotRoot:
    """Where the hot folders are and how they are watched."""

    path: str
    """Relative paths are from the studio; the default is `hot`."""
    watch: Literal["auto", "native", "polling"]


@dataclass(frozen=True, slots=True)
class Settle:
    """How long a file must be still before it is taken."""

    local_s: int
    share_s: int
    scan_s: int
    """Seconds between two scans."""
    truncated_wait_min: int
    """A picture that ends too early goes back to waiting while it is younger than this."""
    sheet_wait_hours: int = 48
    """An order sheet waits this long for the files that it names."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What is refused from the header, before a pixel is read."""

    pixels: int
    side_px: int
    file_bytes: int
    expansion: int
    progressive_pixels: int
    """Limit for progressive JPEG and interlaced PNG, which need the whole picture in memory."""
    child_memory_mb: int
    child_seconds: int
    jobs: int
    """Pictures worked on at once; 0 means one for every two processors, at least one."""
    free_factor: int
    """Free space wanted before a start, as a multiple of the decoded size."""
    profile_months: int
    """Age of a profile at which a caution says so."""
    sheet_rows: int = 2000
    """Rows that an order sheet may have."""


@dataclass(frozen=True, slots=True)
class Upkeep:
    """When the service looks after what it keeps, and how much of a night that may take."""

    at: time = time(3, 30)
    """Time of day in the studio's time zone."""
    archive_days: int = 7
    """Nights over which one reading of the whole archive is spread."""
    minutes: int = 120
    """The longest that reading may go on in one night."""
    backup_days: int = 30
    """Age of the newest backup at which `doctor` says that another is due."""


@dataclass(frozen=True, slots=True)
class Keep:
    """How long what is no longer needed is kept; 0 is for ever."""

    taken_days: int = 30
    """Files in `taken/`, which the archive has as well."""
    parcels_days: int = 365
    """Delivered parcels in `outgoing/`."""
    withdrawn_days: int = 365
    """What was never sent: of withdrawn jobs, superseded, unreadable or set aside as damaged."""
    archive_years: int = 0
    """Originals and print files of what was sent; never those of an edition."""


@dataclass(frozen=True, slots=True)
class Studio:
    """What `studio.toml` says."""

    name: str
    time_zone: str
    people: tuple[Person, ...]
    hot: HotRoot
    settle: Settle
    limits: Limits
    default_lab: tuple[tuple[str, str], ...]
    """(surface, lab) where more than one lab offers a surface."""
    untagged: Literal["stop", "srgb-camera"]
    contact: str | None = None
    """How a lab reaches the studio; it is on tickets and nowhere in the record."""
    ship_to: str | None = None
    """Where prints go when a request does not say; as the contact, only on tickets."""
    upkeep: Upkeep = Upkeep()
    keep: Keep = Keep()
    prepare: tuple[Window, ...] = ()
    """Hours in which print files are made; empty is always."""
    page: Page = field(default_factory=Page)
    morning: Morning = field(default_factory=Morning)
    display: Display | None = None
    """None where `studio.toml` says nothing of it."""
    strips: StripLimits = field(default_factory=StripLimits)
    """How patch strips that come back are judged."""

    def person(self, name: str) -> Person | None:
        """The person of that name, whatever the case and with or without a “(role)”, or None."""
        for wanted in (name, without_role(name)):
            folded = unicodedata.normalize("NFC", wanted).strip().casefold()
            for person in self.people:
                if unicodedata.normalize("NFC", person.name).casefold() == folded:
                    return person
        return None


@dataclass(frozen=True, slots=True)
class Settings:
    """All settings of a studio, read once and checked against each other."""

    studio: Studio
    surfaces: tuple[Surface, ...]
    labs: tuple[Lab, ...]
    sha256: str
    """Hash over every settings file's name and bytes."""
    editions: tuple[Edition, ...] = ()

    def edition(self, edition_id: str) -> Edition | None:
        """The edition of that id, or None."""
        return next((each for each in self.editions if each.id == edition_id), None)

    def surface(self, surface_id: str) -> Surface | None:
        """The surface of that id, or None."""
        return next((s for s in self.surfaces if s.id == surface_id), None)

    def lab(self, lab_id: str) -> Lab | None:
        """The lab of that id, or None."""
        return next((lab for lab in self.labs if lab.id == lab_id), None)

    def labs_offering(self, surface_id: str) -> tuple[Lab, ...]:
        """Every lab with a product on that surface."""
        return tuple(lab for lab in self.labs if lab.product_for(surface_id) is not None)

    def usual_lab(self, surface_id: str) -> Lab | None:
        """The lab that prints a surface when a request names none, or None where it is unclear."""
        offering = self.labs_offering(surface_id)
        named = dict(self.studio.default_lab).get(surface_id)
        if named is not None:
            return next((lab for lab in offering if lab.id == named), None)
        return offering[0] if len(offering) == 1 else None
