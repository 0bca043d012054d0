"""Files to begin with are good as they are written."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from matbridge.mapping.load import mat_from, show_from
from matbridge.mapping.plan import Act, ActionPart
from matbridge.mapping.starters import (
    MAX_ROWS,
    MAX_ZONES,
    SENSOR_TYPES,
    mat_starter,
    performance_starter,
    quoted,
)

PROGRAMS = Path(__file__).parents[2] / "matbridge" / "board" / "programs"


@given(st.integers(1, 60), st.integers(0, MAX_ROWS), st.sampled_from(SENSOR_TYPES))
@example(MAX_ZONES, 0, "force")
@example(MAX_ZONES, 1, "switch")
def test_a_mat_of_any_size_and_a_performance_on_it_load(zones: int, rows: int, sensor: str) -> None:
    mat_text = mat_starter(zones, rows, sensor, "mat.schema.json").encode()
    mat = mat_from(mat_text, "my.mat.yaml")
    assert len(mat.zones) == zones
    assert len({(zone.x_cm, zone.y_cm) for zone in mat.zones}) == zones
    assert mat.sensor.type == sensor
    if rows:
        assert len({zone.y_cm for zone in mat.zones}) <= rows
    names = [zone.name for zone in mat.zones]
    text = performance_starter("my.mat.yaml", names, "performance.schema.json").encode()
    show = show_from(text, mat_text, ("my-show.yaml", "my.mat.yaml"))
    first, second = show.performance.presets
    assert first.zones[-1].parts == (ActionPart(Act.NEXT_PRESET),)
    assert second.zones[-1].parts == (ActionPart(Act.PREVIOUS_PRESET),)
    if zones <= 30:  # of more, the scale runs out of notes
        assert all(zone.parts for preset in show.performance.presets for zone in preset.zones)


def test_they_name_their_schema_in_the_first_line() -> None:
    text = mat_starter(3, 0, "force", "/opt/mat.schema.json")
    assert text.splitlines()[0] == "# yaml-language-server: $schema=/opt/mat.schema.json"


@pytest.mark.parametrize("sensor", SENSOR_TYPES)
def test_a_new_mat_listens_as_the_board_program_for_it_talks(sensor: str) -> None:
    """As written out, nothing changed: who flashes one and writes the other hears it."""
    program = "mat_board" if sensor == "force" else "touch_board"
    source = (PROGRAMS / program / f"{program}.ino").read_text()
    options = dict(re.findall(r"^#define (\w+) +(\w+)", source, re.MULTILINE))
    text = mat_starter(4, 0, sensor, "mat.schema.json").replace("simulated", "/dev/ttyACM0")
    (board,) = mat_from(text.encode(), "my.mat.yaml").boards
    assert board.baud == int(options["BAUD"])
    assert (board.format == "packed") is (options["PACKED"] == "1")


@pytest.mark.parametrize(
    ("name", "written"),
    [("a1", "a1"), ("off", "'off'"), ("left foot", "'left foot'"), ("7", "'7'"), ("x's", "'x''s'")],
)
def test_names_are_quoted_where_they_must_be(name: str, written: str) -> None:
    assert quoted(name) == written


def test_a_mat_whose_zones_have_any_names() -> None:
    mat = """
mat: quay
board: {port: simulated}
sensor: {type: switch}
zones: [{name: "no", at: [0, 0]}, {name: "1.5", at: [1, 0]}, {name: left foot, at: [2, 0]}]
"""
    names = [zone.name for zone in mat_from(mat.encode(), "m").zones]
    text = performance_starter("it's mine.yaml", names, "s").encode()
    assert show_from(text, mat.encode(), ("p", "m")).performance.name == "my show"
