"""What a zone plays and what ends it, judged by the bytes as mido reads them."""

from __future__ import annotations

import pytest

from matbridge.mapping.plan import (
    Act,
    ActionPart,
    Hold,
    Length,
    NotePart,
    Split,
    VoicePlan,
    ZonePlan,
)
from tests.support.playing import (
    Play,
    note,
    performance,
    preset,
    sequence,
    velocity_plan,
)

BEAT = Length(beats=1.0)  # half a second at the 120 of the performances here


def test_a_note_sounds_while_touched() -> None:
    play = Play(preset(note(60, channel=3)))
    assert play.on(0, velocity=90) == ["on 3 60 90"]
    assert play.sounds() == [60]
    assert play.off(0, velocity=31) == ["off 3 60 31"]
    assert play.sounds() == []


def test_where_release_is_not_sensed_it_is_64() -> None:
    plan = preset(note(60), note(62, 64))
    silent_release = tuple(ZonePlan(velocity_plan(), zone.parts) for zone in plan.zones)
    play = Play(performance(type(plan)("low tide", silent_release)))
    play.on(0, 1)
    assert play.off(0, 1, velocity=9) == ["off 1 60 64", "off 1 62 64", "off 1 64 64"]


@pytest.mark.parametrize("part", [note(60), note(60, 64)], ids=["plain", "chord"])
def test_moments_out_of_order_do_no_harm(part: NotePart) -> None:
    play = Play(preset(part))
    assert play.off(0) == []
    assert play.press(0, 90) == []
    play.on(0, velocity=50)
    again = play.on(0, velocity=60)
    assert again[0] == "off 1 60 64" or again[0].startswith("off 1 60")
    assert "on 1 60 60" in again
    play.off(0)
    assert play.off(0) == []
    assert play.receiver.sounding == set()


def test_several_notes_and_layers_on_their_own_outputs_and_channels() -> None:
    play = Play(
        preset((note(48, 55, 64, channel=2), note(36, output=1, channel=10, transposable=False)))
    )
    assert play.on(0) == ["on 2 48 100", "on 2 55 100", "on 2 64 100", "1/on 10 36 100"]
    assert play.off(0) == ["off 2 48 64", "off 2 55 64", "off 2 64 64", "1/off 10 36 64"]


def test_a_sequence_steps_on_and_begins_anew_with_its_preset() -> None:
    play = Play(
        performance(preset(sequence((60,), (62, 65), ()), note(40)), preset(note(1), note(2)))
    )
    heard = [play.tap(0) for _ in range(4)]
    assert heard == [
        ["on 1 60 100", "off 1 60 64"],
        ["on 1 62 100", "on 1 65 100", "off 1 62 64", "off 1 65 64"],
        [],
        ["on 1 60 100", "off 1 60 64"],
    ]
    play.act(Act.NEXT_PRESET)
    play.act(Act.PREVIOUS_PRESET)
    assert play.tap(0)[0] == "on 1 60 100"


def test_toggle() -> None:
    play = Play(preset(note(60, 67, hold=Hold.TOGGLE)))
    assert play.tap(0) == ["on 1 60 100", "on 1 67 100"]
    assert play.wait(100.0) == []
    assert play.tap(0) == ["off 1 60 64", "off 1 67 64"]
    assert play.tap(0) == ["on 1 60 100", "on 1 67 100"]


@pytest.mark.parametrize(
    "length", [Length(seconds=0.5), Length(beats=1.0)], ids=["seconds", "beats"]
)
def test_a_length(length: Length) -> None:
    play = Play(preset(note(60, hold=Hold.LENGTH, length=length)))
    assert play.tap(0) == ["on 1 60 100"]
    assert play.wait_timed(0.499) == []
    assert play.wait_timed(1.0) == [(0.001, "off 1 60 64")]
    # However long the foot stands.
    play.on(0)
    assert play.wait(9.0) == ["off 1 60 64"]
    assert play.off(0) == []


def test_a_length_struck_again_starts_over() -> None:
    play = Play(preset(note(60, hold=Hold.LENGTH, length=BEAT)))
    play.tap(0)
    play.wait(0.4)
    assert play.tap(0) == ["off 1 60 64", "on 1 60 100"]
    assert play.wait_timed(9.0) == [(0.5, "off 1 60 64")]


def test_steps_of_a_sequence_with_a_length_overlap() -> None:
    play = Play(preset(sequence((60,), (62,), hold=Hold.LENGTH, length=BEAT)))
    play.tap(0)
    play.wait(0.2)
    play.tap(0)
    assert play.sounds() == [60, 62]
    assert play.wait_timed(9.0) == [
        (0.3, "off 1 60 64"),
        (0.5, "off 1 62 64"),
    ]


def test_a_length_in_beats_follows_a_change_of_tempo() -> None:
    slow = preset(note(60, hold=Hold.LENGTH, length=Length(beats=2.0)), ActionPart(Act.NEXT_PRESET))
    fast = preset(note(60), ActionPart(Act.NEXT_PRESET), tempo_bpm=240.0)
    play = Play(performance(slow, fast, tempo_bpm=60.0))
    play.on(0)
    play.wait(1.0)  # one beat
    play.on(1)
    assert play.wait_timed(9.0) == [(0.25, "off 1 60 64")]


