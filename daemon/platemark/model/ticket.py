"""The ticket: instructions for one job, and what one parcel says of all its jobs.

These classes are the shape of `ticket.json`; its JSON Schema is made from them. A field that is
added gets a default, so that tickets from before stay valid.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from platemark.model.edition import PrintKind
from platemark.model.finding import Change
from platemark.model.plan import SourceFrom
from platemark.model.surface import Direction, Place
from platemark.model.terms import Box, Intent
from platemark.model.test_sheet import Part

TICKET_VERSION = "1"


@dataclass(frozen=True, slots=True)
class Witness:
    """The ledger's newest entry when the ticket was written."""

    seq: int
    hash: str


@dataclass(frozen=True, slots=True)
class TicketRequest:
    """What was asked, in the words of the request; internal remarks are never here."""

    surface: str
    product: str
    """The lab's own product name."""
    size: str
    sheet: str
    border: str
    copies: int
    purpose: Literal["final", "test"]
    edge: str
    wrap: str
    order: str | None
    set: str | None
    set_of: int | None
    title: str | None
    due: str | None
    finish: str | None
    mount: str | None
    hardware: str | None
    ship_to: str | None
    note: str | None
    place: Place | None = None
    """Where it will hang, where that was said."""


@dataclass(frozen=True, slots=True)
class TicketOriginal:
    """The file as it was dropped."""

    name: str
    sha256: str
    bytes: int
    width_px: int
    height_px: int
    bits: int
    format: str
    orientation: int
    profile: str


@dataclass(frozen=True, slots=True)
class TicketPrintFile:
    """What the lab prints."""

    path: str
    """From the parcel's root."""
    sha256: str
    bytes: int
    width_px: int
    height_px: int
    prints_at: str
    """The whole file on paper, border, bleed, wrap and tuck included, written like a size."""
    ppi: str
    bits: int
    format: str
    compression: str
    profile_sha256: str


@dataclass(frozen=True, slots=True)
class TicketCheck:
    """How the print file compared with an exact conversion; CIEDE2000 as decimals."""

    sampled: int
    mean: str
    p99: str
    largest: str
    container: str


@dataclass(frozen=True, slots=True)
class TicketColour:
    """How the colour was converted."""

    source_profile: str
    source_profile_from: SourceFrom
    output_profile: str
    output_profile_sha256: str
    intent: Intent
    black_point_compensation: bool
    conversion: Literal["lab-profile", "working-space", "keep"]
    dither_seed: str | None
    engine: str
    check: TicketCheck


@dataclass(frozen=True, slots=True)
class TicketGeometry:
    """Where everything lies, in pixels of the print file."""

    face_box: Box
    trim_box: Box
    safe_box: Box
    bleed: str
    """With its unit, as the lab asks for it; `none` where there is none."""
    bleed_px: int
    wrap_px: int
    tuck: str
    """Written like the bleed."""
    tuck_px: int
    native_ppi: str
    mirrored_by: Literal["nobody", "lab", "studio"]
    direction: Direction = "none"
    """Which way the surface's own lines run under the picture as it stands."""
    strip_box: Box | None = None
    """The strip of colour patches below the print, which is cut off and sent back."""


@dataclass(frozen=True, slots=True)
class TicketFinding:
    """A caution that travels, or a stop that somebody accepted."""

    code: str
    severity: Literal["stop", "caution"]
    message: str
    accepted: bool
    accepted_by: Literal["assistant", "photographer", "request"] | None
    """The part of who accepted it, never the name; `request` where it was allowed beforehand."""


@dataclass(frozen=True, slots=True)
class TicketWeight:
    """What the finished panel weighs, and whether two people should lift it."""

    kilograms: str
    two_people: bool


@dataclass(frozen=True, slots=True)
class TicketPreview:
    """The picture as it will look on its surface, for a screen; no contract proof."""

    path: str
    """From the parcel's root."""
    sha256: str


@dataclass(frozen=True, slots=True)
class TicketMeasure:
    """How the picture will sit on its surface: one number and one plain sentence."""

    measure: str
    label: str
    value: str
    figure: str
    sentence: str


@dataclass(frozen=True, slots=True)
class TicketEdition:
    """The numbers of a limited edition that a job's prints have; the studio writes them on."""

    id: str
    of: int
    """How many there are of that kind in the edition."""
    numbers: tuple[int, ...]
    kind: PrintKind = "print"
    name: str = ""
    size: str | None = None
    """The size that has these numbers, where each is counted by itself."""


@dataclass(frozen=True, slots=True)
class TicketTest:
    """Which print of a test a job is."""

    part: Part
    size: str
    """Of the final print that is tested."""
    of: int
    """The test's first job."""


@dataclass(frozen=True, slots=True)
class TicketEarlier:
    """An earlier print of the same picture that this one is to be like."""

    kind: Literal["approved-test", "reprint", "remake"]
    job: int
    parcel: str | None
    """The parcel that it came in; null where that is not on record."""
    on: str
    """The studio's date of the approval, or on which that parcel was closed; RFC 3339."""
    same_file: bool = False
    """Whether the print file is byte for byte the same."""


@dataclass(frozen=True, slots=True)
class Ticket:
    """Everything about one job that the lab needs and an auditor asks."""

    job: int
    request: TicketRequest
    original: TicketOriginal
    print_file: TicketPrintFile
    colour: TicketColour
    geometry: TicketGeometry
    changes: tuple[Change, ...]
    findings: tuple[TicketFinding, ...]
    instructions: tuple[str, ...]
    cautions: tuple[str, ...]
    """Handling and hanging."""
    weight: TicketWeight | None
    proof: TicketPreview | None = None
    suitability: tuple[TicketMeasure, ...] = ()
    edition: TicketEdition | None = None
    test: TicketTest | None = None
    thread: tuple[TicketEarlier, ...] = ()
    """What this print is to be like; nothing of why."""


@dataclass(frozen=True, slots=True)
class TicketRecall:
    """A job of an earlier parcel that the lab was told not to print."""

    job: int
    parcel: str
    """The parcel that it came in."""
    notice: str
    """The parcel that told it."""


@dataclass(frozen=True, slots=True)
class ParcelTicket:
    """`ticket.json`: one parcel with the tickets of all its jobs."""

    version: str
    parcel: str
    lab: str
    lab_name: str
    studio: str
    created: str
    """UTC, RFC 3339."""
    witness: Witness
    tickets: tuple[Ticket, ...]
    studio_contact: str | None = None
    """How the lab reaches the studio."""
    studio_ship_to: str | None = None
    """Where a print goes when its request does not say."""
    replaces: str | None = None
    """A parcel that was taken back before it was sent, and whose other jobs these are."""
    recalled: tuple[TicketRecall, ...] = ()
    """What was called back from this lab lately."""


@dataclass(frozen=True, slots=True)
class ParcelItem:
    """One job on its way into a parcel: its ticket, and where its files are now."""

    ticket: Ticket
    print_file: str
    """Where the print file is in the archive."""
    drawing: str
    """Where the ticket's picture is."""
    proof: str = ""
    """Where the archive has its screen preview; empty where its ticket has none."""
