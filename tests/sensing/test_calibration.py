"""Whether a calibration fits the mat it is used with."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from matbridge.errors import CalibrationError
from matbridge.sensing.calibration import (
    Calibration,
    Wiring,
    ZoneCalibration,
    ZoneWire,
    check_fit,
)
from matbridge.sensing.settings import SensorSpec, SensorType

SENSOR = SensorSpec(SensorType.FORCE, 10, 1000.0)
WIRING = Wiring("quay", SENSOR, (ZoneWire("bow", 0, 3), ZoneWire("mast", 0, 0)))
FITTING = Calibration(
    "quay",
    SENSOR,
    "2025-06-01T19:30:00+02:00",
    (
        ZoneCalibration("bow", 3.0, 0.5, 90.0, 700.0, 0, 3),
        ZoneCalibration("mast", 2.0, 0.4, None, None, 0, 0),
    ),
)


def test_a_calibration_fits_the_mat_it_was_made_of() -> None:
    check_fit(FITTING, WIRING)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda w: replace(w, mat="pier"), "it is of the mat 'quay'"),
        (
            lambda w: replace(w, sensor=replace(SENSOR, bits=12)),
            "with sensor bits 10, the mat file says 12",
        ),
        (
            lambda w: replace(w, sensor=replace(SENSOR, fixed_resistor_ohm=10000.0)),
            "fixed_resistor_ohm 1000.0, the mat file says 10000.0",
        ),
        (
            lambda w: replace(w, sensor=replace(SENSOR, type=SensorType.LEVEL)),
            "type force, the mat file says level",
        ),
        (lambda w: replace(w, zones=w.zones[:1]), "the mat file has no zone 'mast'"),
        (lambda w: replace(w, zones=(*w.zones, ZoneWire("keel", 0, 5))), "it has no zone 'keel'"),
        (lambda w: replace(w, zones=w.zones[::-1]), "another order"),
        (
            lambda w: replace(w, zones=(ZoneWire("bow", 0, 4), w.zones[1])),
            "'bow' was on channel 3 of board 0, the mat file says channel 4",
        ),
        (
            lambda w: replace(w, zones=(ZoneWire("bow", 1, 3), w.zones[1])),
            "channel 3 of board 1",
        ),
    ],
)
def test_one_of_another_mat_is_refused_with_the_reason(
    change: Callable[[Wiring], Wiring], reason: str
) -> None:
    with pytest.raises(CalibrationError, match="does not fit") as caught:
        check_fit(FITTING, change(WIRING))
    assert reason in str(caught.value)
    assert "anew" in str(caught.value)


def test_a_mat_that_lost_many_zones_is_told_so_in_one_line() -> None:
    many = replace(WIRING, zones=tuple(ZoneWire(f"z{number}", 0, number) for number in range(30)))
    with pytest.raises(CalibrationError, match="and 26 more") as caught:
        check_fit(FITTING, many)
    assert len(str(caught.value)) < 200
