"""What a zone makes of loads: one touch a press, at once, and no more."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from matbridge.sensing.settings import SensingSettings
from matbridge.sensing.touch import TouchKind, VelocitySource
from tests.support.zones import LEVEL, Curve, Mat, both, corners, kinds, of, press, values

ONE = ["onset", "lift"]
TWO = ["onset", "lift", "onset", "lift"]
SOURCES = [VelocitySource.PEAK, VelocitySource.RISE, VelocitySource.BOTH]


def test_a_mat_at_rest_says_nothing() -> None:
    assert Mat(24).play(3.0) == []


@pytest.mark.parametrize("height", [0.04, 0.1, 0.5, 1.0])
@pytest.mark.parametrize("rise_s", [0.003, 0.01, 0.05, 0.2])
def test_a_press_is_one_touch(height: float, rise_s: float) -> None:
    heard = Mat().play(1.0, {0: press(height, at_s=0.1, rise_s=rise_s, hold_s=0.3)})
    assert kinds(heard) == ONE


@pytest.mark.parametrize("sensor_falls", [False, True])
def test_readings_may_rise_or_fall_under_load(sensor_falls: bool) -> None:
    heard = Mat(falling=sensor_falls).play(1.0, {0: press(0.5, at_s=0.1)})
    assert kinds(heard) == ONE
    assert values(heard) == pytest.approx([0.5], abs=0.2)


def test_a_load_under_the_threshold_is_no_touch() -> None:
    settings = SensingSettings(threshold=0.1)
    assert Mat(settings=settings).play(1.0, {0: press(0.08, at_s=0.1)}) == []
    assert kinds(Mat(settings=settings).play(1.0, {0: press(0.12, at_s=0.1)})) == ONE


def test_a_noisy_sensor_needs_more_than_the_threshold() -> None:
    assert Mat(noise=15.0).view().onset_level > SensingSettings().threshold
    assert Mat(noise=15.0).play(5.0) == []


@pytest.mark.parametrize("source", SOURCES)
@pytest.mark.parametrize("rate_hz", [1000.0, 2000.0, 500.0])
def test_onsets_come_a_window_after_contact_whatever_the_strike(
    source: VelocitySource, rate_hz: float
) -> None:
    delays = []
    for phase in range(10):
        for height in (0.1, 0.4, 1.0):
            mat = Mat(source=source, rate_hz=rate_hz)
            contact_s = 0.1 + phase / rate_hz / 10
            (onset, *_) = mat.play(0.2, {0: press(height, at_s=contact_s)})
            delays.append(onset[0] - 100.0 - contact_s)
    assert max(delays) - min(delays) < 0.003
    assert 0.004 < sum(delays) / len(delays) < 0.007


def test_an_onset_is_dated_at_contact() -> None:
    heard = Mat().play(0.3, {0: press(0.6, at_s=0.1)})
    at_s, onset = heard[0]
    assert onset.time_s == pytest.approx(100.1, abs=0.0015)
    assert onset.time_s < at_s


@pytest.mark.parametrize("source", SOURCES)
def test_harder_is_never_softer(source: VelocitySource) -> None:
    found = [
        values(Mat(source=source, noise=0.0).play(0.3, {0: press(height / 50, at_s=0.1)}))[0]
        for height in range(3, 60)
    ]
    assert all(low <= high for low, high in pairwise(found))
    assert 0.0 < found[0] < found[-1] <= 1.0


@pytest.mark.parametrize("source", [VelocitySource.RISE, VelocitySource.BOTH])
def test_faster_is_louder(source: VelocitySource) -> None:
    """In steps of a fifth: a scan's width in the reckoning of contact is worth less than that."""
    found = []
    rise_s = 0.08
    while rise_s > 0.003:
        curve = press(0.8, at_s=0.1, rise_s=rise_s)
        found.append(values(Mat(source=source, noise=0.0).play(0.5, {0: curve}))[0])
        rise_s *= 0.8
    assert all(low < high for low, high in pairwise(found))


def test_fixed_is_full_and_does_not_wait() -> None:
    fixed, peak = Mat(source=VelocitySource.FIXED), Mat()
    (first, *_), (second, *_) = (mat.play(0.3, {0: press(0.3, at_s=0.1)}) for mat in (fixed, peak))
    assert first[1].value == 1.0
    assert first[0] < second[0]


