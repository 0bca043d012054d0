"""Scans of one board to touches.

    every scan     one sweep of all channels against their wake levels; the machine of every zone
                   that is awake (zone.py)
    now and then   one zone, in turn, is visited: its rest is followed, and it is looked at for
                   faults (care.py); a scan that brings touches leaves it to the next one,
                   which does it in any case

A scan of a quiet mat costs the sweep and its share of the visits, no more. The same scans give the
same touches; no clock but theirs is known here.

Inside, readings rise with load. Where the calibration says that the board's fall, they are mirrored
as they come in: `top - reading`.

Every zone is judged for itself, however many there are at once: whether a body on the mat should
sound is for the preset to say (its `crowd`).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import compress
from operator import gt, lt

from matbridge.sensing.baseline import Baseline, mirrored
from matbridge.sensing.calibration import Calibration
from matbridge.sensing.care import Care, Channel
from matbridge.sensing.crosstalk import is_leakage, link_neighbours, usual_leak
from matbridge.sensing.faults import FaultKind, FaultReport
from matbridge.sensing.law import load_table
from matbridge.sensing.rules import Rules
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import Touch, VelocitySource
from matbridge.sensing.zone import NEVER, Shared, State, Zone

# Looked up once: of an enumeration that is dear.
_REST, _HELD = State.REST, State.HELD

NO_ZONES: list[Zone] = []
NOTHING: tuple[Touch, ...] = ()


@dataclass(frozen=True, slots=True)
class ZoneView:
    """What a person sees of a zone. Readings are as the board sends them; loads and levels are
    shares of a full press above rest."""

    zone: int
    channel: int
    reading: int
    rest_reading: float
    noise: float
    onset_reading: float
    load: float
    onset_level: float
    state: State
    fault: FaultKind | None


class Detector:
    """Readings of one board to touches of the mat's zones.

    zones: for each channel of the board the mat's zone, or -1. places: centre of every zone of the
    mat, in cm. calibration: of the whole mat, in mat-zone order, or None.
    """

    def __init__(
        self,
        sensor: SensorSpec,
        settings: SensingSettings,
        zones: Sequence[int],
        places: Sequence[tuple[float, float]],
        calibration: Calibration | None = None,
    ) -> None:
        self._rules = Rules(settings, sensor)
        self._top = top = (1 << sensor.bits) - 1
        self._falling = calibration is not None and _falls(calibration)
        self._beyond = lt if self._falling else gt
        self._wakes = [-NEVER if self._falling else NEVER] * len(zones)
        self._shared = Shared()
        self._touches = self._shared.touches
        self._awake: list[Zone] = []
        self._channels: list[Channel] = []
        table = load_table(sensor)
        for channel, index in enumerate(zones):
            if index >= 0:
                measured = None if calibration is None else calibration.zones[index]
                if measured is not None and self._falling:
                    measured = mirrored(measured, top)
                zone = Zone(index, channel, self._rules, table, self._shared)
                baseline = Baseline(zone, sensor, settings, measured)
                self._channels.append(Channel(zone, baseline, self._wakes, top, self._falling))
        self._by_channel = {one.zone.channel: one for one in self._channels}
        link_neighbours(
            [one.zone for one in self._channels],
            places,
            usual_leak(one.baseline.leak for one in self._channels),
            sensor.type is SensorType.LEVEL,
            settings.crosstalk,
            settings.crosstalk_reach_cm,
        )
        self._care = Care(self._channels, self._awake, sensor, self._rules)
        self._rail = self._care.rail
        self._previous: Sequence[int] = ()
        self._earlier: Sequence[int] = ()
        self._started = calibration is not None
        self._put_off = False
        self._now_s = 0.0

    def use(self, sources: Sequence[VelocitySource], pressure: Collection[int]) -> None:
        """Take from a preset the velocity source of every zone, and whose pressure is wanted."""
        for one in self._channels:
            one.zone.set_source(sources[one.zone.index])
            one.zone.pressure_wanted = one.zone.index in pressure

    def scan(self, time_s: float, readings: Sequence[int]) -> Sequence[Touch]:
        """The touches that a scan brings; mostly none. `readings` must not change afterwards."""
        if len(readings) != len(self._wakes) or time_s < self._now_s or not self._previous:
            readings = self._mend(time_s, readings)
        woken = True in map(self._beyond, readings, self._wakes)
        if woken or self._awake:
            self._step(time_s, readings, woken)
        if time_s >= self._care.due_s:
            # A note is not kept waiting, unless every scan brings touches: then one in two waits.
            if self._touches and not self._put_off:
                self._put_off = True
            else:
                self._put_off = False
                self._care.visit(time_s, readings, self._previous, self._earlier)
                self._rules.meet_period(time_s - self._now_s)
        self._earlier, self._previous = self._previous, readings
        self._now_s = time_s
        return self._take_touches() if self._touches else NOTHING

    def silence(self, now_s: float) -> Sequence[Touch]:
        """The board went away: lifts for all that is touched."""
        for zone in self._awake:
            zone.let_go(now_s)
            one = self._by_channel[zone.channel]
            one.baseline.set_levels()
            one.arm()
        self._awake.clear()
        self._previous = ()
        return self._take_touches()

    def take_reports(self) -> list[FaultReport]:
        """Faults found and recovered since the last call."""
        reports, self._care.reports = self._care.reports, []
        return reports

    def view(self) -> list[ZoneView]:
        """Every zone of this board, as it stands."""
        views = []
        for one in self._channels:
            zone, baseline = one.zone, one.baseline
            reading = self._previous[zone.channel] if self._previous else round(baseline.rest)
            load = (zone.table[one.clean(reading)] - zone.rest_load) * zone.scale
            views.append(
                ZoneView(
                    zone=zone.index,
                    channel=zone.channel,
                    reading=reading,
                    rest_reading=one.to_board(baseline.rest),
                    noise=baseline.noise,
                    onset_reading=one.to_board(baseline.onset_reading),
                    load=load,
                    onset_level=zone.onset_level,
                    state=zone.state,
                    fault=one.fault,
                )
            )
        return views

    # Every scan

    def _step(self, time_s: float, readings: Sequence[int], woken: bool) -> None:
        awake = self._awake
        fresh = self._wake_up(time_s, readings) if woken else NO_ZONES
        top, falling = self._top, self._falling
        due = self._shared.due
        settled = False
        for zone in awake:
            reading = readings[zone.channel]
            if reading > top:
                reading = top
            elif reading < 0:
                reading = 0
            zone.step(time_s, top - reading if falling else reading)
            if zone.state is _REST:
                settled = True
        awake += fresh
        # Touches or not, once every zone has taken its reading of this scan.
        for zone in due:
            reading = readings[zone.channel]
            shorted = (top - reading if falling else reading) >= self._rail
            if shorted or is_leakage(zone, awake, time_s):
                zone.dismiss(time_s)
            elif zone.state is not _HELD:
                zone.strike(time_s)
        due.clear()
        if settled:
            self._sort_out()

    def _wake_up(self, time_s: float, readings: Sequence[int]) -> list[Zone]:
        fresh = []
        wakes = self._wakes
        for channel in compress(range(len(wakes)), map(self._beyond, readings, wakes)):
            one = self._by_channel[channel]
            one.disarm()
            reading, before = one.clean(readings[channel]), one.clean(self._previous[channel])
            one.zone.wake(time_s, reading, self._now_s, before)
            fresh.append(one.zone)
        return fresh

    def _sort_out(self) -> None:
        """Let those that have come to rest sleep."""
        for zone in self._awake:
            if zone.state is State.REST:
                one = self._by_channel[zone.channel]
                one.baseline.set_levels()
                one.arm()
        self._awake[:] = [zone for zone in self._awake if zone.state is not State.REST]

    def _take_touches(self) -> tuple[Touch, ...]:
        touches = tuple(self._touches)
        self._touches.clear()
        return touches

    # A scan that is out of the ordinary

    def _mend(self, time_s: float, readings: Sequence[int]) -> Sequence[int]:
        """A scan of another width, a clock that was set back, or the first scan."""
        if time_s < self._now_s:
            by_s, self._now_s = time_s - self._now_s, time_s
            self._care.shift(by_s)
            self._shared.onset_s += by_s
            for one in self._channels:
                one.zone.shift(by_s)
        if len(readings) != len(self._wakes):
            # What is missing rests; what is too much has no zone.
            rests = [0] * len(self._wakes)
            for one in self._channels:
                rests[one.zone.channel] = int(one.to_board(one.baseline.rest))
            readings = [*readings, *rests[len(readings) :]][: len(rests)]
        if not self._previous:
            self._start(time_s, readings)
        return readings

    def _start(self, time_s: float, readings: Sequence[int]) -> None:
        """The first scan, or the first since the board came back."""
        self._now_s = time_s
        self._care.start(time_s)
        for one in self._channels:
            zone = one.zone
            reading = one.clean(readings[zone.channel])
            if zone.state is State.MUTED:
                continue
            if not self._started:
                one.baseline.start_at(reading)
                one.arm()
            elif (zone.table[reading] - zone.rest_load) * zone.scale > zone.onset_level:
                zone.find_loaded(time_s, reading)
                self._awake.append(zone)
                one.disarm()
        self._started = True
        self._previous = self._earlier = readings


def _falls(calibration: Calibration) -> bool:
    """Whether readings fall under load: where most of the zones pressed say so."""
    full = [(zone.full, zone.rest) for zone in calibration.zones if zone.full is not None]
    return 2 * sum(pressed < rest for pressed, rest in full) > len(full)
