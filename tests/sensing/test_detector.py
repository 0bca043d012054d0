"""Whatever comes in: no exception, no stuck touch, and the same again for the same."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.sensing.detector import Detector
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import Touch, TouchKind, VelocitySource
from tests.support.zones import SWITCH, Curve, Mat, kinds, of, press, values

ONE = ["onset", "lift"]
ZONES = 3

# Mostly what a board sends, and now and then what none should.
READINGS = st.one_of(
    st.integers(0, 1023), st.sampled_from([0, 20, 21, 500, 1023, -1, 1024, -70_000, 1 << 40])
)
SCANS = st.lists(
    st.tuples(
        st.one_of(st.just(0.001), st.floats(-5.0, 5.0), st.sampled_from([0.0, 0.01, -0.5])),
        st.lists(READINGS, min_size=0, max_size=ZONES + 2),
    ),
    max_size=200,
)


def held_still(scans: list[tuple[float, list[int]]]) -> list[tuple[float, list[int]]]:
    """Each scan a few times over, so that levels are reached and kept."""
    return [(step_s, readings) for step_s, readings in scans for _ in range(4)]


@st.composite
def detectors(draw: st.DrawFn) -> Detector:
    sensor = SensorSpec(draw(st.sampled_from(SensorType)), 10, 1000.0)
    calibration = None
    if draw(st.booleans()):
        rest, full = draw(st.sampled_from([(20.0, 800.0), (900.0, 300.0), (500.0, 501.0)]))
        zones = tuple(ZoneCalibration(f"z{z}", rest, 0.6, None, full) for z in range(ZONES))
        calibration = Calibration("m", sensor, "", zones)
    chosen = SensingSettings(
        crosstalk=draw(st.sampled_from([0.0, 0.07])),
        debounce_scans=draw(st.integers(0, 3)),
        object_after_s=draw(st.sampled_from([1.0, 30.0])),
        peak_window_ms=draw(st.sampled_from([0.0, 5.0, 50.0])),
    )
    places = [(20.0 * zone, 0.0) for zone in range(ZONES)]
    detector = Detector(sensor, chosen, [1, -1, 0, 2], places, calibration)
    detector.use([draw(st.sampled_from(VelocitySource)) for _ in range(ZONES)], [0, 2])
    return detector


def assert_paired(touches: list[Touch]) -> None:
    """Onset, then pressure, then lift, then the next: zone by zone; values within 0 to 1."""
    for zone in range(ZONES):
        on = False
        for touch in (touch for touch in touches if touch.zone == zone):
            assert 0.0 <= touch.value <= 1.0
            assert on is (touch.kind is not TouchKind.ONSET)
            assert touch.kind is not TouchKind.ONSET or touch.value > 0.0
            on = touch.kind is not TouchKind.LIFT
        assert not on


@settings(max_examples=200, deadline=None)
@given(detectors(), SCANS, st.floats(-1e6, 1e9))
def test_any_scans_at_any_times_never_raise_and_never_leave_a_touch_on(
    detector: Detector, scans: list[tuple[float, list[int]]], time_s: float
) -> None:
    touches: list[Touch] = []
    for step_s, readings in held_still(scans):
        time_s += step_s
        for touch in detector.scan(time_s, readings):
            assert touch.time_s <= time_s + 1e-6 * abs(time_s)
            touches.append(touch)
        detector.take_reports()
    detector.view()
    touches += detector.silence(time_s)
    assert_paired(touches)
    assert detector.silence(time_s) == ()


@settings(max_examples=50, deadline=None)
@given(st.data(), SCANS)
def test_the_same_scans_give_the_same_touches(
    data: st.DataObject, scans: list[tuple[float, list[int]]]
) -> None:
    seen = []
    for _ in range(2):
        sensor = SensorSpec(SensorType.FORCE, 10, 1000.0)
        detector = Detector(sensor, SensingSettings(), [1, -1, 0, 2], [(0.0, 0.0)] * 3)
        time_s = 10.0
        touches: list[Touch] = []
        for step_s, readings in held_still(scans):
            time_s += step_s
            touches += detector.scan(time_s, readings)
        seen.append((touches, detector.take_reports(), detector.view()))
    assert seen[0] == seen[1]


def test_a_scan_that_is_too_short_lets_go_of_what_it_does_not_show() -> None:
    mat = Mat(4)
    heard = mat.play(0.5, {1: press(0.5, hold_s=9.0), 3: press(0.5, hold_s=9.0)})
    assert kinds(heard) == ["onset"] * 2
    short: list[Touch] = []
    for _ in range(100):
        mat.time_s += 0.001
        short += mat.detector.scan(mat.time_s, [20, mat.reading(0.5)])
    assert [(touch.kind, touch.zone) for touch in short] == [(TouchKind.LIFT, 3)]


def test_a_scan_that_is_too_long_plays_with_what_it_knows() -> None:
    mat = Mat(2)
    mat.play(0.2)
    touches: list[Touch] = []
    for step in range(300):
        mat.time_s += 0.001
        load = press(0.5, at_s=0.05)(step / 1000)
        touches += mat.detector.scan(mat.time_s, [mat.reading(load), 20, 999, 999])
    assert [(touch.kind, touch.zone) for touch in touches] == [
        (TouchKind.ONSET, 0),
        (TouchKind.LIFT, 0),
    ]


@pytest.mark.parametrize("back_s", [0.0005, 3.0, 1e5])
def test_a_clock_that_is_set_back_holds_what_is_held_and_goes_on(back_s: float) -> None:
    mat = Mat()
    heard = mat.play(0.5, {0: press(0.5, hold_s=9.0)})
    mat.time_s -= back_s
    heard += mat.play(0.5, {0: lambda _: 0.5})
    assert kinds(heard) == ["onset"]
    heard += mat.play(0.5)
    heard += mat.play(0.5, {0: press(0.3, at_s=0.1)})
    assert kinds(heard) == ONE * 2
    assert all(touch.time_s <= at_s for at_s, touch in heard)


def test_a_long_silence_between_two_scans_is_no_trouble() -> None:
    mat = Mat()
    mat.play(1.0)
    mat.time_s += 3600.0
    assert mat.play(0.05) == []
    assert kinds(mat.play(1.0, {0: press(0.5, at_s=0.1)})) == ONE


def test_scans_that_come_at_one_time_are_no_trouble() -> None:
    """A link that hands over many at once, of a board that says nothing of time."""
    mat = Mat(rate_hz=1000.0, pressure=[0])
    touches: list[Touch] = []
    for step in range(600):
        load = press(0.6, at_s=0.2)(step / 1000)
        touches += mat.detector.scan(100.0 + step // 10 * 0.01, [mat.reading(load)])
    assert [t.kind for t in touches if t.kind is not TouchKind.PRESSURE] == [
        TouchKind.ONSET,
        TouchKind.LIFT,
    ]


def test_a_mat_without_zones_on_this_board_is_no_trouble() -> None:
    detector = Detector(SWITCH, SensingSettings(), [-1, -1], [])
    detector.use([], [])
    assert detector.scan(1.0, [1, 0]) == ()
    assert detector.scan(2.0, [0, 1]) == ()
    assert detector.view() == []


@pytest.mark.parametrize("source", VelocitySource)
def test_a_switch_is_on_and_off(source: VelocitySource) -> None:
    mat = Mat(sensor=SWITCH, source=source)
    heard = mat.play(0.5, {0: lambda t: float(0.1 <= t < 0.3)})
    assert kinds(heard) == ONE
    (on_s, _), (off_s, _) = heard
    assert 0.0 < on_s - 100.1 <= 0.0031
    assert 0.0 < off_s - 100.3 <= 0.02


def tapped(at_s: float) -> Curve:
    return lambda time_s: float(at_s <= time_s < at_s + 0.04)


def test_a_switch_plays_full_or_by_its_place_in_time() -> None:
    """The sooner after the onset before, on whatever zone, the harder."""
    gaps_s = [2.0, 0.8, 0.4, 0.2, 0.1, 0.05]
    starts_s = [0.2 + sum(gaps_s[: index + 1]) for index in range(len(gaps_s))]
    taps = {zone: tapped(at_s) for zone, at_s in enumerate(starts_s)}
    timed = Mat(len(gaps_s), sensor=SWITCH, source=VelocitySource.RISE).play(5.0, taps)
    found = values(timed)
    assert len(found) == len(gaps_s)
    assert all(low <= high for low, high in pairwise(found))
    assert 0.2 < found[0] < 0.4 < 0.99 < found[-1] <= 1.0
    fixed = Mat(len(gaps_s), sensor=SWITCH, source=VelocitySource.FIXED).play(5.0, taps)
    assert values(fixed) == [1.0] * len(gaps_s)


@pytest.mark.parametrize("bits", [8, 10, 12, 16])
def test_any_width_of_converter_plays_alike(bits: int) -> None:
    sensor = SensorSpec(SensorType.FORCE, bits, 1000.0)
    scale = (1 << bits) / 1024
    mat = Mat(sensor=sensor, rest=20 * scale, noise=0.6 * scale, full=800 * scale)
    heard = mat.play(0.5, {0: press(0.5, at_s=0.1)})
    assert kinds(heard) == ONE
    assert values(heard) == pytest.approx([0.45], abs=0.06)


def test_every_setting_is_explained_with_its_range() -> None:
    text = SensingSettings.__doc__ or ""
    for name in SensingSettings.__dataclass_fields__:
        assert any(
            f"{name} (" in line or f"{name}," in line or f"{name} " in line
            for line in text.splitlines()
        ), name


def test_a_view_speaks_the_boards_own_readings() -> None:
    for falling in (False, True):
        mat = Mat(2, falling=falling)
        mat.play(0.5, {1: press(0.5, hold_s=9.0)})
        quiet, held = mat.view(0), mat.view(1)
        assert quiet.rest_reading == pytest.approx(1003 if falling else 20, abs=1.0)
        assert (held.reading < quiet.reading) is falling
        assert (quiet.onset_reading < quiet.rest_reading) is falling
        assert held.load == pytest.approx(0.5, abs=0.02)
        assert (quiet.state.value, held.state.value) == ("rest", "held")
        assert quiet.fault is None


def test_onsets_of_one_scan_come_in_the_order_of_their_channels() -> None:
    mat = Mat(3, zones=[2, 0, 1])
    onsets = of(mat.play(0.5, {zone: press(0.5, at_s=0.1) for zone in range(3)}), TouchKind.ONSET)
    assert [touch.zone for _, touch in onsets] == [2, 0, 1]


def test_no_visit_keeps_an_onset_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    mat = Mat(24)
    visited: list[float] = []
    visit = mat.detector._care.visit

    def noted(time_s: float, *readings: Sequence[int]) -> None:
        visited.append(time_s)
        visit(time_s, *readings)

    monkeypatch.setattr(mat.detector._care, "visit", noted)
    struck_s = [
        time_s
        for zone in range(24)
        for time_s, _ in of(mat.play(0.3, {zone: press(0.5, at_s=0.05)}), TouchKind.ONSET)
    ]
    assert len(struck_s) == 24
    assert len(visited) > 1500
    assert not set(struck_s) & set(visited)
