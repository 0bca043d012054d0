"""What a zone reads with nothing on it, followed slowly, and the levels that come of it.

    the reading is       the rest follows it
    -------------------  --------------------------------------------------------------
    within noise         slowly (`rest_follow_s`): a mat that warms up, a carpet that settles
    above it             as slowly, while the load is under the onset level and no leakage
    below it             within FALL_S; at once when it stays there for FALLEN_VISITS
    of a touched zone    not at all

Before the rest is known the first visits count more: each as much as all those before it. Noise is
followed by how far every second reading is off the one before it at least, so that neither a slow
change nor a spike or strike pulls at it.

Everything is in readings that rise with load; what the board sends may fall (see detector.py).
"""

from __future__ import annotations

from dataclasses import replace

from matbridge.sensing.calibration import ZoneCalibration
from matbridge.sensing.crosstalk import force, is_beside_a_touch
from matbridge.sensing.law import DEFAULT_FULL, FULL_SHARE, load, most_load, reading
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.zone import AGAIN_SHARE, State, Zone

# Contact shows this many standard deviations above rest, and at least this share of full scale.
WAKE_SIGMAS = 5.0
WAKE_SHARE = 0.004

# A touch stands out from rest by at least this many standard deviations.
ONSET_SIGMAS = 8.0

# A soft press, as calibrated, is well above the onset level.
SOFT_SHARE = 0.5

# Leaks are measured with the harder presses of a zone, mostly a little short of the full one.
LEAK_LOAD = 0.8

# Noise of a zone that was never measured, as a share of full scale; and of any zone at least that
# of rounding alone, in readings: a step's uniform spread, 1 / sqrt(12).
GUESSED_NOISE = 0.001
LEAST_NOISE = 0.29

# A full press is never nearer to rest than this share of the full range's load, lest a zone whose
# rest has moved up turns noise into touches.
LEAST_SPAN_SHARE = 0.05

# A rest that was measured counts for this many visits.
MEASURED_VISITS = 100

FALL_S = 1.0
FALLEN_VISITS = 3

# Noise is followed by this share of itself a visit. Half the differences of two readings of normal
# noise are within so many standard deviations of one: 0.6745 times the root of two.
NOISE_STEP = 0.02
MEDIAN_STEP_SIGMAS = 0.954

# A reading this many standard deviations off, and a step more, is not one of rest.
FAR_SIGMAS = 5.0


