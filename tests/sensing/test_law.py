"""Readings to load and back."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.sensing.law import (
    FULL_SHARE,
    force,
    force_power,
    highest_reading,
    load,
    load_table,
    most_load,
    reading,
)
from matbridge.sensing.settings import SensorSpec, SensorType

WIDTHS = st.integers(1, 16)
OHMS = st.floats(100.0, 1e6)


@st.composite
def specs(draw: st.DrawFn) -> SensorSpec:
    return SensorSpec(draw(st.sampled_from(SensorType)), draw(WIDTHS), draw(OHMS))


@given(specs(), st.floats(0.0, 1.0))
def test_a_load_stands_at_its_reading(sensor: SensorSpec, share: float) -> None:
    top = (1 << sensor.bits) - 1
    units = load(sensor, share * top)
    assert load(sensor, reading(sensor, units)) == pytest.approx(units)


@given(specs())
def test_load_never_falls_as_the_reading_rises(sensor: SensorSpec) -> None:
    step = max(1, (1 << sensor.bits) // 64)
    loads = [load(sensor, code) for code in range(0, 1 << sensor.bits, step)]
    assert all(low <= high for low, high in pairwise(loads))


@given(specs(), st.floats(allow_nan=False))
def test_readings_beyond_the_converter_are_taken_for_its_ends(
    sensor: SensorSpec, code: float
) -> None:
    top = (1 << sensor.bits) - 1
    assert load(sensor, 0) <= load(sensor, code) <= load(sensor, top)


@pytest.mark.parametrize("sensor_type", SensorType)
def test_the_table_is_the_law_as_far_as_loads_can_be_told_apart(sensor_type: SensorType) -> None:
    sensor = SensorSpec(sensor_type, 10, 10_000.0)
    table = load_table(sensor)
    last = int(FULL_SHARE * 1023)
    assert len(table) == 1024
    assert table[last] == load(sensor, last)
    assert table[1023] == load(sensor, FULL_SHARE * 1023)


def test_a_divider_with_its_parts_swapped_obeys_the_law_from_the_other_end() -> None:
    """Half a step at most: one end of the range is 0, the other 1023 of 1024."""
    sensor = SensorSpec(SensorType.FORCE, 10, 1_000.0)
    for ohm in (100.0, 1_000.0, 10_000.0):
        swapped = 1024.0 * ohm / (1_000.0 + ohm)
        back = 1_000.0 / load(sensor, 1023 - swapped)
        assert reading(sensor, 1_000.0 / back) == pytest.approx(1023 - swapped)
        assert back == pytest.approx(ohm, rel=0.02)


@pytest.mark.parametrize(("code", "on"), [(0, 0.0), (127, 0.0), (128, 1.0), (255, 1.0)])
def test_a_switch_is_on_above_half_of_full_scale(code: int, on: float) -> None:
    assert load(SensorSpec(SensorType.SWITCH, 8, 0.0), code) == on


def test_one_bit_is_off_or_on() -> None:
    sensor = SensorSpec(SensorType.SWITCH, 1, 0.0)
    assert (load(sensor, 0), load(sensor, 1)) == (0.0, 1.0)


@given(st.floats(0.0, 5.0), st.floats(0.0, 5.0))
def test_a_greater_load_is_a_greater_force(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert force(low, 1.1, 1.5) <= force(high, 1.1, 1.5)


def test_a_leak_looks_larger_than_it_is_beside_a_load_that_saturates() -> None:
    """6 % of a force: by the published points 60 N and 1000 N read 2.9 and about 6 mS."""
    sensor = SensorSpec(SensorType.FORCE, 10, 1_000.0)
    full = load(sensor, 877)
    most, power = most_load(sensor, full), force_power(sensor)
    assert 2.9 / full > 0.45
    assert force(2.9, most, power) / force(full, most, power) < 0.15


@pytest.mark.parametrize("full", [0.5, 2.0, 5.0, 40.0])
@pytest.mark.parametrize("fixed_ohm", [1_000.0, 10_000.0, 47_000.0])
def test_load_does_not_end_below_a_full_press(full: float, fixed_ohm: float) -> None:
    assert most_load(SensorSpec(SensorType.FORCE, 10, fixed_ohm), full) > full


def test_a_level_may_reach_its_top_and_a_large_divider_too() -> None:
    assert highest_reading(SensorSpec(SensorType.LEVEL, 10, 0.0)) == 1023
    assert highest_reading(SensorSpec(SensorType.FORCE, 10, 1e6)) == 1023
    assert highest_reading(SensorSpec(SensorType.FORCE, 10, 1e3)) < 1000
