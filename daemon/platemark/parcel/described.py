"""JSON for a lab's programs, and the JSON Schema made from the classes that are its shape."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import msgspec

Described = Mapping[str, Mapping[str, tuple[str, Mapping[str, Any]]]]
"""What the types alone do not say, class by class: (words, further rules) of each key."""


def described_schema(
    kind: type, fields: Described, schema_id: str, title: str, description: str
) -> dict[str, Any]:
    """Make the JSON Schema (2020-12) of a class and all that it holds.

    More keys than it names may stand in a file; a program passes over what it does not know.

    Args:
        kind: The class of the whole.
        fields: Words and rules of each of its keys.
        schema_id: The schema's own name.
        title: What the file is.
        description: What is to be known of all of it.
    """
    made = msgspec.json.schema(kind)
    definitions: dict[str, dict[str, Any]] = made["$defs"]
    for name, definition in definitions.items():
        definition["description"] = " ".join(definition["description"].split())
        for key, rules in definition["properties"].items():
            words, further = fields[name][key]
            rules.update(further)
            rules["description"] = words
        # A key without a value is written as null, so that every key is there. Only what has a
        # default in its class came later, and files from before are without it.
        definition["required"] = [
            key for key, rules in definition["properties"].items() if "default" not in rules
        ]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": schema_id,
        "title": title,
        "description": description,
        **made,
    }


def json_bytes(data: object, *, sort: bool = True) -> bytes:
    """JSON as UTF-8 (RFC 8259), the same bytes for the same values."""
    text = json.dumps(data, indent=2, sort_keys=sort, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")
