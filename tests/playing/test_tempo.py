from __future__ import annotations

import random

import pytest

from matbridge.midi.messages import CLOCK, CONTINUE, START, STOP
from matbridge.playing.tempo import BPM_HIGHEST, BPM_LOWEST, CLOCK_LOST_S, GRID_GRACE_S, Tempo


def test_seconds_and_beats() -> None:
    tempo = Tempo(90.0)
    assert tempo.beat_at(2.0) == pytest.approx(3.0)
    assert tempo.second_of(3.0) == pytest.approx(2.0)
    tempo.set(180.0, 2.0)
    assert tempo.beat_at(2.0) == pytest.approx(3.0)
    assert tempo.beat_at(3.0) == pytest.approx(6.0)


@pytest.mark.parametrize(("asked", "got"), [(1.0, BPM_LOWEST), (9999.0, BPM_HIGHEST)])
def test_no_tempo_is_out_of_reason(asked: float, got: float) -> None:
    tempo = Tempo(120.0)
    tempo.set(asked, 0.0)
    assert tempo.bpm == got


def tapped(tempo: Tempo, *seconds: float) -> float:
    for second in seconds:
        tempo.tap(second)
    return tempo.bpm


def test_taps() -> None:
    assert tapped(Tempo(99.0), 10.0) == 99.0
    assert tapped(Tempo(99.0), 10.0, 10.5) == pytest.approx(120.0)
    # Four taps even out; a fifth forgets the first.
    assert tapped(Tempo(99.0), 10.0, 10.45, 11.05, 11.5) == pytest.approx(120.0)
    assert tapped(Tempo(99.0), 0.0, 1.0, 1.5, 2.0, 2.5) == pytest.approx(120.0)


def test_a_tap_after_a_pause_begins_a_new_row() -> None:
    assert tapped(Tempo(99.0), 10.0, 10.5, 14.0) == pytest.approx(120.0)
    assert tapped(Tempo(99.0), 10.0, 10.5, 14.0, 15.0) == pytest.approx(60.0)


def test_a_tempo_that_is_set_ends_a_row() -> None:
    tempo = Tempo(99.0)
    tapped(tempo, 10.0, 10.5)
    tempo.set(80.0, 10.6)
    assert tapped(tempo, 11.0) == 80.0


def test_a_bounce_is_no_tap() -> None:
    assert tapped(Tempo(99.0), 10.0, 10.05, 10.5) == pytest.approx(120.0)


def test_beats_fall_on_the_taps_without_a_jump() -> None:
    tempo = Tempo(120.0)
    before = tempo.beat_at(10.13)
    tapped(tempo, 9.63, 10.13)
    assert tempo.beat_at(10.13) == pytest.approx(before)
    line = tempo.line_after(10.2, 1.0)
    assert tempo.second_of(line) == pytest.approx(10.63)


def test_the_line_just_past_counts() -> None:
    tempo = Tempo(60.0)
    tempo.begin(5.0)
    just = GRID_GRACE_S - 0.001
    assert tempo.second_of(tempo.line_after(7.0 + just, 1.0)) == pytest.approx(7.0)
    assert tempo.second_of(tempo.line_after(7.0 + just + 0.002, 1.0)) == pytest.approx(8.0)
    assert tempo.line_after_s(7.0 + just, 1.0) == pytest.approx(7.0)
    assert tempo.line_after_s(6.5, 1.0) == pytest.approx(7.0)


def ticked(tempo: Tempo, bpm: float, ticks: int, begins_s: float, jitter_s: float = 0.0) -> float:
    """Ticks of an outside clock; the second of the last one."""
    chance = random.Random(4)
    for number in range(ticks):
        second = begins_s + number * 60.0 / bpm / 24
        tempo.clock(CLOCK, second + chance.uniform(0.0, jitter_s))
    return second


@pytest.mark.parametrize("bpm", [40.0, 93.7, 120.0, 240.0])
def test_an_outside_clock_sets_the_tempo_24_ticks_a_beat(bpm: float) -> None:
    tempo = Tempo(120.0)
    last_s = ticked(tempo, bpm, 49, 10.0)
    assert tempo.bpm == pytest.approx(bpm)
    assert tempo.outside(last_s)
    assert tempo.beat_at(last_s) - tempo.beat_at(last_s - 60.0 / bpm) == pytest.approx(1.0)


def test_a_clock_that_trembles_by_a_millisecond_is_followed_to_a_hundredth() -> None:
    tempo = Tempo(99.0)
    ticked(tempo, 120.0, 97, 10.0, jitter_s=0.001)
    assert tempo.bpm == pytest.approx(120.0, rel=0.01)


def test_a_start_makes_the_next_tick_a_beat() -> None:
    tempo = Tempo(120.0)
    tempo.clock(START, 9.9)
    last_s = ticked(tempo, 120.0, 36, 10.13)
    line = tempo.line_after(last_s + 0.1, 1.0)
    assert tempo.second_of(line) == pytest.approx(11.13)


def test_without_a_start_beats_fall_on_ticks() -> None:
    tempo = Tempo(120.0)
    tick_s = 60.0 / 90.0 / 24
    last_s = ticked(tempo, 90.0, 48, 10.013)
    line_s = tempo.second_of(tempo.line_after(last_s + 0.1, 1.0))
    assert (line_s - 10.013) / tick_s == pytest.approx(round((line_s - 10.013) / tick_s))
    # And on the ones that were nearest to the beats of before.
    assert abs(tempo.second_of(20.0) - 10.0) < tick_s


def test_ticks_all_at_once_are_no_tempo() -> None:
    tempo = Tempo(120.0)
    for _ in range(50):
        tempo.clock(CLOCK, 10.0)
    assert tempo.bpm == 120.0


def test_while_a_clock_rules_nothing_else_does() -> None:
    tempo = Tempo(120.0)
    last_s = ticked(tempo, 90.0, 48, 10.0)
    tempo.set(200.0, last_s)
    tapped(tempo, last_s, last_s + 0.3)
    assert tempo.bpm == pytest.approx(90.0)
    for message in (STOP, CONTINUE):
        tempo.clock(message, last_s)
    later_s = last_s + CLOCK_LOST_S
    assert not tempo.outside(later_s)
    assert tempo.bpm == pytest.approx(90.0)
    tempo.set(200.0, later_s)
    assert tempo.bpm == 200.0


def test_positions_never_go_back_by_more_than_a_tick() -> None:
    tempo = Tempo(120.0)
    chance = random.Random(7)
    second, beat = 10.0, 0.0
    for _ in range(2000):
        second += chance.uniform(0.005, 0.04)
        tempo.clock(CLOCK, second)
        assert tempo.beat_at(second) > beat - 2 / 24
        beat = tempo.beat_at(second)
