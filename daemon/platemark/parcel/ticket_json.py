"""`ticket.json` and the JSON Schema that describes it to the lab's programs."""

from __future__ import annotations

from typing import Any

from platemark.model.plain import to_plain
from platemark.model.ticket import TICKET_VERSION, ParcelTicket
from platemark.parcel.described import described_schema, json_bytes
from platemark.parcel.forms import Pictures, TicketForm

SCHEMA_ID = f"urn:platemark:ticket:{TICKET_VERSION}"

_SHA256 = {"pattern": "^[0-9a-f]{64}$"}
_COUNT = {"minimum": 1}
_LENGTH_PX = {"minimum": 0}
_DECIMAL = {"pattern": r"^[0-9]+(\.[0-9]+)?$"}

# What the types alone do not say, class by class: (words, further rules).
_FIELDS: dict[str, dict[str, tuple[str, dict[str, Any]]]] = {
    "ParcelTicket": {
        "version": ("Version of this shape.", {"const": TICKET_VERSION}),
        "parcel": ("The parcel's name; also its folder's.", {}),
        "lab": ("The lab's id in the studio's settings.", {}),
        "lab_name": ("The lab's name, for people.", {}),
        "studio": ("Who prepared the parcel.", {}),
        "created": ("When the tickets were written: UTC, RFC 3339.", {"format": "date-time"}),
        "witness": ("The newest entry of the studio's record when this was written.", {}),
        "tickets": ("One for each job, in the order of the parcel.", {}),
        "studio_contact": ("How to reach the studio, in its own words.", {}),
        "studio_ship_to": ("Where a print goes whose request names no other place.", {}),
        "replaces": (
            "A parcel that was never sent, because one of its jobs was called back in time; all "
            "its other jobs are in this one.",
            {},
        ),
        "recalled": (
            "Jobs of earlier parcels that were called back lately: they are not to be printed.",
            {},
        ),
    },
    "TicketRecall": {
        "job": ("Number of the job in the studio.", _COUNT),
        "parcel": ("The parcel that it came in.", {}),
        "notice": ("The parcel that told it, with a recall.json of its own.", {}),
    },
    "Witness": {
        "seq": ("Number of the entry.", _COUNT),
        "hash": ("Its hash, SHA-256, hexadecimal.", _SHA256),
    },
    "Ticket": {
        "job": ("Number of the job in the studio.", _COUNT),
        "request": ("What is to be printed.", {}),
        "original": ("The photographer's file, which stays in the studio.", {}),
        "print_file": ("What is to be printed from.", {}),
        "colour": ("How the colour was converted, and what is left to do.", {}),
        "geometry": ("Where everything lies, in pixels of the print file.", {}),
        "changes": ("Everything that was done to pixels and tags, in order.", {}),
        "findings": ("What the lab should know: cautions, and stops that were accepted.", {}),
        "instructions": ("What to do and what not to do, one sentence each.", {}),
        "cautions": ("Handling and hanging, one sentence each.", {}),
        "weight": ("Of the finished panel; null where it is not reckoned.", {}),
        "proof": (
            "How the picture will look, for a screen: a preview, not a contract proof. Null where "
            "there is none.",
            {},
        ),
        "suitability": (
            "How the picture will sit on its surface, one measure each; nothing is to be done.",
            {},
        ),
        "thread": ("Earlier prints of the same picture that this one is to be like.", {}),
        "edition": (
            "The limited edition that the prints belong to; absent where they belong to none.",
            {},
        ),
        "test": ("Which print of a test it is; absent where it is none.", {}),
    },
    "TicketTest": {
        "part": (
            "half: the whole picture at half the size of the final. crops: places of the final at "
            "full size. steps: one place of it in five steps of an adjustment.",
            {},
        ),
        "size": ("Of the final print that is tested.", {}),
        "of": ("Number of the test's first job.", _COUNT),
    },
    "TicketEdition": {
        "id": ("The edition's id in the studio's settings.", {}),
        "of": ("How many prints of this kind the edition has.", _COUNT),
        "numbers": ("The prints' numbers; the studio writes them on.", {"minItems": 1}),
        "kind": ("print: a numbered print. proof: an artist's proof, numbered apart.", {}),
        "name": ("What the edition is called.", {}),
        "size": (
            "The size that is counted by itself, in mm; null where all sizes are counted together.",
            {},
        ),
    },
    "TicketEarlier": {
        "kind": (
            "approved-test: a test print that the photographer approved; this print is to look "
            "like it. reprint: an earlier print that is made once more. remake: one in whose place "
            "this is made.",
            {},
        ),
        "job": ("Number of that job in the studio.", _COUNT),
        "parcel": ("The parcel that it came in; null where it is not known.", {}),
        "on": (
            "Date of the approval, or of the day on which its parcel was closed.",
            {"format": "date"},
        ),
        "same_file": ("Whether the print file is byte for byte the same as then.", {}),
    },
    "TicketPreview": {
        "path": (
            "From the parcel's root, a JPEG in sRGB.",
            {"pattern": "^screen-previews/[0-9]{6,}_screen-preview\\.jpg$"},
        ),
        "sha256": ("Of the file, hexadecimal.", _SHA256),
    },
    "TicketMeasure": {
        "measure": ("Which measure, for programs.", {}),
        "label": ("What it is about, in a word or two.", {}),
        "value": (
            "As it was measured: a decimal, in the unit that the figure has.",
            {"pattern": r"^-?[0-9]+(\.[0-9]+)?$"},
        ),
        "figure": ("The same rounded, with its unit.", {}),
        "sentence": ("What it says of the print.", {}),
    },
    "TicketRequest": {
        "surface": ("The surface's id in the studio's settings.", {}),
        "product": ("The lab's own product name.", {}),
        "size": ("The picture on the front face: 16x20in, 40x60cm, or an ISO 216 name.", {}),
        "sheet": ("The trimmed paper, written like a size.", {}),
        "border": (
            "White around the picture, as the file has it: one length; left, top, right, bottom; "
            "or none.",
            {},
        ),
        "copies": ("How many prints.", _COUNT),
        "purpose": ("A test is judged and not sold.", {}),
        "edge": (
            "How bleed or wrap is filled: none, included, mirror, extend, image, "
            "or solid with a colour.",
            {},
        ),
        "wrap": ("Depth of the bar that the print goes round; none where there is none.", {}),
        "order": ("What belongs together, by the studio's name.", {}),
        "set": ("Name of the set that must match within the order.", {}),
        "set_of": ("How many panels the set has.", {}),
        "title": ("The picture's title.", {}),
        "due": ("Wanted by: a date, RFC 3339.", {}),
        "finish": ("Varnish, laminate or other finish.", {}),
        "mount": ("How it is mounted.", {}),
        "hardware": ("What it hangs by.", {}),
        "ship_to": ("Where it goes; null: to the studio.", {}),
        "note": ("From the studio to the lab.", {}),
        "place": (
            "Where it will hang: indoor, bright for a window or lamp opposite, humid or outdoor.",
            {},
        ),
    },
    "TicketOriginal": {
        "name": ("As it was dropped.", {}),
        "sha256": ("Of the file, hexadecimal.", _SHA256),
        "bytes": ("Its length.", _COUNT),
        "width_px": ("As stored, before its orientation tag is applied.", _COUNT),
        "height_px": ("As stored, before its orientation tag is applied.", _COUNT),
        "bits": ("Bits for each channel.", {}),
        "format": ("TIFF, JPEG or PNG.", {}),
        "orientation": ("Exif orientation of the stored pixels.", {"minimum": 1, "maximum": 8}),
        "profile": ("Name of its colour profile.", {}),
    },
    "TicketPrintFile": {
        "path": ("From the parcel's root.", {"pattern": "^data/[A-Za-z0-9._-]{1,100}$"}),
        "sha256": ("Of the file, hexadecimal.", _SHA256),
        "bytes": ("Its length.", _COUNT),
        "width_px": ("Of the whole document, bleed or wrap included.", _COUNT),
        "height_px": (
            "Of the whole document, bleed or wrap and a strip of patches included.",
            _COUNT,
        ),
        "prints_at": (
            "The whole document on paper, border, bleed, wrap and tuck included, like a size.",
            {"pattern": r"^[0-9]+(\.[0-9]+)?x[0-9]+(\.[0-9]+)?(in|cm|mm)$"},
        ),
        "ppi": ("Pixels per inch at the ordered size: a decimal, or a fraction where exact.", {}),
        "bits": ("Bits for each channel.", {}),
        "format": ("TIFF or JPEG.", {}),
        "compression": ("As the file has it.", {}),
        "profile_sha256": ("Of the embedded profile, hexadecimal.", _SHA256),
    },
    "TicketColour": {
        "source_profile": ("What the picture's numbers meant.", {}),
        "source_profile_from": (
            "embedded: by the picture's own profile. stated: the file names a known space without "
            "a profile. assumed: by a written policy. lab: the picture is in Lab and was brought "
            "into this space.",
            {},
        ),
        "output_profile": ("What the print file's numbers mean.", {}),
        "output_profile_sha256": ("Of that profile, hexadecimal.", _SHA256),
        "intent": (
            "Rendering intent (ICC.1): of the conversion that was made, or that the lab makes.",
            {},
        ),
        "black_point_compensation": ("Whether it is on, for the same conversion.", {}),
        "conversion": (
            "lab-profile: already in the lab's profile, print without colour management. "
            "working-space: converted to one that the lab takes. keep: as the picture came. In "
            "both of these the lab converts once, from the embedded profile.",
            {},
        ),
        "dither_seed": ("Seed of the dither to 8 bits; null where there was none.", {}),
        "engine": ("Libraries that made the pixels, with versions and hash.", {}),
        "check": ("How the print file compared with an exact conversion.", {}),
    },
    "TicketCheck": {
        "sampled": ("Pixels of the face that were compared.", {"minimum": 0}),
        "mean": ("Mean CIEDE2000 of the 16-bit pixels, before dither or JPEG.", _DECIMAL),
        "p99": ("What 99 of 100 pixels stay within, CIEDE2000.", _DECIMAL),
        "largest": ("Largest difference found, CIEDE2000.", _DECIMAL),
        "container": ("How the file's own samples compare with those pixels.", {}),
    },
    "TicketGeometry": {
        "face_box": ("The front face: what is seen from the front.", {}),
        "trim_box": ("Where the sheet is cut; with a wrap, the bar's back edge.", {}),
        "safe_box": ("Signatures and faces stay inside.", {}),
        "bleed": ("On each side, cut away: a length, or none.", {}),
        "bleed_px": ("The same in pixels.", _LENGTH_PX),
        "wrap_px": ("On each side, round the bar.", _LENGTH_PX),
        "tuck": ("On each side, behind the bar: a length, or none.", {}),
        "tuck_px": ("The same in pixels.", _LENGTH_PX),
        "native_ppi": ("Of the picture at the ordered size, before any resampling.", {}),
        "mirrored_by": ("Who turns the picture left for right; it happens once or never.", {}),
        "direction": (
            "Which way the surface's own lines run under the picture as it stands in the file.",
            {},
        ),
        "strip_box": (
            "The strip of colour patches below the print, outside its trim: cut it off and send it "
            "back with the print; null where there is none.",
            {},
        ),
    },
    "Box": {
        "left": ("From the print file's left edge, px.", _LENGTH_PX),
        "top": ("From its top edge, px.", _LENGTH_PX),
        "width": ("px.", _COUNT),
        "height": ("px.", _COUNT),
    },
    "Change": {
        "code": ("Which change, for programs.", {}),
        "text": ("What was done and why.", {}),
        "before": ("What it was.", {}),
        "after": ("What it became.", {}),
    },
    "TicketFinding": {
        "code": ("Which finding, for programs.", {}),
        "severity": (
            "What the finding was at the studio. A stop is only here if somebody accepted it: it "
            "holds nothing up, print the job.",
            {},
        ),
        "message": ("What was found, with its numbers.", {}),
        "accepted": ("Whether somebody at the studio accepted it; true for each stop.", {}),
        "accepted_by": (
            "The part of who accepted it at the studio; request: it was allowed beforehand; null "
            "where it needed nobody, or the person is no longer there.",
            {},
        ),
    },
    "TicketWeight": {
        "kilograms": ("Without frame, rails and packing.", _DECIMAL),
        "two_people": ("Whether two people should lift it.", {}),
    },
}


