"""The JSON Schemas of the two files, for editors that complete and check while one writes.

They are shipped as files beside this module, so that an editor needs no Python; `write` makes them
anew from the forms.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from matbridge.mapping.fields import Form
from matbridge.mapping.schema_mat import MatFile
from matbridge.mapping.schema_performance import PerformanceFile

DIALECT = "https://json-schema.org/draft/2020-12/schema"

# What a schema is called on the command line and in its file's name.
FORMS: dict[str, type[Form]] = {"mat": MatFile, "performance": PerformanceFile}


def schema_path(kind: str) -> Path:
    """Where the shipped schema of "mat" or "performance" is."""
    return Path(__file__).with_name(f"{kind}.schema.json")


def json_schema(kind: str) -> dict[str, Any]:
    """The schema of "mat" or "performance", made from its forms."""
    made = FORMS[kind].model_json_schema(schema_generator=_Plain, mode="validation")
    return {"$schema": DIALECT, "title": f"A {kind} file of matbridge", **made}


def json_schema_text(kind: str) -> str:
    """The schema as its file has it."""
    return json.dumps(json_schema(kind), indent=1, ensure_ascii=False) + "\n"


def write() -> None:
    """Write the shipped files anew, after a form has changed."""
    for kind in FORMS:
        schema_path(kind).write_text(json_schema_text(kind), encoding="utf-8")


class _Plain(GenerateJsonSchema):
    """Without the titles and nulls that say nothing to a person."""

    def field_title_should_be_set(self, _schema: Any) -> bool:
        return False

    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        made = super().default_schema(schema)
        if made.get("default", ...) in (None, {}):
            del made["default"]
        return made

    def model_schema(self, schema: core_schema.ModelSchema) -> JsonSchemaValue:
        made = super().model_schema(schema)
        made.pop("title", None)
        return made


if __name__ == "__main__":
    write()
