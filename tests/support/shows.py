"""Hypothesis strategies for the files that a person writes, built from their JSON Schemas.

A schema says what each key may hold; what it cannot say is mended afterwards: names refer to what
the file has, and keys that do not go together are parted.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import yaml
from hypothesis import strategies as st

from matbridge.mapping.schema_zone import SOUND_KEYS
from matbridge.mapping.schemas import json_schema

MAT = b"""\
mat: quay
board: {port: simulated}
sensor: {type: force, bits: 10, fixed_resistor_ohm: 1000}
zones:
  - {name: a1, at: [0, 0]}
  - {name: a2, at: [40, 0]}
  - {name: b1, at: [20, 35]}
  - {name: b2, at: [60, 35]}
groups: {near: [a*], far: [b*]}
"""

ZONES = ("a1", "a2", "b1", "b2")
ZONE_WORDS = (*ZONES, "near", "far", "*1", "b?")
PRESETS = ("low tide", "squall", "lamp lighters")
OUTPUTS = ("synth", "rack")

# Keys whose values are names that the file must have.
NAMES: Mapping[str, tuple[str, ...]] = {
    "output": OUTPUTS,
    "preset": PRESETS,
    "first": PRESETS,
}

# Keys that are written apart, because what they may say depends on the rest of the file.
APART = ("like", "groups", "mat", "outputs")


class _FromSchema:
    """A strategy for each fragment of a schema."""

    def __init__(self, schema: Mapping[str, Any]) -> None:
        self.defs = schema["$defs"]
        self.made: dict[str, st.SearchStrategy[Any]] = {}

    def form(self, name: str) -> st.SearchStrategy[Any]:
        if name not in self.made:
            self.made[name] = st.deferred(lambda: self.value(self.defs[name]))
        return self.made[name]

    def value(self, schema: Mapping[str, Any], key: str = "") -> st.SearchStrategy[Any]:
        if key in NAMES:
            return st.sampled_from(NAMES[key])
        if "$ref" in schema:
            return self.form(schema["$ref"].rsplit("/", 1)[1])
        if "const" in schema:
            return st.just(schema["const"])
        if "enum" in schema:
            return st.sampled_from(schema["enum"])
        for several in ("anyOf", "oneOf"):
            if several in schema:
                return st.one_of([self.value(each, key) for each in schema[several]])
        kind = schema["type"]
        if kind == "object":
            return self.mapping(schema, key)
        if kind == "array":
            return self.sequence(schema, key)
        if kind == "boolean":
            return st.booleans()
        return self.text(schema, key) if kind == "string" else self.number(schema)

    def number(self, schema: Mapping[str, Any]) -> st.SearchStrategy[Any]:
        low = schema.get("minimum", schema.get("exclusiveMinimum"))
        high = schema.get("maximum", schema.get("exclusiveMaximum"))
        refused = schema.get("not", {}).get("enum", ())
        if schema["type"] == "integer":
            high -= "exclusiveMaximum" in schema
            return st.integers(low, high).filter(lambda number: number not in refused)
        # Tenths: the files are written by people, and the round trip is not about floats.
        tenths = st.integers(int(low * 10), int(high * 10) - ("exclusiveMaximum" in schema))
        return tenths.map(lambda tenth: tenth / 10).filter(
            lambda number: number >= low and (number > low or "exclusiveMinimum" not in schema)
        )

    def text(self, schema: Mapping[str, Any], key: str) -> st.SearchStrategy[Any]:
        pattern = schema.get("pattern", "")
        if pattern.startswith("^[A-G]"):
            return st.sampled_from(["C-1", "D3", "F##2", "Bb4", "Ebb5", "G9"])
        if pattern:
            return st.from_regex(pattern.replace("$", r"\Z"), fullmatch=True)
        words = st.sampled_from(
            ["fog bell", "on", "12:30", "7", "été", "a: b", "#", "[x", "quay's"]
        )
        return words | st.text(
            st.characters(codec="utf-8", categories=("L", "N", "P", "Zs", "S")),
            min_size=1,
            max_size=min(schema["maxLength"], 12),
        )

    def sequence(self, schema: Mapping[str, Any], key: str) -> st.SearchStrategy[Any]:
        if key == "zones":
            return st.lists(st.sampled_from(ZONE_WORDS), min_size=1, max_size=3)
        low, high = schema.get("minItems", 0), schema.get("maxItems", 3)
        return st.lists(self.value(schema["items"]), min_size=low, max_size=min(high, max(low, 3)))

    def mapping(self, schema: Mapping[str, Any], key: str) -> st.SearchStrategy[Any]:
        if "properties" not in schema:
            return self.named(schema, key)
        required = schema.get("required", ())
        properties = {
            name: self.value(value, name)
            for name, value in schema["properties"].items()
            if name not in APART
        }
        return st.fixed_dictionaries(
            {name: each for name, each in properties.items() if name in required},
            optional={name: each for name, each in properties.items() if name not in required},
        )

    def named(self, schema: Mapping[str, Any], key: str) -> st.SearchStrategy[Any]:
        """A mapping whose keys are names."""
        if key == "presets":
            value = self.value(schema["additionalProperties"])
            return st.fixed_dictionaries(dict.fromkeys(PRESETS, value))
        if key == "zones":
            value = self.value(schema["additionalProperties"])
            return st.dictionaries(st.sampled_from(ZONE_WORDS), value, max_size=3)
        if key == "programs":
            programs = st.integers(1, 128).map(str)
            return st.dictionaries(programs, st.sampled_from(PRESETS), max_size=2)
        controls = st.sampled_from(["1", "20", "volume", "119"])
        return st.dictionaries(controls, self.value(schema["additionalProperties"]), max_size=2)


@st.composite
def performance_data(draw: st.DrawFn) -> dict[str, Any]:
    """The data of a performance file on MAT, in which nothing is wrong."""
    data: dict[str, Any] = draw(_PERFORMANCE)
    data["mat"] = "quay.mat.yaml"
    data["outputs"] = {
        "synth": {"virtual": "matbridge"},
        "rack": {"serial": "/dev/ttyAMA0", "clock": draw(st.booleans())},
    }
    if draw(st.booleans()):
        data["groups"] = {"corner": draw(st.lists(st.sampled_from(ZONE_WORDS), max_size=2))}
    for name, like in (("squall", "low tide"), ("lamp lighters", "squall")):
        if draw(st.booleans()):
            data["presets"][name]["like"] = like
    settings = [*data["presets"].values(), data.get("defaults", {})]
    for preset in settings:
        _mend_preset(preset)
    data.setdefault("defaults", {})["scale"] = {"root": "D3", "type": "dorian"}
    return data


def performance_texts() -> st.SearchStrategy[bytes]:
    """Performance files as bytes."""
    return performance_data().map(to_text)


def to_text(data: object) -> bytes:
    """Data as a YAML file that someone might have written."""
    text: str = yaml.safe_dump(data, sort_keys=False, allow_unicode=True, width=90)
    return text.encode()


def _mend_preset(preset: dict[str, Any]) -> None:
    """Part what does not go together."""
    preset.pop("hold" if preset.get("hold") == "choke" else "", None)
    scale = preset.get("scale", {})
    for key in list(scale)[1:]:
        if key != "root":
            del scale[key]
    for key in ("semitones", "cents"):
        if key in scale:
            scale[key] = sorted({0, *scale[key]})
    if len(scale) == 1:
        preset.pop("scale", None)
    if "type" in preset.get("tuning", {}):
        preset["tuning"].pop("cents", None)
    layout = preset.get("layout")
    if isinstance(layout, list):
        preset["layout"] = ["near", *[word for word in layout if word in ZONE_WORDS]]
    for key in ("mpe", "enter"):
        if isinstance(preset.get(key), list):
            preset[key] = preset[key][:1]
    _mend_sound(preset)
    for zone in preset.get("zones", {}).values():
        if isinstance(zone, dict):
            _mend_zone(zone)


def _mend_zone(zone: dict[str, Any]) -> None:
    for form in (zone, *zone.get("sequence", ()), *zone.get("layers", ())):
        if not isinstance(form, dict):
            continue
        sounds = [key for key in form if key in SOUND_KEYS]
        for key in sounds[1:]:
            del form[key]
        if "degree" not in form:
            form.pop("octave", None)
        if form.get("hold") == "choke" and "choke" not in form:
            form["choke"] = "hats"
        if form.get("bits") == 14:
            form["control"] = 7
        if "bend" in form:
            form["bend"] = max(-1, min(1, form["bend"]))
        _mend_sound(form)
    layers = zone.get("layers")
    if layers is not None:
        plays = ("control", "program", "bend", "pedal", "action", *SOUND_KEYS)
        zone["layers"] = [
            layer
            for layer in layers
            if not isinstance(layer, dict) or any(key in layer for key in plays)
        ] or [60]
        for layer in zone["layers"]:
            if isinstance(layer, dict):
                layer.pop("velocity", None)
                _mend_zone(layer)
    if not zone.get("notes", [60]):
        zone["notes"] = [60]


def _mend_sound(form: dict[str, Any]) -> None:
    """Ranges from low to high; points that rise; fine controls that have two halves."""
    for key in ("velocity", "when"):
        for inner, value in form.get(key, {}).items() if isinstance(form.get(key), dict) else ():
            if isinstance(value, list):
                form[key][inner] = sorted(value)
    pressures = form.get("pressure")
    for each in pressures if isinstance(pressures, list) else [pressures]:
        if isinstance(each, dict) and each.get("bits") == 14:
            each["control"] = 11
    for holder in (form, form.get("velocity"), *_dicts(pressures)):
        curve = holder.get("curve") if isinstance(holder, dict) else None
        if isinstance(curve, dict) and "points" in curve:
            curve["points"] = [[0, 0], [0.3, 0.6], [1, 1]]


def _dicts(value: object) -> list[object]:
    return value if isinstance(value, list) else [value]


_SCHEMA = json_schema("performance")
_PERFORMANCE = _FromSchema(_SCHEMA).value(_SCHEMA)
