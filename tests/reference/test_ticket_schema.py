"""`ticket.json` against JSON Schema 2020-12, judged by the `jsonschema` package."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from made_tickets import made_parcel, made_ticket, panel, previewed
from platemark.model.plain import from_plain
from platemark.model.ticket import ParcelTicket
from platemark.parcel.ticket_json import parcel_ticket_bytes, schema_bytes, ticket_schema

PUBLISHED = Path(__file__).parents[2] / "config" / "schema" / "ticket.schema.json"
PARCEL = made_parcel(
    previewed(made_ticket()), panel(made_ticket(124, set="River", set_of=2, due=None))
)


def judge() -> Draft202012Validator:
    return Draft202012Validator(
        json.loads(PUBLISHED.read_bytes()), format_checker=Draft202012Validator.FORMAT_CHECKER
    )


def test_published_schema_is_the_one_of_the_model() -> None:
    """The published file has not drifted from the classes.

    If it has: `python -c "import sys; from platemark.parcel.ticket_json import schema_bytes;
    sys.stdout.buffer.write(schema_bytes())" > config/schema/ticket.schema.json`
    """
    assert PUBLISHED.read_bytes() == schema_bytes()


def test_schema_is_a_schema() -> None:
    """It is valid against the meta-schema of JSON Schema 2020-12 and has a neutral name."""
    schema = json.loads(PUBLISHED.read_bytes())
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert schema["$id"] == "urn:platemark:ticket:1"


def test_tickets_are_valid() -> None:
    """Real tickets pass, with and without the values that may be missing."""
    errors = list(judge().iter_errors(json.loads(parcel_ticket_bytes(PARCEL))))
    assert errors == []


BREAKS: dict[str, Any] = {
    "a hash that is none": lambda d: d["tickets"][0]["print_file"].update(sha256="ABC"),
    "a path outside data": lambda d: d["tickets"][0]["print_file"].update(path="../x.tif"),
    "no copies": lambda d: d["tickets"][0]["request"].update(copies=0),
    "copies as words": lambda d: d["tickets"][0]["request"].update(copies="two"),
    "an unknown intent": lambda d: d["tickets"][0]["colour"].update(intent="vivid"),
    "a difference as a float": lambda d: d["tickets"][0]["colour"]["check"].update(mean=0.02),
    "a preview elsewhere": lambda d: d["tickets"][0]["proof"].update(path="data/000123.jpg"),
    "a measure in words": lambda d: d["tickets"][0]["suitability"][0].update(value="a lot"),
    "a missing witness": lambda d: d.pop("witness"),
    "a key that is left out": lambda d: d["tickets"][0]["request"].pop("due"),
    "another version": lambda d: d.update(version="2"),
    "a whole file without a unit": lambda d: d["tickets"][0]["print_file"].update(
        prints_at="18x22"
    ),
    "a place that is none": lambda d: d["tickets"][0]["request"].update(place="cellar"),
    "a name in place of a part": lambda d: d["tickets"][0]["findings"][0].update(
        accepted_by="Ilka"
    ),
    "no word whether accepted": lambda d: d["tickets"][0]["findings"][0].pop("accepted"),
    "an eighth turn too many": lambda d: d["tickets"][0]["original"].update(orientation=9),
}


@pytest.mark.parametrize("name", sorted(BREAKS))
def test_broken_tickets_are_refused(name: str) -> None:
    """The schema says more than that it is JSON: each of these is refused."""
    data = json.loads(parcel_ticket_bytes(PARCEL))
    broken = copy.deepcopy(data)
    BREAKS[name](broken)
    assert not judge().is_valid(broken)


def test_more_keys_may_stand_beside() -> None:
    """A later version may add keys; a lab's program that checks with this schema still reads it."""
    data = json.loads(parcel_ticket_bytes(PARCEL))
    data["tickets"][0]["edition"] = {"id": "river", "of": 25, "numbers": [7]}
    assert judge().is_valid(data)


