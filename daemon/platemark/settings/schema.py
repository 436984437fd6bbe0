"""JSON Schemas of the settings files, for editors and for other programs.

`python -m platemark.settings.schema config/schema` writes them.
"""

from __future__ import annotations

import json
import sys
from datetime import time
from decimal import Decimal
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from platemark.settings.edition_file import EditionFile
from platemark.settings.lab_file import LabFile
from platemark.settings.studio_file import StudioFile
from platemark.settings.surface_file import SurfaceFile

_FILES: dict[str, tuple[str, type[BaseModel]]] = {
    "studio": ("studio.toml", StudioFile),
    "surface": ("surfaces/<id>.toml", SurfaceFile),
    "lab": ("labs/<id>.toml", LabFile),
    "edition": ("editions/<id>.toml", EditionFile),
}


class _TomlSchema(GenerateJsonSchema):
    """TOML has no null: what may be left out is simply not required."""

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        default = schema.get("default")
        if default in (None, ()) or isinstance(default, BaseModel):
            return self.generate_inner(schema["schema"])
        return super().default_schema(schema)

    def decimal_schema(self, schema: core_schema.DecimalSchema) -> JsonSchemaValue:
        bounds = dict(schema)
        names = {"gt": "exclusiveMinimum", "ge": "minimum", "le": "maximum"}
        given = {name: bounds[key] for key, name in names.items() if key in bounds}
        return {"type": "number", **{name: self.encode_default(given[name]) for name in given}}

    def field_title_should_be_set(self, schema: object) -> bool:
        return False

    def encode_default(self, dft: Any) -> Any:
        if isinstance(dft, time):
            return f"{dft:%H:%M}"
        if isinstance(dft, Decimal):
            return int(dft) if dft == int(dft) else float(dft)
        return super().encode_default(dft)


def schemas() -> dict[str, dict[str, Any]]:
    """JSON Schemas (2020-12) of every kind of settings file, by those names."""
    return {
        name: {
            "$schema": _TomlSchema.schema_dialect,
            **model.model_json_schema(schema_generator=_TomlSchema),
            "title": title,
        }
        for name, (title, model) in _FILES.items()
    }


def written(schema: dict[str, Any]) -> str:
    """A schema as the text of its file."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def main(folder: Path) -> None:
    """Write every schema into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, schema in schemas().items():
        (folder / f"{name}.schema.json").write_text(written(schema), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
