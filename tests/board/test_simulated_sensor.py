"""The simulated sensor against what data sheets and guides publish about the real one.

Sources: see matbridge/board/simulated/sensor.py. [table] a component tutorial's table of force,
resistance and output of a force-sensitive resistor at 5 V and 10 kohm; [sheet] FSR 400 series data
sheet; [guide] the integration guides of its maker.
"""

from __future__ import annotations

from math import log10

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.board.simulated.sensor import (
    BREAK_NEWTON,
    MAX_NEWTON,
    ForceSensor,
    Part,
    published_conductance_us,
)

STEP_S = 0.0001
BLOCK = 16
# No break-down to speak of, so that the published law stands alone.
IDEAL = Part(gain=1.0, break_newton=0.01)

# [table] newtons, ohms, volts as printed there.
TABLE = ((0.2, 30_000, 1.3), (1.0, 6_000, 3.1), (10.0, 1_000, 4.5), (100.0, 250, 4.9))


def held(sensor: ForceSensor, newton: float, seconds: float, step_s: float = STEP_S) -> list[float]:
    """Voltages while a force stays for a while."""
    voltages: list[float] = []
    for _ in range(max(1, round(seconds / step_s / BLOCK))):
        voltages += sensor.voltages([newton] * BLOCK)
    return voltages


def conductance(voltage: float, fixed_ohm: float) -> float:
    """Siemens of the sensor, from the voltage as a share of the supply."""
    return voltage / (1.0 - voltage) / fixed_ohm


@pytest.mark.parametrize(("newton", "ohm", "volt"), TABLE)
def test_the_law_goes_through_the_published_points(newton: float, ohm: int, volt: float) -> None:
    assert published_conductance_us(newton) == pytest.approx(1e6 / ohm)
    divided = 5.0 * 10_000 / (10_000 + ohm)
    assert divided == pytest.approx(volt, abs=0.06)


@pytest.mark.parametrize(("newton", "ohm", "volt"), TABLE)
def test_a_sensor_in_its_divider_gives_the_published_voltage(
    newton: float, ohm: int, volt: float
) -> None:
    voltage = 5.0 * held(ForceSensor(IDEAL, 10_000, STEP_S, BLOCK), newton, 0.02)[-1]
    # Hysteresis leaves a rising force 7.5 % short, so the voltage is a little under the table's.
    assert voltage == pytest.approx(volt, abs=0.15)
    assert voltage < volt + 0.06