def test_tickets_from_before_are_valid() -> None:
    """A ticket of an earlier version, with its few keys and no more, still passes and is read."""
    sha256 = "3f" * 32
    box = {"left": 0, "top": 0, "width": 4800, "height": 6000}
    request: dict[str, Any] = dict.fromkeys(
        ("order", "set", "set_of", "title", "due", "finish", "mount", "hardware", "ship_to", "note")
    )
    request |= {
        "surface": "smooth-rag", "product": "Smooth Cotton Rag 310", "size": "16x20in",
        "sheet": "16x20in", "border": "none", "copies": 1, "purpose": "final", "edge": "none",
        "wrap": "none",
    }  # fmt: skip
    older = {
        "version": "1", "parcel": "brindlewick-000001", "lab": "brindlewick",
        "lab_name": "Brindlewick", "studio": "Studio Larkfield", "created": "2025-03-14T09:12:44Z",
        "witness": {"seq": 9, "hash": sha256},
        "tickets": [{
            "job": 1,
            "request": request,
            "original": {
                "name": "heron.tif", "sha256": sha256, "bytes": 9, "width_px": 4800,
                "height_px": 6000, "bits": 16, "format": "TIFF", "orientation": 1,
                "profile": "sRGB",
            },
            "print_file": {
                "path": "data/000001_heron.tif", "sha256": sha256, "bytes": 9, "width_px": 4800,
                "height_px": 6000, "prints_at": "16x20in", "ppi": "300", "bits": 16,
                "format": "TIFF", "compression": "lzw", "profile_sha256": sha256,
            },
            "colour": {
                "source_profile": "sRGB", "source_profile_from": "embedded",
                "output_profile": "Rag", "output_profile_sha256": sha256, "intent": "relative",
                "black_point_compensation": True, "conversion": "lab-profile", "dither_seed": None,
                "engine": "pixel library 8.18",
                "check": {
                    "sampled": 131072, "mean": "0.021", "p99": "0.11", "largest": "0.61",
                    "container": "equal",
                },
            },
            "geometry": {
                "face_box": box, "trim_box": box, "safe_box": box, "bleed": "none", "bleed_px": 0,
                "wrap_px": 0, "tuck": "none", "tuck_px": 0, "native_ppi": "300",
                "mirrored_by": "nobody",
            },
            "changes": [], "findings": [], "instructions": [], "cautions": [], "weight": None,
        }],
    }  # fmt: skip
    assert list(judge().iter_errors(older)) == []
    read = from_plain(ParcelTicket, older)
    assert (read.tickets[0].geometry.direction, read.tickets[0].request.place) == ("none", None)
    assert read.studio_contact is None


def test_promised_keys_are_there() -> None:
    """The keys that programs may rely on are in every ticket, null where they have no value."""
    data = json.loads(parcel_ticket_bytes(PARCEL))
    assert {"parcel", "lab", "witness", "tickets"} <= data.keys()
    assert data["witness"].keys() == {"seq", "hash"}
    for ticket in data["tickets"]:
        assert {"job", "request", "original", "print_file", "colour", "geometry"} <= ticket.keys()
        assert {"changes", "findings", "instructions"} <= ticket.keys()
        assert ticket["geometry"]["face_box"].keys() == {"left", "top", "width", "height"}
        assert {"code", "text", "before", "after"} == ticket["changes"][0].keys()
    assert data["tickets"][0]["weight"] is None
    assert data["tickets"][1]["request"]["due"] is None


def test_ticket_comes_back_as_it_was() -> None:
    """Nothing is lost on the way into JSON and back."""
    assert from_plain(ParcelTicket, json.loads(parcel_ticket_bytes(PARCEL))) == PARCEL


def test_bytes_are_stable_and_plain() -> None:
    """The same parcel gives the same bytes: UTF-8 without escapes, keys sorted, a last line end."""
    parcel = replace(PARCEL, studio="Ateliér Ø")
    data = parcel_ticket_bytes(parcel)
    assert data == parcel_ticket_bytes(replace(parcel))
    assert "Ateliér Ø".encode() in data
    assert data.endswith(b"}\n")
    keys = list(json.loads(data))
    assert keys == sorted(keys)


def test_every_key_is_described() -> None:
    """A lab's programmer finds a sentence for each class and each key."""
    for name, definition in ticket_schema()["$defs"].items():
        assert definition["description"].endswith("."), name
        for key, rules in definition["properties"].items():
            assert rules["description"].endswith("."), f"{name}.{key}"
