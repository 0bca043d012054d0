from __future__ import annotations

import pytest

from matbridge.mapping.plan import Act, Hold, Leaving, Length, NotePart
from matbridge.playing.tempo import GRID_GRACE_S
from matbridge.sensing.touch import Touch, TouchKind
from tests.support.playing import Play, note, performance, preset, pressure, sequence

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


def test_pressure_counts_from_the_line_on() -> None:
    play = Play(preset(note(60, pressure=(pressure(),)), quantise=BEAT))
    play.wait(0.1)
    play.on(0)
    assert play.press(0, 50) == []
    play.wait(0.5)
    assert play.press(0, 60) == ["pressure 1 60"]
    assert play.off(0) == ["pressure 1 0", "off 1 60 64"]


def test_a_lift_soon_after_the_line_is_the_lift(play: Play) -> None:
    play.wait(0.1)
    play.on(0)
    play.off(0)
    play.on(0)  # the early lift is forgotten
    assert play.wait(0.45) == ["on 1 60 100"]
    assert play.wait(2.0) == []
    assert play.off(0) == ["off 1 60 64"]


def test_quantised_notes_when_all_ends_at_the_preset_s_end() -> None:
    zones = (note(60), note(62), note(64, hold=Hold.TOGGLE), sequence((65,), (67,)))
    for leaving in Leaving:
        play = Play(
            performance(
                preset(*zones, quantise=BEAT, leaving=leaving),
                preset(*(note(1) for _ in zones)),
            )
        )
        play.on(0, 2, 3)  # on a line
        play.off(2, 3)
        play.wait(0.1)
        play.on(1)
        left = play.act(Act.NEXT_PRESET)
        if leaving is Leaving.END:
            assert sorted(left) == ["off 1 60 64", "off 1 64 64"]
            assert play.wait(2.0) == []
        else:
            assert left == ["off 1 64 64"]
            assert play.wait(2.0) == ["on 1 62 100"]
        play.off(0, 1)
        assert play.sounds() == []
        play.act(Act.PREVIOUS_PRESET)
        play.wait(0.3)
        play.on(3)
        assert play.wait(0.5)[:1] == ["on 1 65 100"]  # the sequence begins anew


def test_muted_while_it_sounds_for_an_early_lift(play: Play) -> None:
    play.wait(0.1)
    play.on(0)
    play.wait(0.3)
    play.off(0)
    play.wait(0.2)
    assert play.act(Act.MUTE) == ["off 1 60 64"]
    assert play.player.next_due_s > 1e9


def test_an_output_that_comes_back(play: Play) -> None:
    play.on(0)
    assert play.heard(play.player.output_back(0)) == ["off 1 60 64"]
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