@given(st.floats(0.0, 2 * MAX_NEWTON), st.floats(0.0, 2 * MAX_NEWTON))
def test_more_force_never_conducts_less(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert published_conductance_us(low) <= published_conductance_us(high)


def test_it_saturates_where_the_guide_says() -> None:
    # [guide] 0.7-1.4 MPa, on the 1.27 cm2 of a 12.7 mm sensor: 89-178 N. Beyond, little comes.
    middle = published_conductance_us(20.0) / published_conductance_us(10.0)
    beyond = published_conductance_us(400.0) / published_conductance_us(200.0)
    assert middle > 1.5
    assert beyond < 1.15


def test_resistance_differs_by_a_tenth_between_rising_and_falling() -> None:
    # [guide] (R+ - R-) / R+ = 10 % on average.
    rising = ForceSensor(IDEAL, 1_000, STEP_S, BLOCK)
    up = conductance(held(rising, 10.0, 0.02)[-1], 1_000)
    falling = ForceSensor(IDEAL, 1_000, STEP_S, BLOCK)
    held(falling, 40.0, 0.02)
    down = conductance(held(falling, 10.0, 0.02)[-1], 1_000)
    assert 1.0 - up / down == pytest.approx(0.10, abs=0.02)


def test_creep_is_under_five_percent_a_decade() -> None:
    # [sheet] < 5 % per decade of time at 1 kg.
    sensor = ForceSensor(IDEAL, 1_000, 0.002, BLOCK)
    voltages = held(sensor, 9.81, 300.0, 0.002)
    at = {
        second: conductance(voltages[round(second / 0.002) - 1], 1_000)
        for second in (0.1, 1, 10, 100)
    }
    for early, late in ((0.1, 1), (1, 10), (10, 100)):
        growth = at[late] / at[early] - 1.0
        assert 0.01 < growth < 0.055, (early, late)


def test_it_answers_within_one_to_two_milliseconds() -> None:
    # [guide] mechanical rise 1-2 ms, from 10 to 90 % of the force that is felt.
    sensor = ForceSensor(IDEAL, 1_000, STEP_S, BLOCK)
    voltages = held(sensor, 1.0, 0.02)
    felt = [conductance(voltage, 1_000) / conductance(voltages[-1], 1_000) for voltage in voltages]
    rise_s = (sum(share < 0.9 for share in felt) - sum(share < 0.1 for share in felt)) * STEP_S
    assert 0.001 <= rise_s <= 0.002


def test_under_its_break_force_it_hardly_conducts() -> None:
    # [guide] above 100 kohm before it breaks down, about 10 kohm after, at 20-100 g.
    lightest, heaviest = BREAK_NEWTON
    assert lightest == pytest.approx(0.020 * 9.81, rel=0.03)
    assert heaviest == pytest.approx(0.100 * 9.81, rel=0.03)
    sensor = ForceSensor(Part(gain=1.0, break_newton=0.6), 10_000, STEP_S, BLOCK)
    before = conductance(held(sensor, 0.2, 0.02)[-1], 10_000)
    after = conductance(held(sensor, 1.0, 0.02)[-1], 10_000)
    assert 1.0 / before > 100_000
    assert 1.0 / after < 12_000


def test_heat_lowers_resistance_as_published() -> None:
    # [sheet] -15 % after an hour at +85 C.
    cold, hot = (ForceSensor(IDEAL, 1_000, STEP_S, BLOCK) for _ in range(2))
    hot.set_temperature(60.0)
    ratio = conductance(held(cold, 10.0, 0.02)[-1], 1_000) / conductance(
        held(hot, 10.0, 0.02)[-1], 1_000
    )
    assert ratio == pytest.approx(0.85, abs=0.005)


def test_it_comes_back_to_rest_and_then_says_so() -> None:
    sensor = ForceSensor(Part(rest_newton=1.0), 1_000, 0.001, BLOCK)
    rest = sensor.rest_voltage
    assert sensor.settled
    held(sensor, 200.0, 1.0, 0.001)
    assert not sensor.settled
    first = held(sensor, 0.0, 0.1, 0.001)
    assert first[0] > rest
    assert not sensor.settled, "the foam still presses"
    last = held(sensor, 0.0, 20.0, 0.001)[-1]
    assert last == pytest.approx(rest, abs=0.0002)


def test_the_foam_gives_back_a_hundredth_of_the_load_a_little_late() -> None:
    sensor = ForceSensor(IDEAL, 1_000, 0.001, BLOCK)
    held(sensor, 100.0, 3.0, 0.001)
    left = [conductance(voltage, 1_000) * 1e6 for voltage in held(sensor, 0.0, 0.4, 0.001)]
    soon, later = left[40], left[340]
    # 1 N less what 40 ms have taken of it, read by a sensor that falls: 7.5 % more.
    assert soon == pytest.approx(published_conductance_us(1.0), rel=0.15)
    assert later == pytest.approx(soon / 2.718, rel=0.15)


def test_time_that_is_skipped_relaxes_it_as_time_that_is_computed() -> None:
    computed, skipped = (ForceSensor(IDEAL, 1_000, 0.001, BLOCK) for _ in range(2))
    for sensor in (computed, skipped):
        held(sensor, 100.0, 10.0, 0.001)
    blocks = 200
    held(computed, 0.0, blocks * BLOCK * 0.001, 0.001)
    held(skipped, 0.0, 0.048, 0.001)
    skipped.pass_time(blocks - 3)
    again = [held(sensor, 10.0, 0.016, 0.001)[-1] for sensor in (computed, skipped)]
    assert log10(again[0]) == pytest.approx(log10(again[1]), abs=0.001)
