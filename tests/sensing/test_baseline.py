"""The rest is followed slowly, in each of its cases, and the levels go with it."""

from __future__ import annotations

from collections.abc import Callable
from math import pi, sin
from random import Random

import pytest

from matbridge.sensing.settings import SensingSettings
from matbridge.sensing.touch import TouchKind
from tests.support.zones import LEVEL, Mat, corners, kinds, of, press, values

ONE = ["onset", "lift"]


def wire(level: Callable[[float], float], noise: float = 0.6) -> Callable[[float], int]:
    """Readings around a level that moves."""
    rng = Random(3)
    return lambda time_s: max(0, round(level(time_s) + rng.gauss(0.0, noise)))


def test_a_rest_that_rises_slowly_is_followed_and_makes_no_touch() -> None:
    """A carpet settles: as much as the threshold in two minutes."""
    mat = Mat(rate_hz=200.0)
    heard = mat.play(240.0, wires={0: wire(lambda t: 20.0 + min(t, 120.0))})
    assert heard == []
    assert mat.view().rest_reading == pytest.approx(140.0, abs=4.0)


def test_after_it_has_moved_a_press_plays_as_before() -> None:
    before = values(Mat().play(1.0, {0: press(0.4, at_s=0.1)}))
    moved = Mat(rest=60.0)
    moved.play(10.0)
    after = values(moved.play(1.0, {0: press(0.4, at_s=0.1)}))
    assert after == pytest.approx(before, abs=0.03)


def test_a_rest_that_falls_is_followed_at_once() -> None:
    """A bag is taken off that lay there at the start."""
    mat = Mat(calibrated=False)
    mat.play(2.0, wires={0: wire(lambda _: 400.0)})
    mat.play(0.5, wires={0: wire(lambda _: 20.0)})
    assert mat.view().rest_reading == pytest.approx(20.0, abs=1.0)
    assert kinds(mat.play(1.0, {0: press(0.2, at_s=0.1)})) == ONE


def test_a_touched_zone_keeps_its_rest() -> None:
    mat = Mat()
    mat.play(1.0)
    mat.play(20.0, {0: corners((0.0, 0.0), (0.05, 0.6), (10.0, 0.5), (19.0, 0.7), (20.0, 0.7))})
    assert mat.view().rest_reading == pytest.approx(20.0, abs=0.5)


def test_a_held_note_is_not_swallowed_by_the_rest() -> None:
    settings = SensingSettings(object_after_s=3600.0)
    mat = Mat(rate_hz=200.0, settings=settings)
    heard = mat.play(130.0, {0: press(0.1, at_s=0.1, hold_s=120.0)})
    (onset, lift) = heard
    assert lift[0] - onset[0] == pytest.approx(120.0, abs=0.2)


def test_noise_raises_the_levels_and_quiet_lowers_them_again() -> None:
    mat = Mat(rate_hz=500.0, rest=200.0)
    assert mat.play(30.0, wires={0: wire(lambda _: 200.0, 3.0)}) == []
    assert mat.view().noise == pytest.approx(3.0, rel=0.35)
    spike = {0: lambda t: 212 if 0.1 < t < 0.2 else 200}
    mat.play(0.15, wires=spike)
    assert mat.view().state.value == "rest"
    mat.play(60.0)
    assert mat.view().noise < 1.2  # half of whole-number noise steps by one: no finer than that
    mat.play(0.15, wires=spike)
    assert mat.view().state.value != "rest"


@pytest.mark.parametrize("hz", [50.0, 60.0])
def test_mains_hum_makes_no_touch_and_presses_still_sound(hz: float) -> None:
    """Eight codes of it, and the visits do not fall in step with it."""
    mat = Mat()

    def hum(time_s: float) -> float:
        return 60.0 + 8.0 * sin(2 * pi * hz * time_s)

    assert mat.play(5.0, wires={0: wire(hum)}) == []
    heard = mat.play(1.0, wires={0: wire(lambda t: hum(t) + (400 if 0.2 < t < 0.5 else 0))})
    assert kinds(heard) == ONE


def test_a_mat_that_was_never_calibrated_plays_from_its_first_second() -> None:
    mat = Mat(3, calibrated=False)
    heard = mat.play(1.5, {1: press(0.5, at_s=0.5)})
    assert kinds(heard, 1) == ONE
    assert kinds(heard) == ONE


def test_what_lies_there_at_the_start_is_no_touch_until_it_is_struck() -> None:
    mat = Mat()
    lying = corners((0.0, 0.3), (2.0, 0.3))
    assert mat.play(2.0, {0: lying}) == []
    assert mat.view().state.value == "faint"
    heard = mat.play(1.0, {0: lambda t: 0.3 + press(0.4, at_s=0.2)(t)})
    assert kinds(heard) == ONE
    assert mat.play(0.5) == []
    assert kinds(mat.play(1.0, {0: press(0.1, at_s=0.2)})) == ONE


def test_a_soft_press_that_was_calibrated_is_heard_whatever_the_full_one() -> None:
    """A full press into saturation would make the zone deaf: 3 % of it may be a whole foot."""
    from dataclasses import replace

    from matbridge.sensing.detector import Detector

    mat = Mat(full=990.0)
    calibration = mat.calibration(1)
    soft = replace(calibration, zones=(replace(calibration.zones[0], soft=200.0),))
    deaf, keen = (
        Detector(mat.sensor, SensingSettings(), [0], [(0.0, 0.0)], each)
        for each in (calibration, soft)
    )
    assert deaf.view()[0].onset_reading > 400.0
    assert keen.view()[0].onset_reading < 200.0


@pytest.mark.parametrize("zones", [1, 24, 300])
@pytest.mark.parametrize("rate_hz", [100.0, 1000.0])
def test_every_zone_is_looked_after_whatever_their_number_and_rate(
    zones: int, rate_hz: float
) -> None:
    mat = Mat(zones, rate_hz=rate_hz)
    mat.play(0.2)
    mat.rest = 10.0
    mat.play(0.6 if zones == 300 else 2.0)
    rests = [view.rest_reading for view in mat.detector.view()]
    assert max(rests) < 17.0


def test_a_level_sensor_follows_its_rest_too() -> None:
    mat = Mat(sensor=LEVEL, rest=300.0, full=700.0, rate_hz=200.0)
    assert mat.play(60.0, wires={0: wire(lambda t: 300.0 - 0.5 * t)}) == []
    heard = mat.play(1.0, wires={0: wire(lambda t: 270.0 + (150 if 0.2 < t < 0.5 else 0))})
    assert [touch.kind for _, touch in heard] == [TouchKind.ONSET, TouchKind.LIFT]
    assert of(heard, TouchKind.ONSET)[0][1].value == pytest.approx(150 / 430, abs=0.02)
