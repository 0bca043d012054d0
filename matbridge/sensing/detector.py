"""Scans of one board to touches.

    every scan     one sweep of all channels against their wake levels; the machine of every zone
                   that is awake (see zone.py)
    now and then   one channel at a time is visited, round and round, so that each has its turn
                   every VISIT_S however many there are: its rest and its noise are followed, and it
                   is looked at for faults

A scan of a quiet mat costs the sweep and its share of the visits, no more. The same scans give the
same touches; no clock but theirs is known here.
"""

from __future__ import annotations

from array import array
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import compress
from math import hypot
from operator import gt, lt

from matbridge.sensing.calibration import Calibration
from matbridge.sensing.faults import FaultKind, FaultReport
from matbridge.sensing.law import DEFAULT_FULL, load, load_table
from matbridge.sensing.rules import Rules
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import Touch, VelocitySource
from matbridge.sensing.zone import NEVER, Shared, State, Zone

# How often each zone is visited. No multiple of 20 or of 16.7 ms, so that mains hum is met at all
# its phases.
VISIT_S = 0.093

# Wake levels lie this many standard deviations above rest, and at least this share of full scale.
WAKE_SIGMAS = 6.0
WAKE_SHARE = 0.004

# An onset level lies at least this many standard deviations above rest.
ONSET_SIGMAS = 10.0

# Noise of a zone that was never measured, as a share of full scale.
GUESSED_NOISE = 0.001

# A full press is never nearer to rest than this share of the full range's load, lest a zone whose
# rest has moved up turns noise into touches.
LEAST_SPAN_SHARE = 0.05

# Next to a zone are those not much farther than its nearest.
NEXT_SHARE = 1.6

# One converter of the trade reads eight channels in turn.
CONVERTER_CHANNELS = 8

# A reading under the rest is rest: followed within this time constant.
FALL_S = 1.0

# Readings this far under the rest for so many visits: what lay there is gone.
FALLEN_VISITS = 3

# Noise is followed by this share of itself a visit; half of normal noise lies within this many
# standard deviations; and rounding alone is noise (a step's uniform spread, 1 / sqrt(12)).
NOISE_STEP = 0.02
SIGMA_MEDIAN = 0.6745
LEAST_NOISE = 0.29

# A rest that was measured counts for this many visits.
MEASURED_VISITS = 50

# Time constant at which the recent peak of a held zone fades.
PEAK_S = 2.0

# An object lies within this many standard deviations, but for creep, which is slower than this.
STILL_SIGMAS = 5.0
STILL_FOLLOW_S = 3.0

NO_ZONES: list[Zone] = []
NOTHING: tuple[Touch, ...] = ()


@dataclass(frozen=True, slots=True)
class ZoneView:
    """What a person sees of a zone. rest, noise in readings; loads as shares of full press."""

    zone: int
    channel: int
    reading: int
    load: float
    rest: float
    noise: float
    wake_load: float
    onset_level: float
    state: str
    fault: FaultKind | None


