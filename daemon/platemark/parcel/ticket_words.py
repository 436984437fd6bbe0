"""How a ticket's values are said to the people at the lab; every ticket form says the same."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction

from platemark.model.edition import kind_words, numbers_words
from platemark.model.job import job_number
from platemark.model.surface import Place
from platemark.model.terms import Intent
from platemark.model.ticket import (
    ParcelTicket,
    Ticket,
    TicketCheck,
    TicketColour,
    TicketEarlier,
    TicketFinding,
    TicketGeometry,
    TicketWeight,
)
from platemark.model.units import BadSize, Size, orientation_of, parse_size, shown

SOURCES = {
    "embedded": "",
    "assumed": " (assumed: the picture carried no profile)",
    "stated": " (stated by the file, without a profile)",
    "lab": " (the picture was in Lab and was brought into it)",
}
"""What stands behind the name of the space that a picture was read in."""
INTENTS: dict[Intent, str] = {
    "perceptual": "perceptual",
    "relative": "relative colorimetric",
    "saturation": "saturation",
    "absolute": "absolute colorimetric",
}

PLACES: dict[Place, str] = {
    "indoor": "indoors",
    "bright": "indoors, opposite a window or a lamp",
    "humid": "in a damp room",
    "outdoor": "outdoors",
}

TEST, TEST_MORE = "TEST PRINT", "to be judged, not sold"
NO_PICTURE = "There is no small picture of this job; open the print file."

# International yard and pound agreement, 1959: exact.
_KILOGRAMS_PER_POUND = Decimal("0.45359237")


@dataclass(frozen=True, slots=True)
class ColourWords:
    """What the lab does with colour: the order for large type, and what it rests on."""

    order: str
    reason: str
    sentence: str
    """Both in one, as it stands among a ticket's instructions."""


@dataclass(frozen=True, slots=True)
class SetPlace:
    """Which panel of a set a job is, counted by the pictures' names."""

    panel: int
    of: int
    here: int
    """How many panels of the set are in this parcel."""

    def __str__(self) -> str:
        if self.here != self.of:
            missing = self.of - self.here
            others = "the other panel is" if missing == 1 else f"the other {missing} are"
            them = "it" if missing == 1 else "them"
            return (
                f"{self.here} of {self.of} panels; {others} not in this parcel; "
                f"wait for {them} or ask the studio"
            )
        return f"panel {self.panel} of {self.of}, print together"


def shown_time(text: str) -> str:
    """A time of RFC 3339 for people: `14 March 2026, 09:12 UTC`."""
    try:
        time = datetime.fromisoformat(text)
    except ValueError:
        return text
    return f"{time.day} {time:%B %Y, %H:%M} {time.tzname() or ''}".rstrip()


def shown_size(text: str, geometry: TicketGeometry) -> str:
    """A size for people: `16 × 20 in`, or an ISO name with its millimetres as the face stands."""
    try:
        size = parse_size(text)
    except BadSize:
        return text
    if not isinstance(size, Size):
        return text
    face = geometry.face_box
    standing = size.standing_like(orientation_of(face.width, face.height))
    if size.name:
        return f"{size.name}, {standing.width} × {standing.height} mm"
    return f"{size.width} × {size.height} {size.unit}"


def shown_whole(text: str) -> str:
    """What the whole file measures, for people: `615.8 × 412.6 mm`."""
    return shown_lengths(text.replace("x", " × "))


def shown_border(text: str) -> str:
    """A border for people, every side named: `top and bottom 76.2 mm, sides none`."""
    parts = [shown_lengths(part) for part in text.split()]
    if len(parts) != 4:
        return f"all round {' '.join(parts)}"
    left, top, right, bottom = ("none" if part.startswith("0 ") else part for part in parts)
    if (left, top) == (right, bottom):
        return f"top and bottom {top}, sides {left}"
    return f"top {top}, right {right}, bottom {bottom}, left {left}"


def length_words(text: str, px: int) -> str:
    """A length with what it is in the file: `3 mm (23 px)`."""
    return f"{shown_lengths(text)} ({px:,} px)"


