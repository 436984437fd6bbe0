"""How a ticket's values are said to the people at the lab; every ticket form says the same."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from fractions import Fraction

from platemark.model.job import shown_name
from platemark.model.terms import Intent
from platemark.model.ticket import Ticket, TicketCheck, TicketColour, TicketGeometry, TicketWeight
from platemark.model.units import BadSize, Size, orientation_of, parse_size, shown

INTENTS: dict[Intent, str] = {
    "perceptual": "perceptual",
    "relative": "relative colorimetric",
    "saturation": "saturation",
    "absolute": "absolute colorimetric",
}

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
    """Which panel of a set a job is, counted in the parcel's own order."""

    panel: int
    of: int
    here: int
    """How many panels of the set are in this parcel."""

    def __str__(self) -> str:
        if self.here != self.of:
            return f"part of a set of {self.of}, {self.here} of them in this parcel: print together"
        return f"panel {self.panel} of {self.of}, print together"


def plain_text(value: str) -> str:
    """Text as people may see it: signs that hide or turn others are replaced, line by line."""
    return "\n".join(shown_name(line.encode("utf-8", "replace")) for line in value.splitlines())


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
        for panel, ticket in enumerate(panels, 1):
            places[ticket.job] = SetPlace(panel, of, len(panels))
    return places
