"""How many voices, and which."""

from __future__ import annotations

import pytest

from matbridge.mapping.plan import Act, Length, Priority, SameNote, VoicePlan
from matbridge.sensing.touch import Touch, TouchKind
from tests.support.playing import Play, note, preset

MIDDLE, LOW, HIGH, OTHER = 0, 1, 2, 3


def play_with(**voices: object) -> Play:
    zones = (note(60), note(50), note(70), note(65, channel=2))
    return Play(preset(*zones, voices=VoicePlan(**voices)))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("priority", "third", "sounding"),
    [
        (Priority.LAST, HIGH, [50, 70]),
        (Priority.LOWEST, HIGH, [60, 50]),
        (Priority.HIGHEST, HIGH, [60, 70]),
        (Priority.HIGHEST, MIDDLE, [70, 60]),
        (Priority.LOWEST, MIDDLE, [50, 60]),
    ],
)
def test_over_the_limit_one_ends(priority: Priority, third: int, sounding: list[int]) -> None:
    play = play_with(limit=2, priority=priority)
    first, second = [zone for zone in (MIDDLE, LOW, HIGH) if zone != third]
    play.on(first, second, third)
    assert sorted(play.sounds()) == sorted(sounding)
    play.off(first, second, third)
    assert play.sounds() == []


def test_the_limit_is_of_each_channel() -> None:
    play = play_with(limit=2)
    play.on(MIDDLE, LOW, OTHER)
    assert play.sounds() == [60, 50, 65]


def test_what_was_stolen_does_not_come_back_where_there_are_several_voices() -> None:
    play = play_with(limit=2)
    play.on(MIDDLE, LOW, HIGH)
    assert play.off(HIGH) == ["off 1 70 64"]
    assert play.off(MIDDLE) == []


def test_a_note_struck_again_needs_no_further_voice() -> None:
    zones = (note(60), note(60), note(62), note(64))
    play = Play(preset(*zones, voices=VoicePlan(limit=2)))
    play.on(0, 1, 2)
    assert play.sounds() == [60, 62]
    play.on(3)  # both of the oldest go
    assert play.sounds() == [62, 64]
    assert play.off(0, 1) == []


def test_a_chord_larger_than_the_limit_is_cut_not_struck_and_stolen() -> None:
    chord = note(60, 64, 67, 71)
    play = Play(preset(chord, voices=VoicePlan(limit=2)))
    assert play.on(0) == ["on 1 60 100", "on 1 64 100"]
    play = Play(preset(chord, voices=VoicePlan(limit=2, priority=Priority.HIGHEST)))
    assert play.on(0) == ["on 1 71 100", "on 1 67 100"]
    play = Play(preset(chord, voices=VoicePlan(limit=1, priority=Priority.HIGHEST)))
    assert play.on(0) == ["on 1 71 100"]


def test_one_voice_plays_the_last_and_goes_back() -> None:
    play = play_with(limit=1)
    assert play.on(MIDDLE, velocity=80) == ["on 1 60 80"]
    assert play.on(LOW, velocity=90) == ["off 1 60 64", "on 1 50 90"]
    assert play.on(HIGH) == ["off 1 50 64", "on 1 70 100"]
    assert play.off(LOW) == []
    assert play.off(HIGH, velocity=3) == ["off 1 70 3", "on 1 60 80"]
    assert play.off(MIDDLE) == ["off 1 60 64"]


def test_one_voice_without_retrigger_ties_the_notes() -> None:
    play = play_with(limit=1, retrigger=False)
    play.on(MIDDLE)
    assert play.on(LOW) == ["on 1 50 100", "off 1 60 64"]
    assert play.off(LOW) == ["on 1 60 100", "off 1 50 64"]
    assert play.off(MIDDLE) == ["off 1 60 64"]


@pytest.mark.parametrize(
    ("priority", "first", "second"), [(Priority.LOWEST, LOW, HIGH), (Priority.HIGHEST, HIGH, LOW)]
)
def test_one_voice_by_pitch(priority: Priority, first: int, second: int) -> None:
    play = play_with(limit=1, priority=priority)
    play.on(first)
    assert play.on(second) == []
    assert play.on(MIDDLE) == []
    back = play.off(first)
    assert [words.split()[0] for words in back] == ["off", "on"]
    assert play.sounds() == [60]
    assert play.off(second) == []
    play.off(MIDDLE)
    assert play.sounds() == []


def test_one_voice_and_the_same_note_twice() -> None:
    play = Play(preset(note(60), note(60), voices=VoicePlan(limit=1, priority=Priority.LOWEST)))
    play.on(0)
    assert play.on(1) == ["off 1 60 64", "on 1 60 100"]
    assert play.off(1) == ["off 1 60 64", "on 1 60 100"]
    assert play.off(0) == ["off 1 60 64"]


@pytest.mark.parametrize(
    ("same_note", "second"),
    [(SameNote.RESTRIKE, ["off 1 60 64", "on 1 60 70"]), (SameNote.JOIN, [])],
)
def test_the_same_note_from_two_zones(same_note: SameNote, second: list[str]) -> None:
    play = Play(preset(note(60), note(60), voices=VoicePlan(same_note=same_note)))
    play.on(0)
    assert play.on(1, velocity=70) == second
    assert play.off(0) == []
    assert play.off(1, velocity=5) == ["off 1 60 5"]


def test_a_crowd_is_a_body_on_the_mat() -> None:
    zones = tuple(note(60 + number) for number in range(12))
    play = Play(preset(*zones, voices=VoicePlan(crowd=4, crowd_s=0.05)))

    def onsets(*zones: int, every_s: float) -> list[str]:
        heard = []
        for zone in zones:
            heard += play.touch(Touch(TouchKind.ONSET, zone, play.now_s, 0.5))
            play.now_s += every_s
        return heard

    # Ten zones within 0.2 s: the body goes on arriving, and stays silent.
    assert len(onsets(*range(10), every_s=0.02)) == 10
    play.off(*range(10))
    play.now_s += 1.0
    assert len(onsets(*range(10), every_s=0.01)) == 4
    assert play.press(9, 100) == []
    assert len(play.off(*range(10))) == 4
    play.now_s += 1.0
    assert len(onsets(0, 1, 2, 3, every_s=0.01)) == 4


def test_a_crowd_does_nothing_else_either() -> None:
    zones = tuple(note(60 + number) for number in range(3))
    play = Play(preset(*zones, voices=VoicePlan(crowd=2)))
    play.on(0, 1, 2)
    assert play.sounds() == [60, 61]


def test_a_repeating_note_that_waits_does_not_steal() -> None:
    play = Play(preset(note(60, repeat=Length(beats=1)), note(50), voices=VoicePlan(limit=1)))
    play.on(0, 1)
    assert play.wait(2.0) == []
    assert play.off(1) == ["off 1 50 64", "on 1 60 100"]
    assert play.wait(0.5) == ["off 1 60 64", "on 1 60 100"]


@pytest.mark.parametrize("first", [MIDDLE, LOW])
def test_when_all_end_no_waiting_voice_comes_back(first: int) -> None:
    second = LOW if first == MIDDLE else MIDDLE
    for end in (Act.MUTE, Act.PANIC):
        play = play_with(limit=1)
        play.on(first, second)
        heard = play.act(end)
        assert [words.split()[0] for words in heard][:2] in (["off"], ["off", "control"])
        assert play.sounds() == []
        assert play.off(second) + play.off(first) == []
