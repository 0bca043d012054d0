"""What the mat file says about its sensors and how to read them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class SensorType(StrEnum):
    """What lies under a zone.

    FORCE is a force-sensitive resistor in a divider, linearised; LEVEL the reading as it is;
    SWITCH on or off: a reading of more than half of full scale is on.
    """

    FORCE = "force"
    LEVEL = "level"
    SWITCH = "switch"


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """The sensor under every zone, and the converter that reads it.

    bits: width of a reading, 1-16. fixed_resistor_ohm: the divider's fixed part, for FORCE.
    """

    type: SensorType
    bits: int
    fixed_resistor_ohm: float


@dataclass(frozen=True, slots=True)
class SensingSettings:
    """How touches are told from readings. The defaults suit a foot mat.

    Loads are shares of a zone's full press, as calibrated; times are in milliseconds or seconds of
    scan time. Every setting trades one thing for another:

    threshold (0.001 to 0.9): least load that is a touch. Lower hears softer touches and more of
        what is none: leakage, a carpet that moves. Noise raises it where it must.
    peak_window_ms (0 to 50): how long after contact an onset waits for its peak, with velocity
        from peak or both. Longer tells strikes apart better, and every note comes later by as much.
    rise_window_ms (0 to 50): the same for velocity from rise, which needs less of the strike.
    slow_rise_ms, fast_rise_ms (0.5 to 1000): time to a full press, at the speed of the first rise,
        that plays softest and loudest. Farther apart covers more kinds of strike and leaves fewer
        steps of velocity to each.
    debounce_scans (0 to 10): how many more scans must agree before a touch begins or ends. More
        stands worse contacts, and is slower by a scan each.
    hold_off_ms (0 to 500): how long after an onset the zone takes no other. Longer ends doubles
        from a mat that rings, and loses the fastest repeats.
    lift_share (0.02 to 0.9): a touch ends under this share of its recent highest load. Higher lets
        go sooner of a sensor that creeps, lower holds on through a deeper shift of weight.
    strike_share (0.05 to 1): a rise of this share of full press, fast and out of a dip, is a new
        strike on a held zone. Lower catches softer ones, higher leaves heel and toe one touch.
    crosstalk (0 to 0.9): share of a strike's force that zones 15 cm away may feel; what is no more
        than that, or than calibration saw, is leakage. Higher stands a stiffer mat, and loses
        soft touches struck together with hard ones. 0: every touch sounds, and so does leakage.
    crosstalk_reach_cm (1 to 1000): distance that halves that share. Longer stands a stiffer mat,
        and loses soft touches farther from hard ones.
    object_after_s (1 to 3600): what lies this long without moving is no foot: it stops sounding
        and is the new rest. Shorter frees a zone sooner, longer lets a very still foot hold on.
    rest_follow_s (1 to 3600): time constant at which the rest follows readings that rise. Shorter
        follows a mat that warms up or settles, longer notices the slowest touch.
    pressure_step (0.001 to 0.5): least change of load that is news while held. Smaller is
        smoother, and more messages.
    """

    threshold: float = 0.03
    peak_window_ms: float = 5.0
    rise_window_ms: float = 5.0
    slow_rise_ms: float = 200.0
    fast_rise_ms: float = 2.0
    debounce_scans: int = 1
    hold_off_ms: float = 40.0
    lift_share: float = 0.2
    strike_share: float = 0.25
    crosstalk: float = 0.07
    crosstalk_reach_cm: float = 10.0
    object_after_s: float = 30.0
    rest_follow_s: float = 30.0
    pressure_step: float = 0.01