def test_a_tap_shorter_than_the_window_still_sounds() -> None:
    heard = Mat().play(0.5, {0: press(0.5, at_s=0.1, rise_s=0.002, hold_s=0.0, fall_s=0.003)})
    assert kinds(heard) == ONE


@pytest.mark.parametrize(("scans", "sounds"), [(1, False), (2, True)])
def test_one_scan_is_a_spike_and_two_are_a_touch(scans: int, sounds: bool) -> None:
    """Debounce of k samples means 1 + k in the new state (a published debounce guide)."""
    mat = Mat()
    heard = mat.play(0.3, wires={0: lambda t: 500 if 0.1 <= t < 0.0999 + scans / 1000 else 20})
    assert bool(heard) is sounds


def test_a_touch_ends_as_the_foot_leaves_not_when_the_sensor_has_crept_back() -> None:
    """Foam springs back late: a tenth of the load is left, and takes seconds to go."""
    left_s = 0.708
    curve = both(
        press(0.9, at_s=0.2, rise_s=0.008, hold_s=0.5, fall_s=0.04),
        corners((0.0, 0.0), (left_s, 0.0), (left_s + 0.04, 0.1), (4.0, 0.0)),
    )
    heard = Mat().play(5.0, {0: curve})
    assert kinds(heard) == ONE
    assert abs(heard[-1][0] - (100.0 + left_s + 0.04)) < 0.03


@pytest.mark.parametrize("low", [0.3, 0.5])
def test_weight_that_shifts_holds_on(low: float) -> None:
    sway = corners(
        (0.0, 0.0), (0.1, 0.0), (0.15, 0.9), (1.0, 0.9), (1.6, low), (3.0, low), (3.5, 0.9),
        (5.0, 0.9), (5.5, low), (9.0, low), (9.05, 0.0),
    )  # fmt: skip
    assert kinds(Mat().play(10.0, {0: sway})) == ONE


def test_a_heel_and_then_a_toe_are_one_touch() -> None:
    roll = corners(
        (0.0, 0.0), (0.1, 0.0), (0.13, 0.85), (0.3, 0.5), (0.45, 0.9), (0.5, 0.9), (0.57, 0.0)
    )
    assert kinds(Mat().play(1.0, {0: roll})) == ONE


def test_a_stomp_on_a_held_zone_is_a_lift_and_an_onset() -> None:
    again = corners(
        (0.0, 0.0), (0.1, 0.0), (0.11, 0.95), (0.15, 0.6), (0.5, 0.6), (0.6, 0.3), (0.7, 0.3),
        (0.712, 0.98), (0.76, 0.6), (1.0, 0.6), (1.05, 0.0),
    )  # fmt: skip
    heard = Mat(source=VelocitySource.RISE).play(1.5, {0: again})
    assert kinds(heard) == TWO
    assert 0.7 < heard[2][0] - 100.0 < 0.715
    assert values(heard)[1] > 0.5


def test_rolls_sound_stroke_by_stroke() -> None:
    strokes = [press(0.4, at_s=0.1 + n * 0.085, hold_s=0.01, fall_s=0.025) for n in range(12)]
    assert kinds(Mat().play(1.5, {0: both(*strokes)})) == ONE * 12


@pytest.mark.parametrize(("gap_s", "touches"), [(0.02, 1), (0.08, 2)])
def test_what_rings_within_the_hold_off_is_no_new_touch(gap_s: float, touches: int) -> None:
    first = press(0.8, at_s=0.1, hold_s=0.0, fall_s=0.008)
    ring = press(0.2, at_s=0.1 + gap_s, hold_s=0.0, fall_s=0.008)
    assert kinds(Mat().play(0.5, {0: both(first, ring)})) == ONE * touches


def test_a_strike_on_what_is_left_of_the_last_one_is_heard() -> None:
    left = corners((0.0, 0.0), (0.3, 0.0), (0.31, 0.12), (2.0, 0.0))
    curve = both(press(0.9, at_s=0.1, hold_s=0.2), left, press(0.2, at_s=0.6, hold_s=0.1))
    assert kinds(Mat().play(3.0, {0: curve})) == TWO


