"""`recall.json` against JSON Schema 2020-12 (`jsonschema`), its bag against RFC 8493 (`bagit`)."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import bagit
import pytest
from jsonschema import Draft202012Validator

from made_recalls import made_print, made_recall
from platemark.model.plain import from_plain
from platemark.model.recall import RecallNotice
from platemark.model.ticket import TicketRecall
from platemark.parcel.bag import verify_parcel
from platemark.parcel.recall_json import recall_bytes, schema_bytes
from platemark.parcel.recall_notice import build_notice

PUBLISHED = Path(__file__).parents[2] / "config" / "schema" / "recall.schema.json"
NOTICE = made_recall(
    made_print(),
    made_print(124, title=None, order=None, purpose="test", parcel="brindlewick-000016"),
    whole_parcels=("brindlewick-000016",),
    before=(TicketRecall(122, "brindlewick-000017", "brindlewick-000015"),),
    studio_contact=None,
)


def judge() -> Draft202012Validator:
    return Draft202012Validator(
        json.loads(PUBLISHED.read_bytes()), format_checker=Draft202012Validator.FORMAT_CHECKER
    )


def test_published_schema_is_the_one_of_the_model() -> None:
    """The published file has not drifted from the classes.

    If it has: `python -c "import sys; from platemark.parcel.recall_json import schema_bytes;
    sys.stdout.buffer.write(schema_bytes())" > config/schema/recall.schema.json`
    """
    assert PUBLISHED.read_bytes() == schema_bytes()


def test_schema_is_a_schema() -> None:
    """It is valid against the meta-schema of JSON Schema 2020-12 and has a neutral name."""
    schema = json.loads(PUBLISHED.read_bytes())
    Draft202012Validator.check_schema(schema)
    assert schema["$id"] == "urn:platemark:recall:1"


def test_notices_are_valid_and_come_back_as_they_were() -> None:
    """Real notices pass, with and without the values that may be missing."""
    for notice in (NOTICE, made_recall()):
        told = json.loads(recall_bytes(notice))
        assert list(judge().iter_errors(told)) == []
        assert from_plain(RecallNotice, told) == notice


BREAKS: dict[str, Any] = {
    "nothing called back": lambda d: d.update(prints=[]),
    "a hash that is none": lambda d: d["prints"][0].update(print_file_sha256="ABC"),
    "a file outside data": lambda d: d["prints"][0].update(print_file="../x.tif"),
    "no copies": lambda d: d["prints"][0].update(copies=0),
    "no instructions": lambda d: d.update(instructions=[]),
    "a missing witness": lambda d: d.pop("witness"),
    "a key that is left out": lambda d: d["prints"][0].pop("title"),
    "another version": lambda d: d.update(version="2"),
    "a purpose that is none": lambda d: d["prints"][0].update(purpose="gift"),
}


@pytest.mark.parametrize("name", sorted(BREAKS))
def test_broken_notices_are_refused(name: str) -> None:
    """The schema says more than that it is JSON: each of these is refused."""
    told = copy.deepcopy(json.loads(recall_bytes(NOTICE)))
    BREAKS[name](told)
    assert list(judge().iter_errors(told))


def test_a_notice_is_a_bag(tmp_path: Path) -> None:
    """The Library of Congress' own program and ours find it whole, and find a change."""
    folder = tmp_path / NOTICE.parcel
    built = build_notice(folder, NOTICE)
    bagit.Bag(str(folder)).validate()
    assert verify_parcel(folder, built.tagmanifest_sha256) == ()
    page = folder / "recall.html"
    page.write_text(page.read_text().replace("Do not print", "Please print"))
    assert verify_parcel(folder, built.tagmanifest_sha256) != ()
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(folder)).validate()
    with pytest.raises(FileExistsError):
        build_notice(folder, NOTICE)
