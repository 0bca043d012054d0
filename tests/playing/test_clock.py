"""MIDI clock out, and what the player does with a clock from outside."""

from __future__ import annotations

import pytest

from matbridge.mapping.plan import Act, InputPlan, Length, PerformancePlan
from matbridge.playing.tempo import CLOCK_LOST_S
from tests.support.playing import Play, note, performance, preset

CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC


def clocked(**more: object) -> PerformancePlan:
    more.setdefault("clock_outputs", (1,))
    return performance(preset(note(60)), preset(note(62), tempo_bpm=60.0), **more)


def ticks(play: Play, seconds: float) -> list[float]:
    return [at_s for at_s, words in play.wait_timed(seconds) if words == "1/clock"]


def test_24_clocks_a_beat_without_drift() -> None:
    play = Play(clocked(tempo_bpm=120.0))
    assert play.entry == ["1/start"]
    came = ticks(play, 600.0)
    assert came[0] == 0.001  # a receiver needs a moment after the start
    assert len(came) == 600 * 48
    assert came[-1] - came[0] == pytest.approx((len(came) - 1) / 48, abs=2e-5)
    assert play.finish() == ["1/stop"]
    assert ticks(play, 10.0) == []
    assert play.finish() == []


def test_clocks_follow_the_tempo() -> None:
    play = Play(clocked(tempo_bpm=120.0))
    ticks(play, 1.0)
    play.act(Act.NEXT_PRESET)
    assert len(ticks(play, 10.0)) in (240, 241)
    for _ in range(4):
        play.act(Act.TAP_TEMPO)
        play.wait(0.25)
    assert len(ticks(play, 10.0)) in (959, 960, 961)


def test_a_clock_to_several_outputs() -> None:
    play = Play(clocked(clock_outputs=(0, 1)))
    assert play.entry == ["start", "1/start"]
    assert play.wait(0.002) == ["clock", "1/clock"]


def test_whole_beats_fall_on_clocks() -> None:
    plan = preset(note(60), quantise=Length(beats=1.0))
    play = Play(performance(plan, clock_outputs=(1,)))
    play.wait(0.3)
    play.on(0)
    assert {(0.201, "1/clock"), (0.201, "on 1 60 100")} < set(play.wait_timed(0.3))


def test_without_clock_outputs_nothing_is_due() -> None:
    assert Play(clocked(clock_outputs=())).player.next_due_s > 1e9


def test_an_outside_clock_is_passed_on_as_it_comes() -> None:
    play = Play(clocked(input=InputPlan("desk*", clock=True)))
    play.wait(0.5)
    assert play.midi_in(START) == ["1/start"]
    for _ in range(48):
        assert play.midi_in(CLOCK) == ["1/clock"]
        assert ticks(play, 60.0 / 90 / 24) == []
    assert play.player.tempo_bpm == pytest.approx(90.0)
    assert play.midi_in(STOP) == ["1/stop"]
    # It falls silent: ours goes on at its tempo.
    ticks(play, 3 * CLOCK_LOST_S)
    assert len(ticks(play, 10.0)) in (360, 361)


def test_a_clock_nobody_asked_for_is_ignored() -> None:
    play = Play(clocked(input=InputPlan("desk*", clock=False)))
    for _ in range(30):
        assert play.midi_in(CLOCK) == []
        play.wait(0.01)
    assert play.player.tempo_bpm == 120.0


def test_an_output_that_comes_back_goes_on() -> None:
    play = Play(clocked())
    play.player.output_lost(1)
    assert ticks(play, 1.0) == []
    assert play.heard(play.player.output_back(0)) == []
    assert play.heard(play.player.output_back(1)) == ["1/continue"]
    assert len(ticks(play, 1.0)) in (47, 48, 49)


def test_a_reload_goes_on_and_another_output_starts() -> None:
    play = Play(clocked())
    assert play.swap(clocked()) == []
    assert play.start() == []
    assert len(ticks(play, 1.0)) in (47, 48)
    assert play.swap(clocked(clock_outputs=(0,))) == ["1/stop"]
    assert play.start() == ["start"]
    assert play.wait(0.1).count("clock") in (4, 5)
