"""Defaults, likeness, groups and patterns: what holds where."""

from __future__ import annotations

import pytest

from matbridge.mapping.plan import ActionPart, ControlPart, Hold, NotePart, VelocityPlan
from matbridge.sensing.touch import VelocitySource
from tests.support.mapping import preset, problem, problems, show, zone


def note_of(plan: object, index: int) -> NotePart:
    part = plan.zones[index].parts[0]  # type: ignore[attr-defined]
    assert isinstance(part, NotePart)
    return part


def ends(velocity: VelocityPlan) -> tuple[VelocitySource, int, int]:
    return velocity.source, velocity.table[0], velocity.table[-1]


TEXT = """
defaults:
  channel: 3
  velocity: {from: peak, range: [10, 100]}
  hold: toggle
  zones: {b1: {action: next preset}, a1: {control: 1}}
presets:
  calm:
    scale: {root: D3, type: dorian}
    velocity: {range: [20, 60]}
    zones: {a2: {note: C4, channel: 9}}
  p:
    like: calm
    scale: {root: E3}
    hold: touch
    zones: {a1: D2}
"""


def test_a_preset_is_like_another_but_for_what_it_says() -> None:
    calm, like = preset(TEXT, name="calm"), preset(TEXT)
    assert isinstance(calm.zones[0].parts[0], ControlPart)
    assert note_of(like, 0).steps[0][0].note == 38
    assert (note_of(calm, 1).channel, note_of(like, 1).channel) == (9, 9)
    assert (note_of(calm, 1).hold, note_of(like, 1).hold) == (Hold.TOGGLE, Hold.TOUCH)
    for plan in (calm, like):
        assert plan.zones[2].parts == (show(TEXT).performance.presets[0].zones[2].parts)
        assert isinstance(plan.zones[2].parts[0], ActionPart)


def test_velocity_is_completed_key_by_key() -> None:
    assert ends(preset(TEXT).zones[0].velocity) == (VelocitySource.PEAK, 20, 60)
    text = TEXT.replace("a1: D2", "a1: {note: D2, velocity: {from: fixed}}")
    assert ends(preset(text).zones[0].velocity) == (VelocitySource.FIXED, 20, 60)


def test_scale_is_completed_but_one_kind_replaces_another() -> None:
    text = (
        "presets: {q: {scale: {root: D3, type: dorian}}, p: {like: q, scale: {semitones: [0, 6]}}}"
    )
    assert [note_of(preset(text), index).steps[0][0].note for index in range(3)] == [50, 56, 62]


def test_voices_are_completed_and_pressure_is_replaced() -> None:
    text = """
    defaults:
      voices: {limit: 4, retrigger: false}
      pressure: {send: control, control: 11}
    presets:
      p: {scale: {root: D3, type: dorian}, voices: {limit: 2}, pressure: {send: bend, semitones: 1}}
    """
    plan = preset(text)
    assert (plan.voices.limit, plan.voices.retrigger) == (2, False)
    assert [each.target.value for each in note_of(plan, 0).pressure] == ["bend"]


def test_a_zone_by_name_goes_before_a_pattern_whatever_the_order() -> None:
    plan = preset("zones: {a1: {note: D2}, 'a*': {note: E2, hold: toggle}, '*': F2}")
    assert [note_of(plan, index).steps[0][0].note for index in range(3)] == [38, 41, 41]
    assert note_of(plan, 0).hold is Hold.TOGGLE


def test_of_patterns_and_groups_the_later_goes_before() -> None:
    mat_groups = "groups: {near: [a1, a2]}\npresets: {p: {zones: {near: E2, 'a?': {note: F2}}}}"
    assert note_of(preset(mat_groups), 0).steps[0][0].note == 41


def test_what_a_zone_plays_is_replaced_and_settings_add_up() -> None:
    text = "presets: {p: {zones: {'*': {percussion: claves, hold: 1/4}, a1: {note: D2}}}}"
    plan = preset(text)
    assert (note_of(plan, 0).steps[0][0].note, note_of(plan, 0).hold) == (38, Hold.LENGTH)
    assert (note_of(plan, 0).channel, note_of(plan, 1).channel) == (1, 10)
    assert note_of(plan, 0).transposable
    assert not note_of(plan, 1).transposable


def test_a_word_alone_is_a_note_or_nothing() -> None:
    plan = preset("scale: {root: D3, type: dorian}\nzones: {a1: 36, a2: nothing}")
    assert note_of(plan, 0).steps[0][0].note == 36
    assert plan.zones[1].parts == ()
    assert note_of(plan, 2).steps[0][0].note == 53


def test_settings_alone_leave_a_zone_in_the_scale() -> None:
    plan = preset("scale: {root: D3, type: dorian}\nzones: {a2: {hold: toggle, label: gull}}")
    assert note_of(plan, 1).steps[0][0].note == 52
    assert note_of(plan, 1).hold is Hold.TOGGLE
    assert plan.zones[1].label == "gull"


def test_a_label_goes_with_what_it_was_said_of() -> None:
    plan = preset("zones: {'a*': {note: C2, label: buoy}, a1: {note: D2}}")
    assert [each.label for each in plan.zones] == ["D2", "buoy", ""]


def test_groups_of_the_file_may_use_those_of_the_mat_and_those_before_them() -> None:
    mat = """\
mat: quay
board: {port: simulated}
sensor: {type: switch}
zones: [{name: a1, at: [0, 0]}, {name: a2, at: [40, 0]}, {name: b1, at: [20, 35]}]
groups: {near: [a*]}
"""
    text = "groups: {all: [near, b1], twice: [all, all]}\npresets: {p: {zones: {twice: D2}}}"
    plan = preset(text, mat)
    assert [len(each.parts) for each in plan.zones] == [1, 1, 1]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("groups: {a1: [a2]}", "group 'a1': is also the name of a zone; call the group otherwise"),
        ("groups: {near: [x]}", "group 'near': the mat has no zone 'x'"),
        ("groups: {near: ['x*']}", "group 'near': no zone of the mat fits the pattern 'x*'"),
        ("presets: {p: {like: p}}", "preset 'p': presets are like each other in a circle: p, p"),
        ("first: q\npresets: {p: {channel: 1}}", "there is no preset 'q'"),
    ],
)
def test_names_that_lead_nowhere(text: str, message: str) -> None:
    assert problem(text).startswith(message)


def test_a_mistake_in_the_defaults_is_told_once() -> None:
    text = "defaults: {output: snyth, zones: {x: D2}}\npresets: {p: {channel: 1}, q: {channel: 2}}"
    assert [message for _, message in problems(text)] == [
        "defaults: there is no output 'snyth'; did you mean 'synth'? allowed: synth, rack",
        "defaults, zone x: the mat has no zone 'x'; allowed: a1, a2, b1",
    ]


def test_a_mistake_in_a_preset_that_others_are_like_is_told_once() -> None:
    text = "presets: {p: {zones: {x: D2, a1: {output: snyth, note: D2}}}, q: {like: p}}"
    assert len(problems(text)) == 2


def test_a_zone_overrides_output_and_channel() -> None:
    plan = zone("{note: D3, output: rack, channel: 7}", "output: synth\nchannel: 2")
    part = plan.parts[0]
    assert isinstance(part, NotePart)
    assert (part.output, part.channel) == (1, 7)
