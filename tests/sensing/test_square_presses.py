"""Presses that come and go within a scan, as a switch or a MIDI controller gives them: each is one
onset and one lift, however long it is held and whatever the rate."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.sensing.detector import Detector
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import TouchKind, VelocitySource

REST_S = 1.0
APART_S = 0.25


@pytest.mark.parametrize(
    ("sensor", "pressed", "source"),
    [
        (SensorSpec(SensorType.SWITCH, 1, 1000.0), 1, VelocitySource.FIXED),
        (SensorSpec(SensorType.LEVEL, 7, 1000.0), 90, VelocitySource.PEAK),
        (SensorSpec(SensorType.FORCE, 10, 1000.0), 700, VelocitySource.BOTH),
    ],
)
@given(
    rate_hz=st.sampled_from([100.0, 200.0, 500.0, 1000.0]),
    holds_s=st.lists(st.floats(0.08, 0.6), min_size=1, max_size=5),
)
def test_each_is_one_onset_and_one_lift(
    sensor: SensorSpec,
    pressed: int,
    source: VelocitySource,
    rate_hz: float,
    holds_s: list[float],
) -> None:
    detector = Detector(sensor, SensingSettings(), [0, 1], [(0.0, 0.0), (50.0, 0.0)])
    detector.use([source] * 2, ())
    moments, end_s = [], REST_S
    for hold_s in holds_s:
        moments.append((end_s, end_s + hold_s))
        end_s += hold_s + APART_S
    kinds = []
    for index in range(int((end_s + APART_S) * rate_hz)):
        at_s = index / rate_hz
        down = any(start_s <= at_s < stop_s for start_s, stop_s in moments)
        kinds += [t.kind for t in detector.scan(at_s, [pressed if down else 0, 0])]
    assert kinds == [TouchKind.ONSET, TouchKind.LIFT] * len(holds_s)
