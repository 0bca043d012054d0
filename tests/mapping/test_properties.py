"""Any performance that its schema allows: it loads, it loads the same again, and it plays out."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from matbridge.errors import DocumentError
from matbridge.mapping.document import Document
from matbridge.mapping.load import show_from
from matbridge.mapping.plan import Show
from matbridge.mapping.problems import validate
from matbridge.mapping.reading import read
from matbridge.mapping.schema_performance import PerformanceFile
from matbridge.mapping.schemas import json_schema
from matbridge.playing.player import Player
from matbridge.sensing.touch import Touch, TouchKind
from tests.support.playing import Receiver
from tests.support.shows import MAT, ZONES, performance_data, performance_texts, to_text

NAMES = ("show.yaml", "quay.mat.yaml")
SLOW = settings(suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
VALIDATOR = jsonschema.Draft202012Validator(json_schema("performance"))


def load(text: bytes) -> Show:
    return show_from(text, MAT, NAMES)


def written_again(document: Document) -> bytes:
    """The file that its own reading, written down, makes."""
    file = validate(PerformanceFile, document)
    assert file is not None
    return to_text(plain(file.model_dump(by_alias=True, exclude_unset=True)))


def plain(value: Any) -> Any:
    """Tuples as the lists that a file has, and control and program numbers as names of keys."""
    if isinstance(value, dict):
        return {str(key): plain(each) for key, each in value.items()}
    return [plain(each) for each in value] if isinstance(value, list | tuple) else value


@SLOW
@given(performance_texts())
def test_what_its_schema_allows_loads_and_loads_the_same_again(text: bytes) -> None:
    show = load(text)
    again = load(written_again(read(text, "show.yaml")))
    assert again.performance == show.performance
    assert again.mat == show.mat
    assert [each.label for p in again.performance.presets for each in p.zones] == [
        each.label for p in show.performance.presets for each in p.zones
    ]


@SLOW
@given(performance_data())
def test_an_editor_that_knows_the_schema_has_no_complaint(data: dict[str, Any]) -> None:
    VALIDATOR.validate(data)


@st.composite
def plays(draw: st.DrawFn) -> list[Touch]:
    """Touches that a mat may send: onsets of free zones, pressure and lifts of held ones."""
    touches: list[Touch] = []
    held: set[int] = set()
    time_s = 0.0
    for _ in range(draw(st.integers(0, 25))):
        zone = draw(st.integers(0, len(ZONES) - 1))
        time_s += draw(st.sampled_from([0.0, 0.004, 0.3, 2.0]))
        value = draw(st.sampled_from([0.01, 0.5, 1.0]))
        kind = TouchKind.ONSET
        if zone in held:
            kind = draw(st.sampled_from([TouchKind.PRESSURE, TouchKind.LIFT, TouchKind.LIFT]))
        held = held - {zone} if kind is TouchKind.LIFT else held | {zone}
        touches.append(Touch(kind, zone, time_s, value))
    return touches


@SLOW
@given(performance_texts(), plays())
def test_any_play_on_it_ends_every_note_it_began(text: bytes, touches: list[Touch]) -> None:
    player, receiver = Player(load(text).performance), Receiver()
    receiver.hear(player.start(0.0))
    for touch in touches:
        while player.next_due_s <= touch.time_s:
            receiver.hear(player.tick(player.next_due_s))
        receiver.hear(player.touches([touch], touch.time_s))
    receiver.hear(player.finish(touches[-1].time_s if touches else 0.0))
    assert receiver.sounding == set()


MUTATIONS: st.SearchStrategy[Any] = st.sampled_from(
    [None, True, -1, 128, 1e9, "", "on", "H3", "x" * 300, [], {}, [[]], {"": 1}, [1, 2, 3]]
)


@SLOW
@given(performance_data(), st.data())
def test_any_one_value_gone_wrong_is_a_problem_with_a_place_or_none(
    data: dict[str, Any], drawn: st.DataObject
) -> None:
    place: Any = data
    while True:
        key = drawn.draw(
            st.sampled_from(sorted(place) if isinstance(place, dict) else range(len(place)))
        )
        if isinstance(place[key], dict | list) and place[key] and drawn.draw(st.booleans()):
            place = place[key]
            continue
        place[key] = drawn.draw(MUTATIONS)
        break
    text = to_text(data)
    try:
        load(text)
    except DocumentError as error:
        lines = text.decode().split("\n")
        for problem in error.problems:
            assert problem.source == lines[problem.line - 1]
            assert "\n" not in problem.message
            assert len(problem.message) < 2000
            assert 1 <= problem.column <= len(problem.source) + 1


def test_a_broken_file_never_gets_past_the_editor_schema_either() -> None:
    with pytest.raises(jsonschema.ValidationError):
        VALIDATOR.validate({"performance": "x", "mat": "y", "outputs": {}, "presets": {}})