def test_a_choke_group() -> None:
    closed = note(42, hold=Hold.GROUP, group=0)
    opened = note(46, hold=Hold.LENGTH, length=Length(seconds=8.0), group=0)
    pedal = note(44, group=0)
    play = Play(preset(closed, opened, pedal, note(60)))
    assert play.tap(0) == ["on 1 42 100"]
    assert play.tap(3) == ["on 1 60 100", "off 1 60 64"]  # not of the group
    assert play.tap(1) == ["off 1 42 64", "on 1 46 100"]
    assert play.tap(2) == ["off 1 46 64", "on 1 44 100", "off 1 44 64"]
    assert play.tap(0) == ["on 1 42 100"]
    assert play.tap(0) == ["off 1 42 64"]  # toggled off
    assert play.wait(99.0) == []


def test_groups_do_not_choke_each_other() -> None:
    play = Play(preset(note(60, hold=Hold.GROUP, group=0), note(62, hold=Hold.GROUP, group=1)))
    play.tap(0)
    assert play.tap(1) == ["on 1 62 100"]


@pytest.mark.parametrize(
    ("part", "stops_by"),
    [
        (note(60, repeat=Length(beats=0.5)), "lift"),
        (note(60, repeat=Length(seconds=0.25)), "lift"),
        (note(60, hold=Hold.TOGGLE, repeat=Length(beats=0.5)), "onset"),
    ],
    ids=["beats", "seconds", "toggled"],
)
def test_repeats(part: NotePart, stops_by: str) -> None:
    play = Play(preset(part))
    assert play.on(0, velocity=80) == ["on 1 60 80"]
    assert play.wait_timed(0.6) == [
        (0.25, "off 1 60 64"),
        (0.25, "on 1 60 80"),
        (0.5, "off 1 60 64"),
        (0.5, "on 1 60 80"),
    ]
    lifted = play.off(0)
    assert (play.on(0) if stops_by == "onset" else lifted) == ["off 1 60 64"]
    if stops_by == "lift":
        assert play.wait(9.0) == []


def test_repeats_with_a_length_have_gaps() -> None:
    play = Play(
        preset(
            note(60, hold=Hold.LENGTH, length=Length(beats=0.25), repeat=Length(beats=1.0)),
        )
    )
    play.on(0)
    assert play.wait_timed(0.7) == [
        (0.125, "off 1 60 64"),
        (0.5, "on 1 60 100"),
        (0.625, "off 1 60 64"),
    ]
    play.off(0)
    assert play.wait(9.0) == []


def test_repeats_do_not_drift() -> None:
    play = Play(preset(note(60, repeat=Length(beats=1 / 3))))
    play.on(0)
    onsets = [at_s for at_s, words in play.wait_timed(600.0) if words.startswith("on")]
    assert len(onsets) in (3599, 3600)
    assert all(at_s == pytest.approx((n + 1) / 6, abs=1e-5) for n, at_s in enumerate(onsets))


def test_no_repeat_is_too_short() -> None:
    play = Play(preset(note(60, repeat=Length(seconds=1e-9))))
    play.on(0)
    assert len(play.wait(1.0)) in (198, 200)


def test_a_velocity_split() -> None:
    play = Play(
        preset((note(60, velocity_split=Split(1, 79)), note(72, velocity_split=Split(80, 127))))
    )
    assert play.on(0, velocity=79) + play.off(0) == ["on 1 60 79", "off 1 60 64"]
    assert play.on(0, velocity=80) + play.off(0) == ["on 1 72 80", "off 1 72 64"]


def test_a_pressure_split() -> None:
    play = Play(
        preset((note(60, pressure_split=Split(0, 63)), note(72, pressure_split=Split(64, 127))))
    )
    assert play.on(0, velocity=90) == ["on 1 60 90"]
    assert play.press(0, 63) == []
    assert play.press(0, 64) == ["on 1 72 90"]  # a little past the border both sound
    assert play.press(0, 65) == []
    assert play.press(0, 66) == ["off 1 60 64"]
    assert play.press(0, 62) == ["on 1 60 90"]
    assert play.press(0, 61) == ["off 1 72 64"]
    assert play.off(0, velocity=7) == ["off 1 60 7"]
    assert play.press(0, 100) == []


def test_notes_beyond_midi_are_silent() -> None:
    play = Play(preset(note(120, 127), note(127)))
    play.act(Act.TRANSPOSE, 1)
    assert play.on(0, 1) == ["on 1 121 100"]
    assert play.off(0, 1) == ["off 1 121 64"]


def test_repeats_stop_with_a_stolen_voice() -> None:
    play = Play(
        preset(note(60, repeat=BEAT), note(62), note(64), voices=VoicePlan(limit=2)),
    )
    play.on(0, 1, 2)
    assert play.sounds() == [62, 64]
    assert play.wait(9.0) == []
    assert play.player.next_due_s > 1e9
