"""What was measured of a mat, and whether it fits the mat it is used with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from matbridge.errors import CalibrationError
from matbridge.sensing.settings import SensorSpec


class ZoneWire(NamedTuple):
    """A zone's name, and where it hangs: index of its board in the mat file, and its channel."""

    name: str
    board: int
    channel: int


@dataclass(frozen=True, slots=True)
class Wiring:
    """All of a mat file that a calibration depends on: change it, and it must be measured anew."""

    mat: str
    sensor: SensorSpec
    zones: tuple[ZoneWire, ...]


@dataclass(frozen=True, slots=True)
class ZoneCalibration:
    """What one zone reads, in readings, 0 to 2**bits - 1, but not whole numbers.

    rest: with nothing on it. noise: standard deviation at rest, above 0. soft, full: at the height
    of a soft and of a full press, or None where the zone was not pressed so. `full` is below
    `rest` where the sensor's reading falls when pressed; `soft` always lies between the two.
    leak: most of its load that another zone shows while it is pressed, 0 to 1; None if not known.
    """

    name: str
    rest: float
    noise: float
    soft: float | None = None
    full: float | None = None
    board: int = 0
    channel: int = 0
    leak: float | None = None


@dataclass(frozen=True, slots=True)
class Calibration:
    """One evening's measure of a mat. zones: in the order of the mat file. date: ISO 8601."""

    mat: str
    sensor: SensorSpec
    date: str
    zones: tuple[ZoneCalibration, ...]


def check_fit(calibration: Calibration, wiring: Wiring) -> None:
    """Raises CalibrationError, with the reason, where the calibration is not of this mat."""
    reason = _misfit(calibration, wiring)
    if reason:
        raise CalibrationError(
            f"the calibration of {calibration.date} does not fit the mat '{wiring.mat}': {reason}; "
            "calibrate it anew"
        )


def _misfit(calibration: Calibration, wiring: Wiring) -> str:
    if calibration.mat != wiring.mat:
        return f"it is of the mat '{calibration.mat}'"
    measured, wanted = calibration.sensor, wiring.sensor
    for what in ("type", "bits", "fixed_resistor_ohm"):
        was, now = getattr(measured, what), getattr(wanted, what)
        if was != now:
            return f"it was measured with sensor {what} {was}, the mat file says {now}"
    was_names = [zone.name for zone in calibration.zones]
    names = [zone.name for zone in wiring.zones]
    if was_names != names:
        return _other_zones(was_names, names)
    for zone, wire in zip(calibration.zones, wiring.zones, strict=True):
        if (zone.board, zone.channel) != (wire.board, wire.channel):
            return (
                f"zone '{zone.name}' was on channel {zone.channel} of board {zone.board}, "
                f"the mat file says channel {wire.channel} of board {wire.board}"
            )
    return ""


def _other_zones(was: Sequence[str], now: Sequence[str]) -> str:
    missing = [name for name in now if name not in was]
    gone = [name for name in was if name not in now]
    if missing:
        return f"it has no zone {_some(missing)}"
    if gone:
        return f"the mat file has no zone {_some(gone)}"
    return "its zones are in another order"


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(f"'{name}'" for name in names[:4])
    return f"{shown} and {len(names) - 4} more" if len(names) > 4 else shown
