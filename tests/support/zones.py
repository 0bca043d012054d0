"""A mat of a few zones whose loads a test writes down, for the sensing stage."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import pairwise
from math import cos, pi
from random import Random

from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.sensing.detector import Detector, ZoneView
from matbridge.sensing.faults import FaultReport
from matbridge.sensing.law import load, reading
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import Touch, TouchKind, VelocitySource

FORCE = SensorSpec(SensorType.FORCE, 10, 1000.0)
LEVEL = SensorSpec(SensorType.LEVEL, 10, 0.0)
SWITCH = SensorSpec(SensorType.SWITCH, 1, 0.0)

# So far apart, no zone feels another.
APART_CM = 300.0

Curve = Callable[[float], float]
"""Load, as a share of a full press, by the seconds since `play` began."""

Heard = list[tuple[float, Touch]]
"""Touches, each with the time of the scan that brought it."""


def press(
    height: float,
    *,
    at_s: float = 0.0,
    rise_s: float = 0.008,
    hold_s: float = 0.2,
    fall_s: float = 0.02,
) -> Curve:
    """A press that rises and falls along half a cosine, and stays in between."""

    def curve(time_s: float) -> float:
        since_s = time_s - at_s
        if since_s <= 0.0:
            return 0.0
        if since_s < rise_s:
            return height * (0.5 - 0.5 * cos(pi * since_s / rise_s))
        left_s = since_s - rise_s - hold_s
        if left_s <= 0.0:
            return height
        return height * (0.5 + 0.5 * cos(pi * left_s / fall_s)) if left_s < fall_s else 0.0

    return curve


def corners(*points: tuple[float, float]) -> Curve:
    """Straight lines between (seconds, load) pairs; the last load stays."""

    def curve(time_s: float) -> float:
        for (from_s, low), (to_s, high) in pairwise(points):
            if time_s <= to_s:
                share = max(0.0, (time_s - from_s) / (to_s - from_s))
                return low + (high - low) * share
        return points[-1][1]

    return curve


def both(*curves: Curve) -> Curve:
    return lambda time_s: sum(curve(time_s) for curve in curves)


class Mat:
    """Zones in a row, calibrated, with a little noise; and a detector that listens to them.

    rest, noise: of every zone, in readings. full: reading of a full press. falling: whether
    readings fall under load. zones: for each channel its zone, or -1.
    """

    def __init__(
        self,
        count: int = 1,
        *,
        sensor: SensorSpec = FORCE,
        settings: SensingSettings | None = None,
        source: VelocitySource = VelocitySource.PEAK,
        pressure: Iterable[int] = (),
        calibrated: bool = True,
        falling: bool = False,
        rest: float = 20.0,
        noise: float = 0.6,
        full: float = 800.0,
        apart_cm: float = APART_CM,
        rate_hz: float = 1000.0,
        leak: float | None = None,
        zones: Sequence[int] | None = None,
    ) -> None:
        self.sensor, self.rest, self.noise, self.full = sensor, rest, noise, full
        self.top = (1 << sensor.bits) - 1
        self.falling = falling
        self.step_s = 1.0 / rate_hz
        self.time_s = 100.0
        self.zones = list(range(count)) if zones is None else list(zones)
        self._rng = Random(7)
        self.detector = Detector(
            sensor,
            settings or SensingSettings(),
            self.zones,
            [(apart_cm * zone, 0.0) for zone in range(count)],
            self.calibration(count, leak) if calibrated else None,
        )
        self.detector.use([source] * count, set(pressure))

    def calibration(self, count: int, leak: float | None = None) -> Calibration:
        def sent(reading: float) -> float:
            return self.top - reading if self.falling else reading

        return Calibration(
            "row",
            self.sensor,
            "2025-06-01T19:30:00+00:00",
            tuple(
                ZoneCalibration(
                    f"z{zone}",
                    sent(self.rest),
                    max(self.noise, 0.29),
                    full=sent(self.full),
                    leak=leak,
                )
                for zone in range(count)
            ),
        )

    def reading(self, share: float) -> int:
        """What a board sends of a load, with a new draw of noise."""
        if self.sensor.type is SensorType.SWITCH:
            return int(share > 0.5)
        rest = load(self.sensor, self.rest)
        span = load(self.sensor, self.full) - rest
        exact = reading(self.sensor, rest + share * span) + self._rng.gauss(0.0, self.noise)
        code = min(max(round(exact), 0), self.top)
        return self.top - code if self.falling else code

    def play(
        self,
        seconds: float,
        loads: Mapping[int, Curve] | None = None,
        wires: Mapping[int, Callable[[float], int]] | None = None,
    ) -> Heard:
        """Feed the detector; `wires` gives the readings of channels that no load explains."""
        loads, wires = loads or {}, wires or {}
        heard: Heard = []
        began_s = self.time_s
        for _ in range(round(seconds / self.step_s)):
            since_s = self.time_s - began_s
            scan = []
            for channel, zone in enumerate(self.zones):
                if channel in wires:
                    scan.append(wires[channel](since_s))
                else:
                    curve = loads.get(zone)
                    scan.append(self.reading(curve(since_s) if curve else 0.0))
            heard += [(self.time_s, touch) for touch in self.detector.scan(self.time_s, scan)]
            self.time_s += self.step_s
        return heard

    def view(self, zone: int = 0) -> ZoneView:
        return next(view for view in self.detector.view() if view.zone == zone)

    def reports(self) -> list[FaultReport]:
        return self.detector.take_reports()


def kinds(heard: Heard, zone: int | None = None) -> list[str]:
    """The touches as words, without pressure."""
    return [
        touch.kind.name.lower()
        for _, touch in heard
        if touch.kind is not TouchKind.PRESSURE and zone in (None, touch.zone)
    ]


def of(heard: Heard, kind: TouchKind) -> Heard:
    return [(at_s, touch) for at_s, touch in heard if touch.kind is kind]


def values(heard: Heard, kind: TouchKind = TouchKind.ONSET) -> list[float]:
    return [touch.value for _, touch in heard if touch.kind is kind]