def edge_words(ticket: Ticket) -> str:
    """What is around the picture: `wraps 1.5 in`, `bleed 3 mm`; empty where nothing is."""
    geometry = ticket.geometry
    if geometry.wrap_px:
        return f"wraps {shown_lengths(ticket.request.wrap)}"
    if geometry.bleed_px:
        return f"bleed {shown_lengths(geometry.bleed)}"
    return "blank border" if is_bordered(ticket) else ""


def thread_words(ticket: Ticket) -> tuple[tuple[str, str], ...]:
    """What the print is to be like, a label and a sentence each."""
    return tuple((_EARLIER[each.kind], _earlier_words(each)) for each in ticket.thread)


_EARLIER = {
    "approved-test": "Approved test",
    "reprint": "Printed before",
    "remake": "In place of",
}


def _earlier_words(earlier: TicketEarlier) -> str:
    came = f" in parcel {earlier.parcel}" if earlier.parcel else ""
    said = f"job {job_number(earlier.job)}{came}, {shown_date(earlier.on)}"
    if earlier.kind == "approved-test":
        return f"{said}: this print is to look like it"
    if earlier.same_file:
        return f"{said}: the print file is the same to the byte"
    return f"{said}: the print file is another"


def edition_words(ticket: Ticket) -> str:
    """Which prints of an edition a job's are: `Heron at Dawn, number 7 of 25`; empty for none."""
    edition = ticket.edition
    if edition is None:
        return ""
    what = kind_words(edition.kind) + ("s" if len(edition.numbers) > 1 else "")
    said = f"{what} {numbers_words(edition.numbers)} of {edition.of}"
    return f"{edition.name}, {said}; the studio writes them on"


def is_bordered(ticket: Ticket) -> bool:
    """Whether the bare surface around the picture belongs to the print."""
    geometry = ticket.geometry
    plain = not geometry.wrap_px and not geometry.bleed_px
    return plain and geometry.trim_box != geometry.face_box


def whole_words(ticket: Ticket) -> str:
    """What the whole file measures on paper, and what of it is not picture."""
    geometry = ticket.geometry
    whole = shown_whole(ticket.print_file.prints_at)
    if geometry.wrap_px:
        whole += " with wrap and tuck" if geometry.tuck_px else " with wrap"
    elif geometry.bleed_px:
        whole += " with bleed"
    elif is_bordered(ticket):
        whole += ", the sheet with its border"
    return f"{whole}, and the strip of patches below it" if geometry.strip_box else whole


def accepted_words(finding: TicketFinding) -> str:
    """That somebody at the studio accepted it, in what part; empty where nobody had to."""
    if not finding.accepted:
        return ""
    by = {
        "assistant": "An assistant of the studio accepted this",
        "photographer": "The photographer accepted this",
        "request": "The studio accepted this beforehand, in its request",
    }
    said = by[finding.accepted_by] if finding.accepted_by else "The studio accepted this"
    return f"{said}: print it."


def shown_ppi(text: str) -> str:
    """A resolution for people, at most one decimal."""
    try:
        return shown(Fraction(text))
    except ValueError:
        return text


def shown_lengths(text: str) -> str:
    """Lengths for people: a space before each unit."""
    return re.sub(r"(?<=[0-9])(?=(?:in|cm|mm)\b)", " ", text)


def shown_date(text: str) -> str:
    """A date of RFC 3339 for people: `2 April 2026`."""
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return text
    return f"{day.day} {day:%B %Y}"


def short_hash(text: str) -> str:
    """The first eight signs of a hash, as people compare them."""
    return text[:8]


def megabytes(count: int) -> str:
    """A file's length for people, in units of 1,000,000 bytes."""
    return f"{shown(Fraction(count, 1_000_000))} MB" if count >= 100_000 else f"{count:,} bytes"


def colour_words(colour: TicketColour) -> ColourWords:
    """What to do and what not to do with colour."""
    name, code = colour.output_profile, short_hash(colour.output_profile_sha256)
    if colour.conversion == "lab-profile":
        reason = f"Already in your profile {name}, hash {code}"
        order = "print without colour management, do not convert."
        return ColourWords(order[0].upper() + order[1:], f"{reason}.", f"{reason}: {order}")
    intent = INTENTS[colour.intent]
    if colour.intent == "relative":
        # Compensation means something for this intent only (ISO 18619).
        compensated = "with" if colour.black_point_compensation else "without"
        intent += f" {compensated} black point compensation"
    return ColourWords(
        f"Convert once from the embedded profile, intent {intent}; nothing else.",
        f"The embedded profile is {name}, hash {code}.",
        f"Convert once from the embedded profile ({name}), intent {intent}; nothing else.",
    )


