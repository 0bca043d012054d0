"""One zone: the machine that turns its readings into touches.

    state      meaning                              leaves it when                      goes to
    ---------  -----------------------------------  ----------------------------------  -----------
    REST       nothing on it; its rest is followed  a reading is above the wake level   RISING
    RISING     contact; the window is open, or the  window over and load at the onset   HELD, ONSET
               load is still too small for a touch    level, not a neighbour's leakage
                                                    the same, but it is leakage         SHADOWED
                                                    back under the wake level           REST
    SHADOWED   moves with a stronger neighbour      it outgrows the neighbour's         HELD, ONSET
                                                      leakage
                                                    back under the onset level          RELEASED
    HELD       touched                              under the lift level                RELEASED,
                                                                                          LIFT
                                                    a fast rise out of a dip            HELD, LIFT
                                                                                          and ONSET
    RELEASED   let go, and still creeping back      a rise above its residue,           RISING
                                                      hold-off over
                                                    at rest again, or creeping on       REST

Rules: an ONSET is decided a fixed time after contact, which is reckoned back from the first
readings above the wake level, so that all strikes come equally late; contact too soft for a touch
may come later. Everything while awake is in load (shares of a full press above rest); only the wake
level is in readings. HELD with `sounding` false is a load found at the start: it sounds nothing,
and owes no LIFT.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable
from enum import Enum

from matbridge.sensing.rules import Rules, top_speed
from matbridge.sensing.touch import Touch, TouchKind, VelocitySource

# A wake level that no reading reaches, for zones that are stepped anyway.
NEVER = 1 << 30

# A dip and the rise out of it are looked for in the last one to two of these.
DIP_S = 0.02

# A new strike on a held zone comes out of a dip to this share of the recent peak, or lower; the dip
# between heel and toe of a walking foot is shallower.
DIP_SHARE = 0.6

# A rise that has not become a touch keeps this many scans to reckon its speed from.
HISTORY = 64

# Contact is reckoned back by no more than this.
REACH_BACK_S = 0.002

# A released sensor creeps back; after this its residue is its rest.
CREEP_S = 1.0

ONSET, PRESSURE, LIFT = TouchKind.ONSET, TouchKind.PRESSURE, TouchKind.LIFT


class State(Enum):
    """See the table of the module."""

    REST = "rest"
    RISING = "rising"
    SHADOWED = "shadowed"
    HELD = "held"
    RELEASED = "released"


class Shared:
    """Where the zones of a detector leave what a scan brings: touches, and zones to be decided."""

    __slots__ = ("due", "touches")

    def __init__(self) -> None:
        self.due: list[Zone] = []
        self.touches: list[Touch] = []


class Zone:
    """The machine of one zone. `step` is called with every scan while it is awake."""

    __slots__ = (
        "above",
        "base",
        "channel",
        "contact_s",
        "decide_s",
        "due",
        "half_s",
        "index",
        "lift_level",
        "load",
        "loads",
        "low",
        "low_before",
        "neighbours",
        "onset_level",
        "onset_s",
        "peak",
        "pressure",
        "pressure_sent",
        "pressure_wanted",
        "rest_load",
        "rules",
        "scale",
        "sounding",
        "source",
        "state",
        "step",
        "table",
        "times_s",
        "touches",
        "turn_s",
        "under",
        "wake_load",
        "window_s",
    )

    def __init__(
        self, index: int, channel: int, rules: Rules, table: array[float], shared: Shared
    ) -> None:
        self.index = index
        self.channel = channel
        self.rules = rules
        self.table = table
        self.due = shared.due
        self.touches = shared.touches
        self.neighbours: tuple[Zone, ...] = ()
        self.source = VelocitySource.PEAK
        self.window_s = rules.peak_window_s
        self.pressure_wanted = True
        # set by `levels`
        self.rest_load = 0.0
        self.scale = 1.0
        self.onset_level = 1.0
        self.wake_load = 1.0
        # of the touch under way
        self.load = 0.0
        self.base = 0.0
        self.peak = 0.0
        self.lift_level = 0.0
        self.above = 0
        self.under = 0
        self.contact_s = 0.0
        self.decide_s = 0.0
        self.onset_s = -1.0e9
        self.half_s = 0.0
        self.turn_s = 0.0
        self.low = 0.0
        self.low_before = 0.0
        self.times_s: list[float] = []
        self.loads: list[float] = []
        self.pressure = 0.0
        self.pressure_sent = 0.0
        self.sounding = False
        self.state = State.REST
        self.step: Callable[[float, int], None] = self._rest

    # What the detector calls

    def set_source(self, source: VelocitySource) -> None:
        self.source = source
        self.window_s = self.rules.window_s(source)

    def wake(self, time_s: float, reading: int, before_s: float, before: int) -> None:
        """Contact: `reading` at `time_s` is above the wake level, `before` was not."""
        load = (self.table[reading] - self.rest_load) * self.scale
        self.load = load
        self._rise(time_s, load, before_s, (self.table[before] - self.rest_load) * self.scale, 0.0)

    def find_loaded(self, time_s: float, reading: int) -> None:
        """Something is on the zone at the start: it is held, and sounds nothing."""
        self.load = (self.table[reading] - self.rest_load) * self.scale
        self.sounding = False
        self._hold(time_s, self.load)

    def let_go(self, time_s: float) -> None:
        """End the touch that sounds, if any, and be at rest."""
        if self.sounding:
            self.touches.append(Touch(LIFT, self.index, time_s, 0.0))
            self.sounding = False
        self.state = State.REST
        self.step = self._rest
        self.load = 0.0

    def shift(self, by_s: float) -> None:
        """The clock was set: move every time that is remembered."""
        self.contact_s += by_s
        self.decide_s += by_s
        self.onset_s += by_s
        self.half_s += by_s
        self.turn_s += by_s
        self.times_s = [time_s + by_s for time_s in self.times_s]

    def fade(self, share: float) -> None:
        """Let the recent peak come down towards the present load."""
        if self.load < self.peak:
            self.peak += (self.load - self.peak) * share
            self.lift_level = max(self.onset_level * 0.6, self.rules.lift_share * self.peak)

    def rise_now(self) -> float:
        """How much the load has grown within the last DIP_S to 2 DIP_S."""
        low = self.low if self.low < self.low_before else self.low_before
        return self.load - low

    # The states

    def _rest(self, time_s: float, reading: int) -> None:
        """At rest there is nothing to step."""

    def _rise(
        self, time_s: float, load: float, before_s: float, before: float, base: float
    ) -> None:
        before = max(before, base)
        self.base = base
        self.peak = load
        self.above = 1 if load - base >= self.onset_level else 0
        self.under = 0
        self.low = self.low_before = base
        self.turn_s = time_s + DIP_S
        self.times_s = [before_s, time_s]
        self.loads = [before, load]
        self._reckon_contact(before_s, before, time_s, load)
        self.state = State.RISING
        self.step = self._rising

    def _reckon_contact(self, before_s: float, before: float, time_s: float, load: float) -> None:
        """Where the line through two loads leaves the base; the window opens there."""
        earliest_s = self.times_s[0] - REACH_BACK_S
        if load > before:
            contact_s = before_s - (before - self.base) * (time_s - before_s) / (load - before)
            contact_s = min(max(contact_s, earliest_s), self.times_s[1])
        else:
            contact_s = self.times_s[0]
        self.contact_s = contact_s
        # To the nearest scan, not the next.
        self.decide_s = contact_s + self.window_s - (time_s - before_s) / 2

    def _rising(self, time_s: float, reading: int) -> None:
        load = (self.table[reading] - self.rest_load) * self.scale
        times_s, loads = self.times_s, self.loads
        if len(times_s) == 2:
            self._reckon_contact(times_s[1], self.load, time_s, load)
        elif len(times_s) >= HISTORY:
            del times_s[: HISTORY // 2], loads[: HISTORY // 2]
        times_s.append(time_s)
        loads.append(load)
        self.load = load
        if load > self.peak:
            self.peak = load
        net = load - self.base
        if net >= self.onset_level:
            self.above += 1
            self.under = 0
        elif net < self.wake_load:
            self.under += 1
            if self.under > self.rules.debounce_scans and self.above <= self.rules.debounce_scans:
                self._settle()
                return
        else:
            self.under = 0
        if time_s >= self.turn_s:
            self.low_before, self.low, self.turn_s = self.low, load, time_s + DIP_S
        elif load < self.low:
            self.low = load
        if time_s >= self.decide_s and self.above > self.rules.debounce_scans:
            self.due.append(self)

    def decide(self, time_s: float) -> None:
        """Touch or leakage: asked once every zone of the scan has been stepped."""
        if not self._leaks():
            self._strike(time_s)
        elif self.state is State.RISING:
            self.state = State.SHADOWED
            self.step = self._shadowed

    def _leaks(self) -> bool:
        """Whether all that is felt here may be a neighbour's load, felt through the mat."""
        ratio = self.rules.crosstalk
        if ratio:
            rise, load = self.peak - min(self.low, self.low_before), self.load
            sudden = rise >= self.onset_level
            for other in self.neighbours:
                if other.state is State.REST or load >= ratio * other.load:
                    continue
                if not sudden or rise < ratio * other.rise_now():
                    return True
        return False

    def _strike(self, time_s: float) -> None:
        speed = top_speed(self.times_s, self.loads)
        value = self.rules.strike_value(self.source, self.peak - self.base, speed)
        self.touches.append(Touch(ONSET, self.index, self.contact_s, value))
        self.sounding = True
        self.onset_s = self.contact_s
        self._hold(time_s, self.peak)

    def _hold(self, time_s: float, peak: float) -> None:
        self.peak = peak
        self.lift_level = max(self.onset_level * 0.6, self.rules.lift_share * peak)
        self.pressure = self.load
        self.pressure_sent = -1.0
        self.under = 0
        self.half_s = time_s
        self.low = self.low_before = self.load
        self.turn_s = time_s + DIP_S
        self.state = State.HELD
        self.step = self._held

    def _held(self, time_s: float, reading: int) -> None:
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        if load < self.lift_level:
            self.under += 1
            if self.under > self.rules.debounce_scans:
                self._lift(time_s)
                return
        else:
            self.under = 0
            if load > self.peak:
                self.peak = load
                level = self.rules.lift_share * load
                if level > self.lift_level:
                    self.lift_level = level
            if load + load > self.peak:
                self.half_s = time_s
        if time_s >= self.turn_s:
            self.low_before, self.low, self.turn_s = self.low, load, time_s + DIP_S
        elif load < self.low:
            self.low = load
        low = self.low if self.low < self.low_before else self.low_before
        if load - low > self.rules.strike_share and low < DIP_SHARE * self.peak:
            self._strike_again(time_s, low)
            return
        if self.pressure_wanted and self.sounding:
            pressure = self.pressure = self.pressure + (load - self.pressure) * self.rules.follow
            change = pressure - self.pressure_sent
            step = self.rules.pressure_step
            if change >= step or change <= -step:
                self.pressure_sent = pressure
                value = 0.0 if pressure < 0.0 else 1.0 if pressure > 1.0 else pressure
                self.touches.append(Touch(PRESSURE, self.index, time_s, value))

    def _strike_again(self, time_s: float, low: float) -> None:
        if time_s - self.onset_s < self.rules.hold_off_s:
            return
        if self.sounding:
            self.touches.append(Touch(LIFT, self.index, time_s, 0.0))
        speed = (self.load - low) / DIP_S
        value = self.rules.strike_value(self.source, self.load - low, speed)
        self.touches.append(Touch(ONSET, self.index, time_s, value))
        self.sounding = True
        self.onset_s = time_s
        self._hold(time_s, self.load)

    def _lift(self, time_s: float) -> None:
        if self.sounding:
            fallen = max(self.peak / 2 - self.load, 0.0)
            speed = fallen / max(time_s - self.half_s, 0.001)
            value = self.rules.speed_value(speed)
            self.touches.append(Touch(LIFT, self.index, time_s, value))
            self.sounding = False
        self._release(time_s)

    def _release(self, time_s: float) -> None:
        self.low = self.load
        self.under = 0
        self.turn_s = time_s + CREEP_S
        self.times_s = [time_s]
        self.loads = [self.load]
        self.state = State.RELEASED
        self.step = self._released

    def _released(self, time_s: float, reading: int) -> None:
        before_s, before = self.times_s[0], self.load
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        self.times_s[0] = time_s
        if load < self.low:
            self.low = load
        residue = max(self.low, 0.0)
        if load < self.wake_load:
            self.under += 1
            if self.under > self.rules.debounce_scans:
                self._settle()
        elif load > residue * 1.25 + self.onset_level:
            if time_s - self.onset_s >= self.rules.hold_off_s:
                self._rise(time_s, load, before_s, before, residue)
        elif time_s >= self.turn_s:
            self._settle()

    def _shadowed(self, time_s: float, reading: int) -> None:
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        if time_s >= self.turn_s:
            self.low_before, self.low, self.turn_s = self.low, load, time_s + DIP_S
        elif load < self.low:
            self.low = load
        if load < self.onset_level * 0.6:
            self.under += 1
            if self.under > self.rules.debounce_scans:
                self._release(time_s)
            return
        self.under = 0
        self.peak = load
        if load >= self.onset_level:
            self.times_s = [time_s - DIP_S, time_s]
            self.loads = [min(self.low, self.low_before), load]
            self.contact_s = time_s
            self.due.append(self)

    def _settle(self) -> None:
        self.state = State.REST
        self.step = self._rest
