"""The shipped JSON Schemas: current, sound, and right about the files beside them."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from matbridge.mapping.reading import read
from matbridge.mapping.schemas import FORMS, json_schema, json_schema_text, schema_path

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.yaml"))


@pytest.mark.parametrize("kind", FORMS)
def test_the_shipped_schema_is_current(kind: str) -> None:
    """Made anew by `python -m matbridge.mapping.schemas`."""
    assert schema_path(kind).read_text(encoding="utf-8") == json_schema_text(kind)


@pytest.mark.parametrize("kind", FORMS)
def test_it_is_a_schema_of_its_dialect(kind: str) -> None:
    jsonschema.Draft202012Validator.check_schema(json_schema(kind))


def keys(schema: Any) -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(schema, dict):
        yield from schema.get("properties", {}).items()
        for each in schema.values():
            yield from keys(each)
    elif isinstance(schema, list):
        for each in schema:
            yield from keys(each)


@pytest.mark.parametrize("kind", FORMS)
def test_every_key_is_described_in_a_line(kind: str) -> None:
    described = list(keys(json_schema(kind)))
    assert len(described) > 20
    for key, value in described:
        description = value["description"]
        assert description.endswith((".", "?")), key
        assert "\n" not in description
        assert len(description) <= 250


@pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.name)
def test_a_config_is_wired_to_its_schema_and_meets_it(path: Path) -> None:
    first, *_ = path.read_text(encoding="utf-8").splitlines()
    name = first.removeprefix("# yaml-language-server: $schema=")
    kind = "mat" if path.name.endswith(".mat.yaml") else "performance"
    assert (path.parent / name).resolve() == schema_path(kind)
    schema = json.loads(schema_path(kind).read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(read(path.read_bytes(), path.name).data)


@pytest.mark.parametrize(
    "zone", ["H3", 128, {"control": 6}, {"note": "D3", "hold": "togle"}, {"colour": "blue"}, []]
)
def test_an_editor_marks_a_slip(zone: object) -> None:
    data = {
        "performance": "x",
        "mat": "y",
        "outputs": {"synth": {"virtual": "z"}},
        "presets": {"p": {"zones": {"a1": zone}}},
    }
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, json_schema("performance"))
    data["presets"] = {"p": {"zones": {"a1": "D3"}}}
    jsonschema.validate(data, json_schema("performance"))
