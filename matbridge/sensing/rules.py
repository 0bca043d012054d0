"""The settings, compiled once into what the zones' machines compare and multiply with."""

from __future__ import annotations

from math import inf, log

from matbridge.sensing.law import force_power
from matbridge.sensing.rise import Rise
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import VelocitySource

# An onset's value is above 0 by contract; this is the softest, under the first of 127 steps.
SOFTEST = 0.004

# Time constant of the low-pass of pressure: takes the noise off, and adds less than a scan window.
PRESSURE_SMOOTHING_S = 0.005

# The period of the scans is followed by this share a visit: a mean over some twenty of them.
PERIOD_GAIN = 0.05

# Contact that broke within a scan is given this long to come back before the touch is ended; a lift
# may be no later than 60 ms.
MEND_S = 0.025

# From its third scan on, a rise that grows in one scan by this many times all it had grown before
# is another: a strike's load goes at most with the square of time. Touch chips give theirs in
# steps.
KINK = 2.5

# A switch tells no force, only time: onsets this far apart, or closer, on whatever zones, play
# loudest; so far apart, or farther, at this value (common practice of pads without sensing: fast
# passages play louder; the figures are our choice).
FAST_PACE_S = 0.1
SLOW_PACE_S = 1.0
SLOW_PACE_VALUE = 0.3

# A switch bounces for less than this when it opens.
SWITCH_BOUNCE_S = 0.012


class Rules:
    """Shared by all zones of a detector. Times in seconds; loads as shares of a full press.

    follow: gain of the pressure's low-pass for one scan, kept for the period of the scans.
    """

    __slots__ = (
        "debounce_scans",
        "follow",
        "force_power",
        "hold_off_s",
        "kink",
        "lift_share",
        "mend_s",
        "object_after_s",
        "peak_window_s",
        "period_s",
        "pressure_step",
        "rest_follow_s",
        "rise_window_s",
        "slow_rise_s",
        "speed_range",
        "strike_share",
        "switch",
    )

    def __init__(self, settings: SensingSettings, sensor: SensorSpec) -> None:
        self.peak_window_s = settings.peak_window_ms / 1000
        self.rise_window_s = settings.rise_window_ms / 1000
        self.hold_off_s = settings.hold_off_ms / 1000
        self.debounce_scans = settings.debounce_scans
        self.lift_share = settings.lift_share
        self.strike_share = settings.strike_share
        self.object_after_s = settings.object_after_s
        self.rest_follow_s = settings.rest_follow_s
        self.pressure_step = settings.pressure_step
        self.slow_rise_s = settings.slow_rise_ms / 1000
        fast_rise_s = min(settings.fast_rise_ms / 1000, self.slow_rise_s / 2)
        self.speed_range = log(self.slow_rise_s / fast_rise_s)
        self.force_power = force_power(sensor)
        self.switch = sensor.type is SensorType.SWITCH
        self.kink = KINK if sensor.type is SensorType.FORCE else inf
        self.mend_s = SWITCH_BOUNCE_S if self.switch else MEND_S
        self.period_s = 0.0
        self.follow = 1.0

    def window_s(self, source: VelocitySource) -> float:
        """How long after contact an onset with this source is decided."""
        if source is VelocitySource.FIXED or self.switch:
            return 0.0
        if source is VelocitySource.RISE:
            return self.rise_window_s
        return self.peak_window_s

    def meet_period(self, period_s: float) -> None:
        """Follow the time between two scans."""
        known_s = self.period_s or period_s
        self.period_s = period_s = known_s + (period_s - known_s) * PERIOD_GAIN
        self.follow = period_s / (period_s + PRESSURE_SMOOTHING_S)

    def speed_value(self, load_per_s: float) -> float:
        """0 to 1 for a speed in full presses a second, by its logarithm."""
        times = load_per_s * self.slow_rise_s
        if times <= 1.0:
            return 0.0
        return min(1.0, log(times) / self.speed_range)

    def pace_value(self, gap_s: float) -> float:
        """The value of an onset of a switch, `gap_s` after the one before."""
        if gap_s >= SLOW_PACE_S:
            return SLOW_PACE_VALUE
        haste = log(SLOW_PACE_S / max(gap_s, FAST_PACE_S)) / log(SLOW_PACE_S / FAST_PACE_S)
        return SLOW_PACE_VALUE + (1.0 - SLOW_PACE_VALUE) * haste

    def strike_value(self, source: VelocitySource, rise: Rise, load_per_s: float) -> float:
        """The value of an onset: above 0, at most 1, and no less for a harder or faster strike."""
        if source is VelocitySource.RISE:
            value = self.speed_value(load_per_s)
        elif source is VelocitySource.PEAK:
            value = rise.height()
        elif source is VelocitySource.BOTH:
            value = (min(rise.height(), 1.0) + self.speed_value(load_per_s)) / 2
        else:
            return 1.0
        return min(max(value, SOFTEST), 1.0)