def check_words(check: TicketCheck) -> str:
    """How the print file compared with an exact conversion."""
    return (
        "Checked against an exact conversion: on "
        f"{check.sampled:,} sampled pixels of the face, the converted 16-bit pixels, before "
        f"dither or JPEG, differ from it by ΔE00 {check.mean} in the mean, {check.p99} for "
        f"99 in 100, {check.largest} at most. The file's own samples: {check.container}."
    )


def weight_words(weight: TicketWeight) -> str:
    """What the panel weighs, and how many lift it."""
    kilograms = Decimal(weight.kilograms)
    pounds = shown(Fraction(kilograms) / Fraction(_KILOGRAMS_PER_POUND))
    people = " Two people lift and carry it." if weight.two_people else ""
    return (
        f"About {weight.kilograms} kg ({pounds} lb), reckoned from its layers; frame, rails and "
        f"packing come on top.{people}"
    )


def preview_words(path: str) -> tuple[str, str]:
    """What a screen preview is not, and where it is to be seen in full: a sentence and its path."""
    return (
        "A screen preview, not a contract proof: do not print it, and do not match the print to "
        "it. Its small words are to be read in",
        path,
    )


def total_words(parcel: ParcelTicket) -> str:
    """How much a parcel holds: `3 jobs, 5 prints`."""
    jobs = len(parcel.tickets)
    prints = sum(ticket.request.copies for ticket in parcel.tickets)
    return f"{jobs} job{'' if jobs == 1 else 's'}, {copies_words(prints)}"


def parcel_notes(parcel: ParcelTicket) -> tuple[str, ...]:
    """What is to be known of other parcels, one sentence each."""
    notes = []
    if parcel.replaces is not None:
        notes.append(
            f"This parcel takes the place of {parcel.replaces}, which was never sent: do not wait "
            "for that one."
        )
    told: dict[tuple[str, str], list[str]] = {}
    for each in parcel.recalled:
        told.setdefault((each.parcel, each.notice), []).append(job_number(each.job))
    for (name, notice), jobs in told.items():
        which = f"job {jobs[0]}" if len(jobs) == 1 else f"jobs {', '.join(jobs)}"
        notes.append(
            f"Called back earlier and not to be printed: {which} of parcel {name} (notice "
            f"{notice})."
        )
    if told:
        notes.append("All of this parcel is wanted.")
    return tuple(notes)


def copies_words(count: int) -> str:
    """`1 print`, `3 prints`."""
    return "1 print" if count == 1 else f"{count} prints"


def set_places(tickets: Sequence[Ticket]) -> dict[int, SetPlace]:
    """For each job that belongs to a set: which panel it is.

    A set is its name within an order, tests apart from finals.
    """
    members: dict[tuple[str | None, str, str], list[Ticket]] = {}
    for ticket in tickets:
        request = ticket.request
        if request.set is not None:
            members.setdefault((request.order, request.set, request.purpose), []).append(ticket)
    places: dict[int, SetPlace] = {}
    for panels in members.values():
        of = max([ticket.request.set_of or 0 for ticket in panels] + [len(panels)])
        # A job's number says when it was taken in, which for a corrected picture is last.
        panels.sort(key=lambda ticket: (by_numbers(ticket.original.name), ticket.job))
        for panel, ticket in enumerate(panels, 1) if of > 1 else ():
            places[ticket.job] = SetPlace(panel, of, len(panels))
    return places


def by_numbers(name: str) -> tuple[tuple[int, str], ...]:
    """A name as people sort it: `panel 2` before `panel 10`."""
    parts = re.findall(r"[0-9]+|[^0-9]+", name.casefold())
    return tuple(
        (int(part), "") if part.isascii() and part.isdigit() else (0, part) for part in parts
    )


def mirror_words(ticket: Ticket) -> str:
    """Which way round the file is, for where it must not be overlooked; empty where plain."""
    return {"lab": "mirror once", "studio": "already mirrored", "nobody": ""}[
        ticket.geometry.mirrored_by
    ]