class Channel:
    """What is known of a zone at rest, in readings that rise with load."""

    __slots__ = ("fallen", "fault", "full_load", "noise", "rest", "seen", "still", "still_s",
                 "visited_s", "zone")  # fmt: skip

    def __init__(self, zone: Zone, rest: float, noise: float, full_load: float, seen: int) -> None:
        self.zone = zone
        self.rest = rest
        self.noise = noise
        self.full_load = full_load
        self.seen = seen
        self.fallen = 0
        self.visited_s = 0.0
        self.still = 0.0
        self.still_s = 0.0
        self.fault: FaultKind | None = None


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
        self._sensor = sensor
        self._settings = settings
        self._rules = Rules(settings)
        self._top = (1 << sensor.bits) - 1
        self._falling = calibration is not None and _falls(calibration)
        self._beyond = lt if self._falling else gt
        self._never = -1 if self._falling else NEVER
        self._wake = [self._never] * len(zones)
        self._shared = Shared()
        self._touches = self._shared.touches
        table = load_table(sensor)
        self._channels = [
            self._make_channel(channel, index, calibration, table)
            for channel, index in enumerate(zones)
            if index >= 0
        ]
        self._by_channel = {one.zone.channel: one for one in self._channels}
        link_neighbours([one.zone for one in self._channels], places, settings.crosstalk_reach_cm)
        self._awake: list[Zone] = []
        self._reports: list[FaultReport] = []
        self._previous: Sequence[int] = ()
        self._calibrated = calibration is not None
        self._started = False
        self._now_s = 0.0
        self._visit_s = 0.0
        self._visit_step_s = VISIT_S / max(len(self._channels), 1)
        self._next = 0
        for one in self._channels:
            self._level(one)

    def use(self, sources: Sequence[VelocitySource], pressure: Collection[int]) -> None:
        """Take from a preset the velocity source of every zone, and whose pressure is wanted."""
        for one in self._channels:
            one.zone.set_source(sources[one.zone.index])
            one.zone.pressure_wanted = one.zone.index in pressure

    def scan(self, time_s: float, readings: Sequence[int]) -> Sequence[Touch]:
        """The touches that a scan brings; mostly none. `readings` must not change afterwards."""
        if len(readings) != len(self._wake) or time_s < self._now_s or not self._previous:
            readings = self._mend(time_s, readings)
        woken = True in map(self._beyond, readings, self._wake)
        if woken or self._awake:
            self._step(time_s, readings, woken)
        if time_s >= self._visit_s:
            self._visit(time_s, readings)
        self._previous = readings
        self._now_s = time_s
        return self._take_touches() if self._touches else NOTHING

    def silence(self, now_s: float) -> Sequence[Touch]:
        """The board went away: lifts for all that is touched."""
        for zone in self._awake:
            zone.let_go(now_s)
            self._level(self._by_channel[zone.channel])
        self._awake = []
        self._previous = ()
        return self._take_touches()

    def take_reports(self) -> list[FaultReport]:
        """Faults found and recovered since the last call."""
        reports, self._reports = self._reports, []
        return reports

    def view(self) -> list[ZoneView]:
        """Every zone of this board, as it stands."""
        views = []
        for one in self._channels:
            zone = one.zone
            reading = self._previous[zone.channel] if self._previous else 0
            at = self._clean(reading)
            views.append(
                ZoneView(
                    zone=zone.index,
                    channel=zone.channel,
                    reading=reading,
                    load=(zone.table[at] - zone.rest_load) * zone.scale,
                    rest=one.rest,
                    noise=one.noise,
                    wake_load=zone.wake_load,
                    onset_level=zone.onset_level,
                    state=zone.state.value,
                    fault=one.fault,
                )
            )
        return views

    # Every scan

    def _step(self, time_s: float, readings: Sequence[int], woken: bool) -> None:
        awake = self._awake
        fresh = self._wake_up(time_s, readings) if woken else NO_ZONES
        top, falling = self._top, self._falling
        asleep = False
        for zone in awake:
            reading = readings[zone.channel]
            if reading > top:
                reading = top
            elif reading < 0:
                reading = 0
            zone.step(time_s, top - reading if falling else reading)
            if zone.state is State.REST:
                asleep = True
        due = self._shared.due
        if due:
            for zone in due:
                zone.decide(time_s)
            due.clear()
        if asleep:
            for zone in awake:
                if zone.state is State.REST:
                    self._level(self._by_channel[zone.channel])
            self._awake = awake = [zone for zone in awake if zone.state is not State.REST]
        awake += fresh

    def _take_touches(self) -> tuple[Touch, ...]:
        touches = tuple(self._touches)
        self._touches.clear()
        return touches

    def _wake_up(self, time_s: float, readings: Sequence[int]) -> list[Zone]:
        fresh = []
        wake, never = self._wake, self._never
        for channel in compress(range(len(wake)), map(self._beyond, readings, wake)):
            wake[channel] = never
            zone = self._by_channel[channel].zone
            before = self._clean(self._previous[channel])
            zone.wake(time_s, self._clean(readings[channel]), self._now_s, before)
            fresh.append(zone)
        return fresh

    def _clean(self, reading: int) -> int:
        reading = min(max(reading, 0), self._top)
        return self._top - reading if self._falling else reading

    def _mend(self, time_s: float, readings: Sequence[int]) -> Sequence[int]:
        """A scan of another width, a clock that was set back, or the first scan."""
        if time_s < self._now_s:
            by_s = time_s - self._now_s
            self._now_s = time_s
            self._visit_s += by_s
            for one in self._channels:
                one.visited_s += by_s
                one.still_s += by_s
                one.zone.shift(by_s)
        if len(readings) != len(self._wake):
            mended = list(readings[: len(self._wake)])
            for channel in range(len(mended), len(self._wake)):
                known = self._by_channel.get(channel)
                rest = int(known.rest) if known else 0
                mended.append(self._top - rest if self._falling else rest)
            readings = mended
        if not self._previous:
            self._start(time_s, readings)
        return readings

    def _start(self, time_s: float, readings: Sequence[int]) -> None:
        """The first scan, or the first since the board came back."""
        self._now_s = self._visit_s = time_s
        for one in self._channels:
            one.visited_s = one.still_s = time_s
            reading = self._clean(readings[one.zone.channel])
            if not self._calibrated and not self._started:
                one.rest = float(reading)
                self._level(one)
            elif (one.zone.table[reading] - one.zone.rest_load) * one.zone.scale > (
                one.zone.onset_level
            ):
                one.zone.find_loaded(time_s, reading)
                self._awake.append(one.zone)
                self._wake[one.zone.channel] = self._never
        self._started = True
        self._previous = readings

    # Now and then

    def _visit(self, time_s: float, readings: Sequence[int]) -> None:
        if time_s - self._visit_s > VISIT_S:
            self._visit_s = time_s
        while self._visit_s <= time_s:
            self._visit_s += self._visit_step_s
            one = self._channels[self._next]
            self._next = (self._next + 1) % len(self._channels)
            reading = self._clean(readings[one.zone.channel])
            since_s = time_s - one.visited_s
            one.visited_s = time_s
            if one.zone.state is State.HELD:
                self._visit_held(one, time_s, since_s, reading)
            else:
                self._visit_rest(one, since_s, reading)
        self._rules.set_period(time_s - self._now_s)

    def _visit_rest(self, one: Channel, since_s: float, reading: int) -> None:
        if self._sensor.type is SensorType.SWITCH:
            return
        zone = one.zone
        off = reading - one.rest
        far = abs(off) - STILL_SIGMAS * one.noise - 1.0
        one.seen += 1
        first = 1.0 / (one.seen + 1)
        if off > 0.0:
            if zone.load < zone.onset_level:
                one.rest += off * max(min(1.0, since_s / self._rules.rest_follow_s), first)
        else:
            one.fallen = one.fallen + 1 if far > 0.0 else 0
            gain = 1.0 if one.fallen >= FALLEN_VISITS else max(min(1.0, since_s / FALL_S), first)
            one.rest += off * gain
        if zone.state is State.REST:
            # Towards the median of the distance, by a share of itself, so that no outlier pulls.
            step = max(NOISE_STEP, first)
            one.noise *= 1.0 + step if abs(off) > SIGMA_MEDIAN * one.noise else 1.0 - step
            one.noise = max(one.noise, LEAST_NOISE)
            self._level(one)

    def _visit_held(self, one: Channel, time_s: float, since_s: float, reading: int) -> None:
        """Let the recent peak fade; whether what is held has become an object."""
        zone = one.zone
        zone.fade(min(1.0, since_s / PEAK_S))
        off = reading - one.still
        if one.still_s < zone.onset_s or abs(off) > STILL_SIGMAS * one.noise + 1.0:
            one.still = float(reading)
            one.still_s = time_s
            return
        one.still += off * min(1.0, since_s / STILL_FOLLOW_S)
        if time_s - one.still_s >= self._rules.object_after_s and (
            self._sensor.type is not SensorType.SWITCH
        ):
            zone.give_up(time_s)
            self._reports.append(FaultReport(FaultKind.OBJECT, zone.index, time_s))

    # Levels

    def _make_channel(
        self, channel: int, index: int, calibration: Calibration | None, table: array[float]
    ) -> Channel:
        zone = Zone(index, channel, self._rules, table, self._shared)
        full_load = load(self._sensor, DEFAULT_FULL * self._top)
        if calibration is None:
            return Channel(zone, 0.0, GUESSED_NOISE * self._top, full_load, 0)
        measured = calibration.zones[index]
        rest, full = measured.rest, measured.full
        if self._falling:
            rest = self._top - rest
            full = None if full is None else self._top - full
        if full is not None:
            full_load = load(self._sensor, full)
        return Channel(zone, rest, measured.noise, full_load, MEASURED_VISITS)

    def _level(self, one: Channel) -> None:
        """Set a zone's levels from its rest and noise, and arm its wake level."""
        zone, top = one.zone, self._top
        if self._sensor.type is SensorType.SWITCH:
            zone.rest_load, zone.scale, zone.onset_level, zone.wake_load = 0.0, 1.0, 0.5, 0.5
            self._wake[zone.channel] = top // 2
            return
        rest_load = load(self._sensor, one.rest)
        span = max(one.full_load - rest_load, LEAST_SPAN_SHARE * one.full_load)
        zone.rest_load = rest_load
        zone.scale = 1.0 / span
        noise_load = (load(self._sensor, one.rest + one.noise) - rest_load) / span
        zone.onset_level = max(self._settings.threshold, ONSET_SIGMAS * noise_load)
        wake = int(one.rest + max(WAKE_SIGMAS * one.noise, WAKE_SHARE * top))
        zone.wake_load = (load(self._sensor, wake) - rest_load) / span
        self._wake[zone.channel] = top - wake if self._falling else wake


def _falls(calibration: Calibration) -> bool:
    """Whether readings fall under load: where most of the zones pressed say so."""
    pressed = [zone for zone in calibration.zones if zone.full is not None]
    return 2 * sum(zone.full < zone.rest for zone in pressed if zone.full is not None) > len(
        pressed
    )


def link_neighbours(
    zones: Sequence[Zone], places: Sequence[tuple[float, float]], reach_cm: float
) -> None:
    """Tell each zone which others may leak into it: those near it, and those of its converter."""
    for zone in zones:
        x_cm, y_cm = places[zone.index]
        away = {
            other: hypot(places[other.index][0] - x_cm, places[other.index][1] - y_cm)
            for other in zones
            if other is not zone
        }
        apart = [distance for distance in away.values() if distance > 0.0]
        reach = reach_cm or NEXT_SHARE * min(apart, default=0.0)
        group = zone.channel // CONVERTER_CHANNELS
        zone.neighbours = tuple(
            other
            for other, distance in away.items()
            if 0.0 < distance <= reach or other.channel // CONVERTER_CHANNELS == group
        )
