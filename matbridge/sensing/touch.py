"""What leaves the sensing stage: touches."""

from __future__ import annotations

from enum import IntEnum, StrEnum
from typing import NamedTuple


class TouchKind(IntEnum):
    """The three moments of a touch. A new strike on a held zone is a LIFT and an ONSET."""

    ONSET = 0
    PRESSURE = 1
    LIFT = 2


class Touch(NamedTuple):
    """One moment of one touch.

    kind: which moment.
    zone: index of the zone in the mat file's list, from 0.
    time_s: when it happened, on the same clock as `Scan.time_s`; never later than the scan that
        brought it.
    value: 0.0 to 1.0. Of an onset, how hard or fast (always above 0); of pressure, the load
        between rest and the zone's calibrated full press; of a lift, how fast it let go.
    """

    kind: TouchKind
    zone: int
    time_s: float
    value: float


class VelocitySource(StrEnum):
    """From what an onset's value is taken; chosen for each zone by the preset.

    PEAK waits for the highest load in a scan window. RISE takes the speed of the first rise and
    waits for nothing more: the one that still tells soft from hard where a standing foot always
    saturates the sensor. BOTH is the mean of the two. FIXED is 1.0 at once, for switches.

    A switch knows no force. With any other source than FIXED its value comes from its place in
    time: the sooner after the onset before it, on whatever zone, the higher.
    """

    PEAK = "peak"
    RISE = "rise"
    BOTH = "both"
    FIXED = "fixed"
