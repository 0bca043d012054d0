from __future__ import annotations

import pytest

from matbridge.mapping.plan import Act, Hold, Leaving, Length, PedalPart, Priority, VoicePlan
from tests.support.playing import Play, note, performance, preset, sequence

PEDAL = 0


def test_the_pedal_keeps_what_the_foot_lets_go() -> None:
    play = Play(preset(PedalPart(), note(60), note(62, 64), note(70, latched=False)))
    play.on(PEDAL)
    assert play.tap(1) == ["on 1 60 100"]
    assert play.tap(2) == ["on 1 62 100", "on 1 64 100"]
    assert play.tap(3) == ["on 1 70 100", "off 1 70 64"]
    assert play.off(PEDAL) == ["off 1 60 64", "off 1 62 64", "off 1 64 64"]
    assert play.tap(1) == ["on 1 60 100", "off 1 60 64"]


def test_a_foot_that_stands_when_the_pedal_comes_up_holds_its_note() -> None:
    play = Play(preset(PedalPart(), note(60)))
    play.on(PEDAL, 1)
    assert play.off(PEDAL) == []
    assert play.off(1) == ["off 1 60 64"]


def test_a_pedal_in_turn_and_two_pedals() -> None:
    play = Play(preset(PedalPart(toggle=True), note(60), PedalPart()))
    play.tap(PEDAL)
    play.tap(1)
    play.tap(2)  # the other one was still down
    assert play.sounds() == [60]
    assert play.tap(PEDAL) == ["off 1 60 64"]


def test_a_note_struck_again_under_the_pedal_is_kept_once() -> None:
    play = Play(preset(PedalPart(), note(60), sequence((60,), (62,))))
    play.on(PEDAL)
    for _ in range(100):
        play.tap(1)
        play.tap(2)
    assert sorted(play.sounds()) == [60, 62]
    assert sorted(play.off(PEDAL)) == ["off 1 60 64", "off 1 62 64"]


def test_what_is_of_a_length_is_kept_and_what_is_toggled_off_is_not() -> None:
    play = Play(
        preset(
            PedalPart(),
            note(60, hold=Hold.LENGTH, length=Length(seconds=0.1)),
            note(62, hold=Hold.TOGGLE),
        )
    )
    play.on(PEDAL)
    play.tap(1)
    assert play.wait(1.0) == []
    play.tap(2)
    assert play.tap(2) == ["off 1 62 64"]
    assert play.off(PEDAL) == ["off 1 60 64"]


def test_a_choke_ends_what_the_pedal_keeps() -> None:
    play = Play(preset(PedalPart(), note(46, group=0), note(42, group=0)))
    play.on(PEDAL)
    play.tap(1)
    assert play.tap(2) == ["off 1 46 64", "on 1 42 100"]


def test_a_single_voice_under_the_pedal_does_not_go_back() -> None:
    play = Play(preset(PedalPart(), note(60), note(62), voices=VoicePlan(limit=1)))
    play.on(PEDAL)
    play.tap(1)
    assert play.tap(2) == ["off 1 60 64", "on 1 62 100"]
    assert play.off(PEDAL) == ["off 1 62 64"]


def test_a_single_voice_goes_back_to_feet_only() -> None:
    zones = (PedalPart(), note(60), note(62, latched=False))
    play = Play(preset(*zones, voices=VoicePlan(limit=1)))
    play.on(PEDAL)
    play.tap(1)
    assert play.tap(2) == ["off 1 60 64", "on 1 62 100", "off 1 62 64"]


def test_what_waits_is_not_kept() -> None:
    zones = (PedalPart(), note(60), note(62))
    play = Play(preset(*zones, voices=VoicePlan(limit=1, priority=Priority.LOWEST)))
    play.on(PEDAL, 1, 2)
    assert play.off(2) == []
    assert play.off(1) == []
    assert play.off(PEDAL) == ["off 1 60 64"]


def test_a_stolen_voice_is_not_kept() -> None:
    zones = (PedalPart(), note(60), note(62), note(64))
    play = Play(preset(*zones, voices=VoicePlan(limit=2)))
    play.on(PEDAL)
    for zone in (1, 2, 3):
        play.tap(zone)
    assert play.sounds() == [62, 64]
    assert play.off(PEDAL) == ["off 1 62 64", "off 1 64 64"]


@pytest.mark.parametrize("leaving", list(Leaving))
def test_the_pedal_belongs_to_its_preset(leaving: Leaving) -> None:
    low = preset(PedalPart(toggle=True), note(60), leaving=leaving)
    play = Play(performance(low, preset(note(40), note(62))))
    play.tap(PEDAL)
    play.tap(1)
    assert play.act(Act.NEXT_PRESET) == ["off 1 60 64"]
    assert play.tap(1) == ["on 1 62 100", "off 1 62 64"]
    play.act(Act.PREVIOUS_PRESET)
    assert play.tap(1) == ["on 1 60 100", "off 1 60 64"]
    play.tap(PEDAL)
    assert play.tap(1) == ["on 1 60 100"]
