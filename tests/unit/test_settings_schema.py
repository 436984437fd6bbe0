"""The published JSON Schemas of the settings files say what the settings' reader does."""

from __future__ import annotations

import json
import tomllib
from datetime import date, time
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker

from platemark.settings.schema import main, schemas

CONFIG = Path(__file__).resolve().parents[2] / "config"
FILES = {
    "studio": "studio.toml",
    "surface": "surfaces/*.toml",
    "lab": "labs/*.toml",
    # Asleep in a starter studio, until somebody gives it a name that ends in .toml.
    "edition": "editions/*.toml.example",
}
STARTER = [(name, path) for name, pattern in FILES.items() for path in sorted(CONFIG.glob(pattern))]


def as_json(value: Any) -> Any:
    """TOML's values as JSON has them: dates and times become text."""
    if isinstance(value, dict):
        return {key: as_json(each) for key, each in value.items()}
    if isinstance(value, list):
        return [as_json(each) for each in value]
    return value.isoformat() if isinstance(value, date | time) else value


def errors(name: str, values: Any) -> list[str]:
    """Where a file's values break its schema, judged by the jsonschema library."""
    validator = Draft202012Validator(schemas()[name], format_checker=FormatChecker())
    return [".".join(map(str, error.absolute_path)) for error in validator.iter_errors(values)]


def test_committed_schemas_are_current(tmp_path: Path) -> None:
    """What `python -m platemark.settings.schema` writes is what config/schema/ holds."""
    main(tmp_path)
    written = {path.name: path.read_text("utf-8") for path in tmp_path.iterdir()}
    assert set(written) == {f"{name}.schema.json" for name in FILES}
    for name, text in written.items():
        assert (CONFIG / "schema" / name).read_text("utf-8") == text


@pytest.mark.parametrize("name", FILES)
def test_are_schemas(name: str) -> None:
    """Each is a valid JSON Schema 2020-12 by that standard's own meta-schema."""
    schema = schemas()[name]
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    Draft202012Validator.check_schema(schema)


@pytest.mark.parametrize(("name", "path"), STARTER)
def test_starter_is_valid(name: str, path: Path) -> None:
    """Each of the starter's fourteen files is valid under its schema."""
    assert len(STARTER) == 14
    assert errors(name, as_json(tomllib.loads(path.read_text("utf-8")))) == []


@pytest.mark.parametrize(
    ("name", "file", "change", "where"),
    [
        ("studio", "studio.toml", {"colour": 1}, ""),
        ("studio", "studio.toml", {"people": []}, "people"),
        ("studio", "studio.toml", {"limits": {"megapixels": 0}}, "limits.megapixels"),
        ("studio", "studio.toml", {"usual_lab": {"baryta": 1}}, "usual_lab.baryta"),
        ("surface", "surfaces/baryta.toml", {"gloss": "shiny"}, "gloss"),
        ("surface", "surfaces/baryta.toml", {"white_l": 101}, "white_l"),
        ("surface", "surfaces/baryta.toml", {"white_l": "96"}, "white_l"),
        ("surface", "surfaces/baryta.toml", {"safe_margin": "5"}, "safe_margin"),
        ("surface", "surfaces/baryta.toml", {"sample_seen": "soon"}, "sample_seen"),
        ("surface", "surfaces/baryta.toml", {"sample_seen": None}, "sample_seen"),
        ("surface", "surfaces/baryta.toml", {"defaults": {"boarder": "1in"}}, "defaults"),
        ("surface", "surfaces/baryta.toml", {"sharpen": {"radius_mm": 0}}, "sharpen.radius_mm"),
        ("surface", "surfaces/baryta.toml", {"sharpen": {"amount": "1"}}, "sharpen.amount"),
        ("lab", "labs/tarnmoor.toml", {"closing": {"rule": "never"}}, "closing.rule"),
        ("lab", "labs/tarnmoor.toml", {"closing": {"times": ["25:00"]}}, "closing.rule"),
        ("lab", "labs/tarnmoor.toml", {"products": []}, "products"),
    ],
)
def test_refuse(name: str, file: str, change: dict[str, Any], where: str) -> None:
    """A value that the reader would call wrong is wrong under the schema, at the same place."""
    values = as_json(tomllib.loads((CONFIG / file).read_text("utf-8")))
    assert errors(name, values) == []
    if where == "closing.rule" and "rule" not in change["closing"]:
        assert "closing.times.0" in errors(name, values | change)
    else:
        assert where in errors(name, values | change)


def test_every_key_is_described() -> None:
    """Each key of each schema says in words what it is for, itself or by its section."""

    def walk(node: Any) -> None:
        for key, each in node.get("properties", {}).items():
            if "type" in each and isinstance(each["type"], list):
                continue  # the request's own keys, described with the request
            assert each.get("description") or "$ref" in each, key
            walk(each)

    for schema in schemas().values():
        walk(schema)
        for section in schema["$defs"].values():
            assert section["description"]
            walk(section)


def test_examples_are_valid() -> None:
    """Every example, which is also the cure that a mistake is answered with, is itself valid."""
    count = 0
    for schema in schemas().values():
        for section in (schema, *schema["$defs"].values()):
            for key, each in section["properties"].items():
                for example in each.get("examples", ()):
                    count += 1
                    part = {**each, "$defs": schema["$defs"]}
                    checker = Draft202012Validator(part, format_checker=FormatChecker())
                    assert checker.is_valid(example), key
    assert count > 50


def test_text_of_the_file() -> None:
    """The committed files are JSON (RFC 8259) in UTF-8 with a line end at the end."""
    for name in FILES:
        raw = (CONFIG / "schema" / f"{name}.schema.json").read_bytes()
        assert raw.endswith(b"}\n")
        assert json.loads(raw) == schemas()[name]
