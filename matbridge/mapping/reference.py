"""The reference of both files' keys, in Markdown, made from the JSON Schemas."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from matbridge.mapping.chords import CHORD_SIGNS, CHORDS
from matbridge.mapping.controls import CONTROLS
from matbridge.mapping.percussion import PERCUSSION
from matbridge.mapping.programs import PROGRAMS
from matbridge.mapping.scales import SCALES
from matbridge.mapping.schemas import json_schema

Schema = Mapping[str, Any]
Sections = Sequence[tuple[str, tuple[str, ...]]]

# The parts of each file in the order of a reader's interest: heading, and the forms told under it.
# The empty name is the file itself.
SECTIONS: dict[str, tuple[tuple[str, tuple[str, ...]], ...]] = {
    "mat": (
        ("The mat file", ("",)),
        ("Boards", ("SerialBoard", "SpiBoard", "IioBoard", "I2cBoard", "MidiBoard")),
        ("Sensors", ("ForceSensor", "LevelSensor", "SwitchSensor")),
        ("Zones of the mat", ("MatZone",)),
        ("Sensing", ("Sensing",)),
    ),
    "performance": (
        ("The performance file", ("",)),
        (
            "Outputs",
            (
                "VirtualOutput",
                "PortOutput",
                "SerialOutput",
                "NetworkOutput",
                "BluetoothOutput",
                "FileOutput",
            ),
        ),
        ("Input", ("Input",)),
        ("Presets and defaults", ("Preset",)),
        ("Scales", ("Scale",)),
        ("Layouts", ("PlainLayout", "PointLayout", "StepsLayout")),
        ("Tunings", ("Tuning",)),
        ("Velocity", ("Velocity",)),
        (
            "Pressure",
            ("ChannelPressure", "PolyphonicPressure", "ControlPressure", "BendPressure"),
        ),
        ("Voices", ("Voices",)),
        ("MPE", ("Mpe",)),
        ("Entering a preset", ("Entry",)),
        ("Zones that play notes", ("SoundZone", "LayersZone")),
        ("Chords", ("Chord",)),
        ("Steps of a sequence", ("StepForm",)),
        ("Soft and hard touches", ("When",)),
        (
            "Zones that work something",
            (
                "ControlZone",
                "ProgramZone",
                "BendZone",
                "PedalZone",
                "ActionZone",
            ),
        ),
    ),
}

# Forms whose keys are those of another form, which is told.
SAME = {"PresetSettings": "Preset"}

# Words too many for a cell of a table, told at the end.
LISTS: dict[str, Sequence[str]] = {
    "Scale types": tuple(SCALES),
    "Chord types": (*CHORDS, *CHORD_SIGNS),
    "Percussion sounds": tuple(PERCUSSION),
    "Controls": tuple(CONTROLS),
    "Programs": PROGRAMS,
}


# Up to so many words tell a form apart in its line.
FEW = 3


RULES = """\
### How the files are read

- Notes are names with an octave, C4 = 60 being middle C, or numbers 0-127. MIDI channels are 1-16,
  programs 1-128. Places are in cm: `[x to the right, y away from the player]`.
- Of a preset the later goes before the earlier: `defaults`, then the preset it is `like`, then the
  preset itself. `velocity`, `voices` and `scale` are completed key by key, everything else is
  replaced as a whole.
- In `zones`, patterns (`a*`) and groups (`row b`) come first, in the order written, then zones by
  name. What a zone plays is replaced; settings beside it (`hold`, `channel`, `velocity`, ...) add
  up. A zone that says nothing of what it plays takes its degree of the scale, and a zone that plays
  something of its own keeps its place in the scale, so that its neighbours do not move.
- Keys that are not known, keys written twice, aliases, and words that readers of YAML take for
  different things (`on`, `010`, `12:30`) are problems that say what to write instead.
