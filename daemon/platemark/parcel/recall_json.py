"""`recall.json` and the JSON Schema that describes it to the lab's programs."""

from __future__ import annotations

from typing import Any

from platemark.model.plain import to_plain
from platemark.model.recall import RECALL_VERSION, RecallNotice
from platemark.parcel.described import described_schema, json_bytes

SCHEMA_ID = f"urn:platemark:recall:{RECALL_VERSION}"

_SHA256 = {"pattern": "^[0-9a-f]{64}$"}
_COUNT = {"minimum": 1}

_FIELDS: dict[str, dict[str, tuple[str, dict[str, Any]]]] = {
    "RecallNotice": {
        "version": ("Version of this shape.", {"const": RECALL_VERSION}),
        "parcel": ("The notice's own name; also its folder's. It holds nothing to print.", {}),
        "lab": ("The lab's id in the studio's settings.", {}),
        "lab_name": ("The lab's name, for people.", {}),
        "studio": ("Who calls the prints back.", {}),
        "created": ("When the notice was written: UTC, RFC 3339.", {"format": "date-time"}),
        "witness": ("The newest entry of the studio's record when this was written.", {}),
        "prints": ("What is not to be printed, one for each job.", {"minItems": 1}),
        "whole_parcels": (
            "Parcels of which nothing is to be printed. Of every other parcel that is named here, "
            "all that is named neither in prints nor in before stays as it was ordered.",
            {},
        ),
        "before": (
            "Other jobs of these parcels that earlier notices called back: they stay called back.",
            {},
        ),
        "instructions": ("What to do, one sentence each.", {"minItems": 1}),
        "studio_contact": ("How to reach the studio, in its own words.", {}),
    },
    "Witness": {
        "seq": ("Number of the entry.", _COUNT),
        "hash": ("Its hash, SHA-256, hexadecimal.", _SHA256),
    },
    "TicketRecall": {
        "job": ("Number of the job in the studio.", _COUNT),
        "parcel": ("The parcel that it came in.", {}),
        "notice": ("The notice that called it back.", {}),
    },
    "RecalledPrint": {
        "job": ("Number of the job in the studio, as on its ticket.", _COUNT),
        "parcel": ("The parcel that it came in.", {}),
        "product": ("The lab's own product name.", {}),
        "surface": ("The surface's id in the studio's settings.", {}),
        "size": ("The picture on the front face: 16x20in, 40x60cm, or an ISO 216 name.", {}),
        "copies": ("How many prints were asked for; none is to be made.", _COUNT),
        "purpose": ("Whether they were to be a test or final prints.", {}),
        "print_file": (
            "From that parcel's root.",
            {"pattern": "^data/[A-Za-z0-9._-]{1,100}$"},
        ),
        "print_file_sha256": ("Of that file, hexadecimal.", _SHA256),
        "title": ("The picture's title.", {}),
        "order": ("What belongs together, by the studio's name.", {}),
    },
}


def recall_bytes(notice: RecallNotice) -> bytes:
    """Write `recall.json`; a key without a value is there and null."""
    return json_bytes(to_plain(notice))


def recall_schema() -> dict[str, Any]:
    """Make the JSON Schema (2020-12) of `recall.json`, from the model's own classes."""
    return described_schema(
        RecallNotice,
        _FIELDS,
        SCHEMA_ID,
        "A recall notice",
        "Prints that a lab has on order and is not to make. It comes as a parcel of its own that "
        "holds nothing to print.",
    )


def schema_bytes() -> bytes:
    """The schema as it is published in `config/schema/recall.schema.json`."""
    return json_bytes(recall_schema(), sort=False)
