"""The window of a strike: contact, speed, and when it is decided."""

from __future__ import annotations

from math import cos, pi

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.sensing.rise import REACH_BACK_S, SPEED_SPAN_S, Rise

WINDOW_S = 0.005
STEP_S = 0.001


def risen(loads: list[float], *, base: float = 0.0, step_s: float = STEP_S) -> Rise:
    """Fed with loads a step apart; the first is that of the scan before, at 0 s."""
    rise = Rise()
    rise.begin(step_s, loads[1], 0.0, loads[0], base, WINDOW_S)
    for index, load in enumerate(loads[2:], start=2):
        rise.go_on(index * step_s, load, WINDOW_S)
    return rise


def test_contact_is_where_the_line_through_the_first_two_loads_leaves_the_base() -> None:
    rise = risen([0.0, 0.05, 0.15, 0.25])
    assert rise.contact_s == pytest.approx(0.0005)
    rise = risen([0.2, 0.25, 0.35, 0.45], base=0.2)
    assert rise.contact_s == pytest.approx(0.0005)


def test_the_window_ends_at_the_scan_nearest_to_contact_and_its_length() -> None:
    rise = risen([0.0, 0.05, 0.15])
    decided = next(scan for scan in range(2, 20) if scan * STEP_S >= rise.decide_s)
    assert abs(decided * STEP_S - (rise.contact_s + WINDOW_S)) <= STEP_S / 2 + 1e-9


@given(st.lists(st.floats(-1.0, 1.0), min_size=2, max_size=100))
def test_contact_is_near_the_first_sign_of_it(loads: list[float]) -> None:
    rise = risen([0.0, *loads])
    assert -REACH_BACK_S <= rise.contact_s <= STEP_S
    assert rise.peak == max(loads)


@pytest.mark.parametrize("phase", [0.05, 0.3, 0.6, 0.95])
@pytest.mark.parametrize("height", [0.05, 0.2, 1.0])
def test_soft_and_hard_strikes_are_decided_within_a_scan_of_each_other(
    phase: float, height: float
) -> None:
    """Of one shape, 8 ms to the peak, wherever the scans fall; from a load of 0.002 on."""

    def load(time_s: float) -> float:
        return height * (0.5 - 0.5 * cos(pi * max(0.0, time_s) / 0.008))

    first = next(index for index in range(20) if load((index + phase) * STEP_S) > 0.002)
    loads = [load((index + phase) * STEP_S) for index in range(first - 1, 12)]
    contact_s = -(first - 1 + phase) * STEP_S
    rise = risen(loads)
    assert abs(rise.contact_s - contact_s) < 0.0015


@given(st.floats(1.0, 400.0), st.integers(4, 30))
def test_speed_of_an_even_rise_is_its_slope(slope: float, scans: int) -> None:
    rise = risen([slope * index * STEP_S for index in range(scans)])
    assert rise.speed() == pytest.approx(slope)


def test_speed_is_that_of_the_steepest_three_milliseconds() -> None:
    rise = risen([0.0, 0.01, 0.02, 0.12, 0.32, 0.36, 0.37, 0.3, 0.2])
    assert rise.speed() == pytest.approx((0.36 - 0.02) / SPEED_SPAN_S)


def test_one_noisy_scan_at_a_high_rate_makes_no_speed() -> None:
    """Four scans a millisecond: a spike between two of them is spread over twelve."""
    loads = [0.0] * 40
    loads[20] = 0.1
    assert risen(loads, step_s=0.00025).speed() == pytest.approx(0.1 / SPEED_SPAN_S)


def test_a_fall_has_no_speed() -> None:
    assert risen([0.5, 0.4, 0.3, 0.2]).speed() == 0.0


def test_a_long_rise_has_the_speed_of_its_steepest_part() -> None:
    assert risen([0.0] * 200 + [0.1, 0.3, 0.5, 0.7]).speed() == pytest.approx(200.0)
    assert risen([0.0, 0.1, 0.3, 0.5, 0.7] + [0.71] * 200).speed() == pytest.approx(200.0)


def test_what_has_crept_up_counts_from_now_at_its_own_slow_speed() -> None:
    rise = Rise()
    rise.creep(1.0, 0.3, 0.99, 0.28, 0.1)
    assert (rise.contact_s, rise.peak, rise.base) == (1.0, 0.3, 0.1)
    assert rise.speed() == pytest.approx(2.0)  # over the ten milliseconds that it took


def test_a_clock_that_is_set_moves_the_window() -> None:
    rise = risen([0.0, 0.05, 0.15])
    contact_s, decide_s = rise.contact_s, rise.decide_s
    rise.shift(-50.0)
    assert rise.contact_s == pytest.approx(contact_s - 50.0)
    assert rise.decide_s == pytest.approx(decide_s - 50.0)
    rise.go_on(-50.0 + 0.003, 0.25, WINDOW_S)
    rise.go_on(-50.0 + 0.004, 0.35, WINDOW_S)
    assert rise.speed() == pytest.approx(100.0)
