"""Statistics of a sensor at rest, against noise and hum whose size is known."""

import math
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.sensing.rest import MAINS_HZ, Rest
from matbridge.sensing.rest import measure_rest as measure_rest_of

# Variance of rounding to whole numbers: 1/12 (uniform quantisation noise, Widrow).
ROUNDING_VARIANCE = 1 / 12


def measure_rest(readings: list[int], rate_hz: float) -> Rest:
    return measure_rest_of(readings, rate_hz, 10)


def noisy(level: float, sigma: float, count: int = 4000, seed: int = 1) -> list[int]:
    rng = Random(seed)
    return [round(rng.gauss(level, sigma)) for _ in range(count)]


@pytest.mark.parametrize("sigma", [0.6, 1.0, 2.5, 9.0, 40.0])
def test_noise_is_the_standard_deviation_rounding_included(sigma: float) -> None:
    rest = measure_rest(noisy(300.3, sigma), 1000.0)
    # Noise under one reading is seen through two or three values only.
    within = 0.15 if sigma < 1.0 else 0.05
    assert rest.noise == pytest.approx(math.sqrt(sigma**2 + ROUNDING_VARIANCE), rel=within)
    assert rest.level == pytest.approx(300.3, abs=0.1 * sigma + 0.1)
    assert rest.still


def test_a_sensor_that_never_changes_still_has_its_rounding_as_noise() -> None:
    rest = measure_rest([17] * 500, 500.0)
    assert rest.level == 17.0
    assert 0.25 < rest.noise < 0.5
    assert rest.swing == 0.0
    assert rest.still


@pytest.mark.parametrize("below", [-1.0, 0.0, 1.0])
def test_noise_cut_off_at_an_end_of_the_range_is_seen_by_what_is_left_of_it(below: float) -> None:
    sigma = 3.0
    bottom = [max(0, reading) for reading in noisy(below * sigma, sigma)]
    for readings in (bottom, [1023 - reading for reading in bottom]):
        rest = measure_rest(readings, 1000.0)
        assert 0.4 * sigma < rest.noise < 1.2 * sigma
        assert rest.still


def test_a_contact_that_chatters_between_the_ends_is_not_noise() -> None:
    rng = Random(4)
    rest = measure_rest([1023 * (rng.random() < 0.3) for _ in range(3000)], 1000.0)
    assert rest.noise < 1.0
    assert not rest.still


def test_a_fifth_of_wild_readings_moves_neither_level_nor_noise_much() -> None:
    clean = noisy(100.0, 2.0)
    rng = Random(2)
    wild = [rng.randrange(1024) if rng.random() < 0.2 else reading for reading in clean]
    before, after = measure_rest(clean, 1000.0), measure_rest(wild, 1000.0)
    assert abs(after.level - before.level) < 1.5
    assert after.noise < 2.0 * before.noise
    assert not after.still


@pytest.mark.parametrize("hz", MAINS_HZ)
@pytest.mark.parametrize("rate_hz", [187.0, 500.0, 1000.0])
def test_hum_is_found_with_its_frequency_and_amplitude(hz: float, rate_hz: float) -> None:
    rng = Random(3)
    readings = [
        round(200 + 6.0 * math.sin(2 * math.pi * hz * index / rate_hz + 1.0) + rng.gauss(0, 1.5))
        for index in range(int(3 * rate_hz))
    ]
    rest = measure_rest(readings, rate_hz)
    assert rest.hum_hz == hz
    assert rest.hum == pytest.approx(6.0, rel=0.1)


def test_noise_alone_is_no_hum() -> None:
    assert [measure_rest(noisy(200, 3.0, 3000, seed), 1000.0).hum for seed in range(20)] == [0] * 20


def test_too_slow_a_board_is_not_asked_for_hum() -> None:
    readings = [200 + 50 * (index % 2) for index in range(300)]
    assert measure_rest(readings, 100.0).hum == 0.0


def test_a_step_in_the_middle_is_not_still_though_no_reading_is_wild() -> None:
    assert not measure_rest(noisy(100, 2.0, 1500) + noisy(108, 2.0, 1500), 1000.0).still


@given(st.lists(st.integers(0, 65535), min_size=1, max_size=200), st.floats(0, 5000))
def test_any_readings_have_a_rest_within_them(readings: list[int], rate_hz: float) -> None:
    rest = measure_rest(readings, rate_hz)
    assert min(readings) - 0.5 <= rest.level <= max(readings) + 0.5
    assert 0.0 < rest.noise <= 1.5 * (max(readings) - min(readings) + 1)
    assert rest.hum >= 0.0


@given(st.lists(st.integers(0, 1023), min_size=5, max_size=100), st.integers(1, 500))
def test_a_shift_of_every_reading_shifts_the_level_and_nothing_else(
    readings: list[int], by: int
) -> None:
    def shape(rest: Rest) -> tuple[float, float]:
        return rest.noise, rest.swing

    here, there = measure_rest(readings, 100), measure_rest([r + by for r in readings], 100)
    assert there.level - here.level == pytest.approx(by)
    assert shape(there) == pytest.approx(shape(here))