def parcel_ticket_bytes(parcel: ParcelTicket) -> bytes:
    """Write `ticket.json`: UTF-8 (RFC 8259), keys sorted, the same bytes for the same parcel.

    A key without a value is there and null; only a print of no edition is without `edition`,
    and one of no test without `test`.
    """
    plain = to_plain(parcel)
    for ticket in plain["tickets"]:
        for key in ("edition", "test"):
            if ticket[key] is None:
                del ticket[key]
    return json_bytes(plain)


def ticket_schema() -> dict[str, Any]:
    """Make the JSON Schema (2020-12) of `ticket.json`, from the model's own classes.

    More keys than it names may stand in a ticket; a program passes over what it does not know.
    """
    return described_schema(
        ParcelTicket,
        _FIELDS,
        SCHEMA_ID,
        "A parcel's ticket",
        "Everything a lab is told about one parcel of print files. Paths are from the parcel's "
        "root; lengths in pixels are of the print file; exact decimals and fractions are strings.",
    )


def schema_bytes() -> bytes:
    """The schema as it is published in `config/schema/ticket.schema.json`."""
    return json_bytes(ticket_schema(), sort=False)


def _made(parcel: ParcelTicket, pictures: Pictures) -> bytes:
    del pictures
    return parcel_ticket_bytes(parcel)


FORM = TicketForm("ticket.json", _made)
