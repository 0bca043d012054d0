"""Short texts of performance and mat files to plans, or to what is wrong with them."""

from __future__ import annotations

from textwrap import dedent

from matbridge.errors import DocumentError
from matbridge.mapping.load import mat_from, show_from
from matbridge.mapping.plan import MatPlan, NotePart, Part, PresetPlan, Show, ZonePlan

MAT = """\
mat: quay
board: {port: simulated}
sensor: {type: force, bits: 10, fixed_resistor_ohm: 1000}
zones:
  - {name: a1, at: [0, 0]}
  - {name: a2, at: [40, 0]}
  - {name: b1, at: [20, 35]}
"""

HEAD = {
    "performance": "performance: lantern walk",
    "mat": "mat: quay.mat.yaml",
    "outputs": "outputs: {synth: {virtual: matbridge}, rack: {serial: /dev/ttyAMA0}}",
    "presets": "presets: {low tide: {scale: {root: D3, type: dorian}}}",
}


def performance_text(text: str) -> str:
    """A whole performance file: what it needs and `text` does not say is put before it."""
    body = dedent(text)
    keys = {line.split(":")[0] for line in body.splitlines() if line[:1].isalpha()}
    head = [line for key, line in HEAD.items() if key not in keys]
    return "\n".join([*head, body])


def show(text: str, mat: str = MAT) -> Show:
    """The show of a performance, on a mat of three zones unless another is given."""
    names = ("show.yaml", "quay.mat.yaml")
    return show_from(performance_text(text).encode(), mat.encode(), names)


def preset(text: str, mat: str = MAT, name: str = "p") -> PresetPlan:
    """The preset `p` of a performance, or another one; `text` may be that preset alone."""
    body = dedent(text)
    if "presets:" not in body:
        inner = "\n".join(f"    {line}" for line in body.splitlines())
        body = f"presets:\n  {name}:\n{inner}\n"
    return next(each for each in show(body, mat).performance.presets if each.name == name)


def zone(text: str, preset_text: str = "", mat: str = MAT) -> ZonePlan:
    """The zone a1 of a preset, written as `text`."""
    return preset(f"{dedent(preset_text)}\nzones:\n  a1: {text}\n", mat).zones[0]


def part(text: str, preset_text: str = "") -> Part:
    """The only part of a zone written as `text`."""
    (only,) = zone(text, preset_text).parts
    return only


def note_part(text: str, preset_text: str = "") -> NotePart:
    only = part(text, preset_text)
    assert isinstance(only, NotePart)
    return only


def notes(text: str, preset_text: str = "") -> list[list[int]]:
    """The note numbers of each step of a zone written as `text`."""
    return [[pitch.note for pitch in step] for step in note_part(text, preset_text).steps]


def layout(preset_text: str, mat: str = MAT) -> dict[str, int]:
    """The note of each zone that plays one, by the names of the zones."""
    plan = show(f"presets:\n  p: {{{preset_text}}}\n", mat)
    return {
        place.name: played.parts[0].steps[0][0].note
        for place, played in zip(plan.mat.zones, plan.performance.presets[0].zones, strict=True)
        if played.parts and isinstance(played.parts[0], NotePart)
    }


def problems(text: str, mat: str = MAT) -> list[tuple[tuple[int, int], str]]:
    """What is wrong with a performance: place and message, in order."""
    try:
        show(text, mat)
    except DocumentError as error:
        return [((each.line, each.column), each.message) for each in error.problems]
    return []


def problem(text: str, mat: str = MAT) -> str:
    """The message of the only thing wrong with a performance."""
    ((_, message),) = problems(text, mat)
    return message


def mat_problem(text: str) -> str:
    """The message of the only thing wrong with a mat."""
    try:
        mat_from(dedent(text).encode(), "quay.mat.yaml")
    except DocumentError as error:
        (only,) = error.problems
        return only.message
    return ""


def mat(text: str) -> MatPlan:
    return mat_from(dedent(text).encode(), "quay.mat.yaml")