"""


def reference() -> str:
    """The whole reference, with headings of level 3."""
    lines: list[str] = [RULES]
    for kind, sections in SECTIONS.items():
        schema = json_schema(kind)
        words = _Words({"": schema, **schema["$defs"]}, sections)
        for heading, names in sections:
            lines += [f"### {heading}", "", *_section(words, names), ""]
    for heading, list_of in LISTS.items():
        lines += [f"### {heading}", "", ", ".join(list_of) + ".", ""]
    return "\n".join(lines)


def _section(words: _Words, names: Sequence[str]) -> Iterator[str]:
    """What the forms of a section are, and a table of all their keys, each told once."""
    if len(names) == 1:
        yield words.forms[names[0]]["description"]
    else:
        for name in names:
            form = words.forms[name]
            first = next(iter(form.get("required", ())), next(iter(form["properties"])))
            given = form["properties"][first]
            ways = given.get("enum", [given.get("const", "...")])
            told = f"{first}: {' or '.join(ways) if len(ways) <= FEW else '...'}"
            yield f"- `{{{told}}}` {form['description']}"
    yield ""
    yield "| key | value | meaning |"
    yield "|---|---|---|"
    for (key, meaning), values in _rows(words, names).items():
        cells = (f"`{key}`", " or ".join(values), meaning)
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _rows(words: _Words, names: Sequence[str]) -> dict[tuple[str, str], list[str]]:
    """The keys of some forms with their meanings, those that must be written first, and values."""
    rows: dict[tuple[str, str], list[str]] = {}
    for needed in (True, False):
        for name in names:
            form = words.forms[name]
            for key, value in form["properties"].items():
                if (key in form.get("required", ())) is needed:
                    values = rows.setdefault((key, value["description"]), [])
                    text = words.value(value)
                    if text not in values:
                        values.append(text)
    return rows


class _Words:
    """What a value may be, in words."""

    def __init__(self, forms: Mapping[str, Schema], sections: Sections) -> None:
        self.forms = forms
        self.headings = {name: heading for heading, names in sections for name in names}

    def value(self, value: Schema) -> str:
        text = self.type(value)
        default = value.get("default")
        if default is None or isinstance(default, list | dict):
            return text
        shown = str(default).lower() if isinstance(default, bool) else _plain(default)
        return f"{text}; {shown} unless given"

    def type(self, value: Schema) -> str:
        if "$ref" in value:
            return self.link([value])
        if "const" in value:
            return f"`{value['const']}`"
        if "enum" in value:
            return self.words(value["enum"])
        alternatives = value.get("anyOf") or value.get("oneOf")
        if alternatives:
            return self.alternatives(alternatives)
        match value.get("type"):
            case "integer" | "number":
                return self.number(value)
            case "boolean":
                return "true or false"
            case "string":
                return self.text(value)
            case "array":
                return self.list(value)
        if "properties" in value:
            ((key, inner),) = value["properties"].items()
            return f"`{{{key}: ...}}` with {self.type(inner)}"
        (each,) = (value.get("patternProperties") or {"": value["additionalProperties"]}).values()
        return f"names, each with {self.type(each)}"

    def link(self, values: Sequence[Schema]) -> str:
        """Where the keys of some forms are told."""
        names = [value["$ref"].rsplit("/", 1)[1] for value in values]
        headings = dict.fromkeys(self.headings[SAME.get(name, name)] for name in names)
        return " or ".join(f"[keys](#{_anchor(heading)})" for heading in headings)

    def alternatives(self, values: Sequence[Schema]) -> str:
        forms = [value for value in values if "$ref" in value]
        told = [self.type(value) for value in values if "$ref" not in value]
        if forms:
            told.append(self.link(forms))
        return " or ".join(dict.fromkeys(told))

    def words(self, words: Sequence[Any]) -> str:
        texts = [word for word in words if isinstance(word, str)]
        for heading, known in LISTS.items():
            if texts == list(known):
                return f"[name](#{_anchor(heading)})"
        return ", ".join(f"`{word}`" for word in words)

    def number(self, value: Schema) -> str:
        low = value.get("minimum", value.get("exclusiveMinimum"))
        high = value.get("maximum", value.get("exclusiveMaximum"))
        if "exclusiveMinimum" in value:
            return f"above {_plain(low)}, up to {_plain(high)}"
        join = " to " if low < 0 else "-"
        return f"{_plain(low)}{join}{_plain(high)}"

    def text(self, value: Schema) -> str:
        pattern = value.get("pattern", "")
        if pattern.startswith("^[A-G]"):
            return "note such as `D3`"
        return "note value such as `1/8`" if pattern.startswith("^([1-9]") else "text"

    def list(self, value: Schema) -> str:
        item = self.type(value["items"])
        if value.get("minItems") == value.get("maxItems") == 2:
            return f"[{item}, {item}]"
        return f"list of {item}"


def _plain(number: Any) -> str:
    """A number as it is read best: 12 000 000, 0.5."""
    if isinstance(number, float):
        return f"{number:g}"
    return f"{number:,}".replace(",", " ") if isinstance(number, int) else str(number)


def _anchor(heading: str) -> str:
    """What a heading is linked by in Markdown."""
    return heading.lower().replace(",", "").replace(" ", "-")