def test_a_slow_release_ends_late_not_early() -> None:
    slow = corners((0.0, 0.0), (0.1, 0.0), (0.12, 0.5), (1.0, 0.5), (1.6, 0.0))
    heard = Mat().play(2.0, {0: slow})
    assert kinds(heard) == ONE
    assert heard[-1][0] - 100.0 > 1.55


def test_faster_release_has_the_greater_lift_value() -> None:
    lifts = [
        values(Mat().play(2.0, {0: press(0.8, at_s=0.1, fall_s=fall_s)}), TouchKind.LIFT)[0]
        for fall_s in (0.3, 0.1, 0.03)
    ]
    assert lifts == sorted(lifts)
    assert 0.0 <= lifts[0] < lifts[-1] <= 1.0


def test_pressure_follows_the_load_and_keeps_still_with_it() -> None:
    swell = corners((0.0, 0.0), (0.1, 0.0), (0.12, 0.3), (0.5, 0.3), (1.0, 0.8), (2.0, 0.8))
    heard = Mat(pressure=[0]).play(2.0, {0: swell})
    pressed = of(heard, TouchKind.PRESSURE)
    assert pressed[0][1].value == pytest.approx(0.1, abs=0.1)
    assert pressed[-1][1].value == pytest.approx(0.8, abs=0.02)
    assert all(0.0 <= touch.value <= 1.0 for _, touch in pressed)
    assert pressed[-1][0] - 100.0 < 1.2  # still loads are no news
    steps = [later.value - before.value for (_, before), (_, later) in pairwise(pressed)]
    assert min(map(abs, steps)) >= SensingSettings().pressure_step * 0.999


def test_pressure_comes_only_between_onset_and_lift_and_only_where_wanted() -> None:
    mat = Mat(2, pressure=[0])
    heard = mat.play(1.0, {zone: press(0.6, at_s=0.1, hold_s=0.4) for zone in (0, 1)})
    assert {touch.zone for _, touch in of(heard, TouchKind.PRESSURE)} == {0}
    on = False
    for _, touch in heard:
        if touch.zone == 0:
            assert on is (touch.kind is not TouchKind.ONSET)
            on = touch.kind is not TouchKind.LIFT


def test_a_preset_may_change_while_a_zone_is_held() -> None:
    mat = Mat()
    heard = mat.play(0.2, {0: press(0.6, at_s=0.1, hold_s=9.0)})
    mat.detector.use([VelocitySource.RISE], {0})
    heard += mat.play(0.2, {0: lambda _: 0.6})
    heard += mat.play(0.2)
    assert kinds(heard) == ONE
    assert of(heard, TouchKind.PRESSURE)


def test_a_level_is_linear() -> None:
    mat = Mat(sensor=LEVEL, full=620.0)
    heard = mat.play(0.5, {0: press(0.5, at_s=0.1, rise_s=0.003)})
    assert values(heard) == pytest.approx([0.5], abs=0.01)


def test_every_zone_of_a_mat_struck_at_once_sounds_at_once() -> None:
    """Closer than any leak reaches, with the soft among the hard."""
    mat = Mat(24, apart_cm=30.0)
    blows: dict[int, Curve] = {zone: press(0.4 + 0.02 * zone, at_s=0.1) for zone in range(24)}
    onsets = of(mat.play(0.5, blows), TouchKind.ONSET)
    assert sorted(touch.zone for _, touch in onsets) == list(range(24))
    assert max(at_s for at_s, _ in onsets) - min(at_s for at_s, _ in onsets) <= 0.0011


def test_channels_without_a_zone_are_ignored_and_others_may_be_in_any_order() -> None:
    mat = Mat(2, zones=[-1, 1, -1, 0])
    heard = mat.play(0.5, {1: press(0.5, at_s=0.1)}, wires={0: lambda _: 900, 2: lambda _: 5})
    assert kinds(heard, zone=1) == ONE
    assert kinds(heard) == ONE


def test_settings_reach_what_they_name() -> None:
    late = replace(SensingSettings(), peak_window_ms=20.0)
    (at_s, _), *_ = Mat(settings=late).play(0.5, {0: press(0.5, at_s=0.1)})
    assert 0.018 < at_s - 100.1 < 0.023
    steady = replace(SensingSettings(), debounce_scans=5)
    heard = Mat(settings=steady).play(0.5, wires={0: lambda t: 500 if 0.1 <= t < 0.1049 else 20})
    assert heard == []
