from __future__ import annotations

import pytest

from matbridge.mapping.plan import Act, Length, NotePart
from matbridge.playing.tempo import GRID_GRACE_S
from matbridge.sensing.touch import Touch, TouchKind
from tests.support.playing import Play, note, performance, preset

BEAT = Length(beats=1.0)
HALF_SECOND = Length(seconds=0.5)


@pytest.fixture(params=[BEAT, HALF_SECOND], ids=["beats", "seconds"])
def play(request: pytest.FixtureRequest) -> Play:
    """Lines every half second: by beats at 120, or by seconds."""
    return Play(preset(note(60), note(62), quantise=request.param))


def test_an_onset_waits_for_the_line(play: Play) -> None:
    play.wait(0.1)
    assert play.on(0, velocity=80) == []
    assert play.wait_timed(0.5) == [(0.4, "on 1 60 80")]
    assert play.off(0, velocity=7) == ["off 1 60 7"]


def test_a_note_lifted_before_its_line_sounds_as_long_as_the_foot_stood(play: Play) -> None:
    play.wait(0.1)
    play.on(0)
    play.wait(0.15)
    assert play.off(0, velocity=7) == []
    assert play.wait_timed(2.0) == [(0.25, "on 1 60 100"), (0.4, "off 1 60 7")]


def test_a_touch_just_after_a_line_was_meant_for_it(play: Play) -> None:
    play.wait(0.5 + GRID_GRACE_S - 0.001)
    assert play.on(0) == ["on 1 60 100"]
    play.wait(0.002)
    assert play.on(1) == []


def test_the_time_of_the_touch_counts_not_of_its_coming(play: Play) -> None:
    play.wait(0.5 + GRID_GRACE_S + 0.004)
    assert play.touch(Touch(TouchKind.ONSET, 0, play.now_s - 0.005, 0.5)) != []


def test_several_touches_before_one_line_are_one(play: Play) -> None:
    play.wait(0.1)
    play.on(0, velocity=50)
    play.off(0)
    play.on(0, velocity=90)
    assert play.wait(1.0) == ["on 1 60 90"]
    assert play.off(0) == ["off 1 60 64"]


def test_a_new_touch_ends_the_one_that_still_sounds_for_an_early_lift(play: Play) -> None:
    play.wait(0.1)
    play.on(0)
    play.wait(0.3)
    play.off(0)
    assert play.wait(0.15) == ["on 1 60 100"]
    play.wait(0.05)
    assert play.on(0) == ["off 1 60 64"]
    assert play.wait(0.5) == ["on 1 60 100"]


@pytest.mark.parametrize("act", [Act.MUTE, Act.PANIC])
def test_what_waits_is_forgotten_when_all_ends(play: Play, act: Act) -> None:
    play.wait(0.1)
    play.on(0)
    play.act(act)
    assert play.wait(2.0) == []
    assert play.off(0) == []


def test_the_grid_follows_the_taps() -> None:
    play = Play(performance(preset(note(60), quantise=BEAT)))
    play.wait(0.13)
    for _ in range(4):
        play.act(Act.TAP_TEMPO)
        play.wait(0.4)
    assert play.player.tempo_bpm == pytest.approx(150.0)
    play.wait(0.1)
    play.on(0)
    assert play.wait_timed(1.0) == [(0.3, "on 1 60 100")]


def test_a_left_preset_plays_what_a_foot_waits_for_and_forgets_the_rest() -> None:
    waiting: tuple[NotePart, ...] = (note(60), note(62))
    play = Play(performance(preset(*waiting, quantise=BEAT), preset(note(1), note(2))))
    play.wait(0.1)
    play.on(0, 1)
    play.off(1)
    play.act(Act.NEXT_PRESET)
    assert play.wait(1.0) == ["on 1 60 100"]
    assert play.off(0) == ["off 1 60 64"]