class Baseline:
    """The rest, the noise and the levels of one zone.

    wake_reading: readings above it wake the zone.
    """

    __slots__ = ("_fallen", "_full_load", "_guessed_noise", "_last", "_leak", "_most_load", "_seen",
                 "_sensor", "_settings", "_soft", "noise", "rest", "wake_reading",
                 "zone")  # fmt: skip

    def __init__(
        self,
        zone: Zone,
        sensor: SensorSpec,
        settings: SensingSettings,
        measured: ZoneCalibration | None,
    ) -> None:
        top = (1 << sensor.bits) - 1
        self.zone = zone
        self._sensor = sensor
        self._settings = settings
        self._fallen = 0
        self._soft: float | None = None
        self._leak: float | None = None
        self._full_load = load(sensor, DEFAULT_FULL * top)
        self.rest = 0.0
        self._guessed_noise = max(GUESSED_NOISE * top, LEAST_NOISE)
        self.noise = self._guessed_noise
        self._seen = 0
        self._last = -1  # the reading of the last visit, if it was at rest then as well
        if measured is not None:
            self.rest, self.noise = measured.rest, max(measured.noise, LEAST_NOISE)
            self._soft = measured.soft
            self._leak = measured.leak
            self._seen = MEASURED_VISITS
            if measured.full is not None:
                self._full_load = load(sensor, min(measured.full, FULL_SHARE * top))
        self._most_load = most_load(sensor, self._full_load)
        self.set_levels()

    @property
    def known(self) -> bool:
        """Whether the rest has been measured, or seen for as long as counts."""
        return self._seen >= MEASURED_VISITS

    @property
    def noise_under_load(self) -> float:
        """At least what any zone is guessed to have: resting at 0, it shows none that it has."""
        return max(self.noise, self._guessed_noise)

    @property
    def leak(self) -> float | None:
        """What share of its force its nearest feel, as calibrated; None if it was not."""
        if self._leak is None:
            return None
        zone = self.zone
        return force(zone, self._leak * LEAK_LOAD) / force(zone, LEAK_LOAD)

    @property
    def least_reading(self) -> float:
        """What the zone reads at least when it is well; 0 if that is not known."""
        if not self.known:
            return 0.0
        return max(0.0, self.rest - FAR_SIGMAS * self.noise - 1.0)

    @property
    def onset_reading(self) -> float:
        """The reading at the onset level."""
        zone = self.zone
        return reading(self._sensor, zone.rest_load + zone.onset_level / zone.scale)

    def start_at(self, reading: int) -> None:
        """Take the first reading of a zone that was not measured for its rest."""
        self.rest = float(reading)
        self.set_levels()

    def visit(self, reading: int, since_s: float) -> None:
        """Follow a reading of a zone that is not held, `since_s` after the visit before."""
        if self._sensor.type is SensorType.SWITCH:
            return
        zone = self.zone
        away = reading - self.rest
        self._seen += 1
        first = 1.0 / (self._seen + 1)
        gain = max(min(1.0, since_s / self._settings.rest_follow_s), first)
        if away < -FAR_SIGMAS * self.noise - 1.0:
            self._fallen += 1
            gone = self._fallen >= FALLEN_VISITS
            gain = 1.0 if gone else max(gain, min(1.0, since_s / FALL_S))
        else:
            self._fallen = 0
        if zone.load >= zone.onset_level or (zone.state is State.FAINT and is_beside_a_touch(zone)):
            self._last = -1
            return
        self.rest += away * gain
        if zone.state is State.FAINT:
            self._last = -1
        else:
            if self._last >= 0:
                self._follow_noise(abs(reading - self._last), first)
            self._last = reading
        if zone.state is not State.RISING:
            self.set_levels()

    def _follow_noise(self, step: float, first: float) -> None:
        gain = max(NOISE_STEP, first)
        if step > MEDIAN_STEP_SIGMAS * self.noise:
            self.noise *= 1.0 + gain
        else:
            self.noise = max(self.noise * (1.0 - gain), LEAST_NOISE)

    def set_levels(self) -> None:
        """Give the zone its levels; not while it rises or is held."""
        zone, sensor = self.zone, self._sensor
        top = (1 << sensor.bits) - 1
        if sensor.type is SensorType.SWITCH:
            self.wake_reading = top // 2
            zone.rest_load, zone.scale, zone.onset_level, zone.wake_load = 0.0, 1.0, 0.5, 0.5
            return
        self.wake_reading = int(self.rest + max(WAKE_SIGMAS * self.noise, WAKE_SHARE * top))
        rest_load = load(sensor, self.rest)
        span = max(self._full_load - rest_load, LEAST_SPAN_SHARE * self._full_load)
        zone.rest_load = rest_load
        zone.scale = 1.0 / span
        noise_load = (load(sensor, self.rest + self.noise) - rest_load) / span
        threshold = self._settings.threshold
        if self._soft is not None:
            threshold = min(threshold, SOFT_SHARE * (load(sensor, self._soft) - rest_load) / span)
        zone.onset_level = max(threshold, ONSET_SIGMAS * noise_load)
        zone.most_load = self._most_load / span
        zone.again_rise = max(AGAIN_SHARE * self._settings.strike_share, zone.onset_level)
        zone.wake_load = (load(sensor, self.wake_reading) - rest_load) / span


def mirrored(measured: ZoneCalibration, top: int) -> ZoneCalibration:
    """A calibration whose readings fall with load, as one whose readings rise."""
    return replace(
        measured,
        rest=top - measured.rest,
        soft=None if measured.soft is None else top - measured.soft,
        full=None if measured.full is None else top - measured.full,
    )
