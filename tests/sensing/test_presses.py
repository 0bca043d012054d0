"""Presses in readings that the test writes by hand: what is one, what is none, and how high."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.board.scan import Scan
from matbridge.sensing.presses import LIFT_S, Press, PressFinder, press_level
from matbridge.sensing.rest import Rest
from matbridge.sensing.settings import SensorSpec, SensorType

LEVEL = SensorSpec(SensorType.LEVEL, 10, 0.0)
FORCE = SensorSpec(SensorType.FORCE, 10, 1000.0)
SWITCH = SensorSpec(SensorType.SWITCH, 1, 0.0)
PERIOD_S = 0.01


def at_rest(level: float, swing: float = 2.0) -> Rest:
    return Rest(level=level, noise=0.7, hum=0.0, hum_hz=50.0, swing=swing, still=True)


def presses(columns: Iterable[tuple[int, ...]], sensor: SensorSpec = LEVEL) -> list[Press]:
    """Of places that rest at 10, a scan each 10 ms."""
    rows = list(columns)
    finder = PressFinder(sensor, [at_rest(10.0)] * len(rows[0]))
    found: list[Press] = []
    for number, row in enumerate(rows):
        found += finder.feed(range(len(row)), Scan(number * PERIOD_S, row))
    return found


def held(reading: int, scans: int) -> list[tuple[int, ...]]:
    return [(reading,)] * scans


def test_a_press_has_its_times_and_the_height_of_its_highest_plateau() -> None:
    (press,) = presses(held(10, 5) + held(300, 10) + held(500, 5) + held(10, 20))
    assert press.start_s == pytest.approx(0.05)
    assert press.end_s == pytest.approx(0.20)
    assert press.height == 490
    assert press.companion is None


def test_one_wild_reading_is_no_press_and_makes_none_higher() -> None:
    assert presses(held(10, 5) + held(900, 1) + held(10, 30)) == []
    wild = held(300, 5) + held(900, 1) + held(300, 5)
    (press,) = presses(held(10, 5) + wild + held(10, 20))
    assert press.height == 290


def test_a_gap_shorter_than_a_lift_is_the_same_press() -> None:
    gap = round(LIFT_S / PERIOD_S) - 1
    assert len(presses(held(300, 9) + held(10, gap) + held(300, 9) + held(10, 30))) == 1
    assert len(presses(held(300, 9) + held(10, gap + 3) + held(300, 9) + held(10, 30))) == 2


def test_a_load_that_sinks_to_half_is_still_the_same_foot() -> None:
    assert len(presses(held(600, 20) + held(300, 40) + held(600, 20) + held(10, 30))) == 1


def test_what_creeps_back_is_no_second_press_but_a_real_one_is() -> None:
    creep = [row for level in range(90, 20, -1) for row in held(level, 1)]
    assert len(presses(held(900, 20) + creep + held(22, 50))) == 1
    assert len(presses(held(900, 20) + creep + held(300, 20) + held(10, 30))) == 2


def test_a_level_lies_above_all_that_was_seen_at_rest() -> None:
    assert press_level(LEVEL, at_rest(10.0, swing=2.0)) == pytest.approx(10.23)
    assert press_level(LEVEL, at_rest(10.0, swing=60.0)) == pytest.approx(108)
    assert press_level(SWITCH, at_rest(0.0, swing=0.0)) == 0.5


def test_the_farthest_companion_is_told_by_its_load() -> None:
    """By the law of the divider, reading 512 of 1024 is load 1, and 341 is about a half."""
    rows = [(10, 10, 10)] * 5 + [(512, 341, 100)] * 10 + [(10, 10, 10)] * 20
    by_place = {press.place: press.companion for press in presses(rows, FORCE)}
    companion = by_place[0]
    assert companion is not None
    assert companion.place == 1
    assert companion.share == pytest.approx(0.5, abs=0.01)
    of_third = by_place[2]
    assert of_third is not None
    assert of_third.place == 0
    assert of_third.share > 5


def test_what_comes_after_it_is_no_companion() -> None:
    rows = [(400, 10)] * 10 + [(10, 10)] * 3 + [(10, 700)] * 30 + [(10, 10)] * 20
    first, second = presses(rows)
    assert (first.place, first.companion) == (0, None)
    assert (second.place, second.companion) == (1, None)


def test_falling_readings_are_presses_too() -> None:
    finder = PressFinder(FORCE, [at_rest(1000.0)])
    found: list[Press] = []
    for number, row in enumerate(held(1000, 5) + held(400, 10) + held(1000, 20)):
        found += finder.feed((0,), Scan(number * PERIOD_S, row))
    assert [press.height for press in found] == [-600]


@given(st.lists(st.tuples(st.integers(0, 1023), st.integers(0, 1023)), max_size=300))
def test_any_readings_give_presses_that_follow_each_other(rows: list[tuple[int, int]]) -> None:
    padded = [*rows, *[(10, 10)] * 40]
    for place in (0, 1):
        own = [press for press in presses(padded, FORCE) if press.place == place]
        for press in own:
            assert press.start_s <= press.end_s
            assert abs(press.height) > 10
        for one, other in pairwise(own):
            assert other.start_s >= one.end_s
