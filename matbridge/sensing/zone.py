"""One zone: the machine that turns its readings into touches.

    state   meaning                               leaves it when                      goes to
    ------  ------------------------------------  ----------------------------------  ------------
    REST    nothing on it; its rest is followed   a reading is above the wake level   RISING
    RISING  contact; the window is open, or what  window over, load at the onset      HELD, ONSET
            there is of load still grows            level, and no neighbour's leak
                                                  the same, but it is leakage         FAINT
                                                  it stops growing, too soft          FAINT
                                                  back under the wake level           REST
    FAINT   loaded but not touched: leakage, a    a quick rise, hold-off over         RISING
            residue after a lift, a brush, an     slowly grown to more than that      HELD, ONSET
            object                                back under the wake level           REST
    HELD    touched                               a quick rise out of a dip           AGAIN
                                                  under the lift level; or a quick    FAINT, LIFT
                                                    drop to what leaks in
                                                  a load that keeps still too long    FAINT, LIFT
    AGAIN   touched, and perhaps struck anew      window over, risen by enough, and   HELD, LIFT
                                                    no neighbour's leak                 and ONSET
                                                  not so, or too slowly               HELD
                                                  under the lift level                FAINT, LIFT
    MUTED   out of order (faults.py)              in order again                      REST
    any     the board went away                                                       REST
            a fault is found                                                          MUTED

Rules: HELD and AGAIN are what sounds: an ONSET begins it, and a LIFT ends it, always. An ONSET is
decided a fixed time after contact, which is reckoned back from the first loads above the wake
level, so that all strikes come equally late; contact too soft for a touch may become one later.
Loads are shares of a full press above rest; only the wake level is in readings.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable
from enum import Enum

from matbridge.sensing.law import force
from matbridge.sensing.rules import Rules, top_speed
from matbridge.sensing.touch import Touch, TouchKind, VelocitySource

# A wake level that no reading reaches, for zones that are stepped anyway.
NEVER = 1 << 30

# What has risen "quickly" has done so within the last one to two of these.
QUICK_S = 0.01

# A load has dipped once it is under this share of its recent crest: what rises quickly from then on
# is not the same strike any more.
DIP_SHARE = 0.8

# Out of a dip, a quick rise by this share of a new strike's opens the window for one; it must be
# complete so soon. A foot that rolls from heel to toe takes several times as long.
AGAIN_SHARE = 0.3
AGAIN_S = 0.03

# What remains after a lift creeps, and shakes with the mat, within this share of itself.
RESIDUE_SHARE = 0.25

# A touch ends no higher than at this share of the onset level, whatever its peak was.
RELEASE_SHARE = 0.6

# Hands and feet take ten milliseconds and more to leave; what falls this far in a scan no longer
# than that has lost contact in its wire.
BREAK_S = 0.003
BREAK_SHARE = 0.6
BREAK_LOAD = 0.05

# Between twice the lift level and the lift level a foot that leaves takes less than this. One that
# is taken off more slowly ends at a lower level, lest its touch end long before it has left.
SLOW_S = 0.03
SLOW_SHARE = 0.15

# A foot or hand that leaves drops to less than this within a few turns of the quick window, and
# what is left then changes by no more than that from turn to turn.
DROP_SHARE = 0.5
STILL_SHARE = 0.1

# No foot or hand is on a switch for less than this, bouncing and all.
SHORT_S = 0.03

# A rise to less than this many times the wake level is only noise on something small.
STIR_SHARE = 2.5

# A rise keeps this many scans, from which its speed is reckoned.
HISTORY = 64

# The hardest strike of a foot has reached its crest by then.
STRIKE_S = 0.05

# Of a load beyond what the converter tells apart, there may be so many times as much.
CLIPPED = 2.0

# Contact is reckoned back by no more than this.
REACH_BACK_S = 0.002

ONSET, PRESSURE, LIFT = TouchKind.ONSET, TouchKind.PRESSURE, TouchKind.LIFT


class State(Enum):
    """See the table of the module."""

    REST = "rest"
    RISING = "rising"
    FAINT = "faint"
    HELD = "held"
    AGAIN = "again"
    MUTED = "muted"


class Shared:
    """Where the zones of a detector leave what a scan brings: touches, and zones to be decided."""

    __slots__ = ("due", "touches")

    def __init__(self) -> None:
        self.due: list[Zone] = []
        self.touches: list[Touch] = []


class Zone:
    """The machine of one zone. `step` is called with every scan while it is awake."""

    __slots__ = (
        "above", "again_rise", "base", "beneath", "breaks", "channel", "contact_s", "crest",
        "decide_s", "dipped", "due", "grown_s", "half_s", "index", "lift_level", "load", "loads",
        "low", "low_before", "mend_s", "most_load", "neighbours", "onset_level", "onset_s", "past",
        "peak", "pressure", "pressure_sent", "pressure_wanted", "residue", "rest_load", "rules",
        "scale", "slow", "source", "state", "step", "stirs", "table", "times_s", "touches",
        "turn_s", "under", "wake_load", "window_s",
    )  # fmt: skip

    def __init__(
        self, index: int, channel: int, rules: Rules, table: array[float], shared: Shared
    ) -> None:
        self.index = index
        self.channel = channel
        self.rules = rules
        self.table = table
        self.due = shared.due
        self.touches = shared.touches
        self.neighbours: tuple[tuple[Zone, float], ...] = ()  # and how much of each it may feel
        self.source = VelocitySource.PEAK
        self.window_s = rules.peak_window_s
        self.pressure_wanted = True
        self.breaks = 0  # how often contact broke off within a scan
        self.stirs = 0  # how often it woke, and came to nothing
        # levels, set from outside while at rest
        self.rest_load = 0.0
        self.scale = 1.0
        self.onset_level = 1.0
        self.again_rise = 1.0
        self.most_load = 1.0
        self.wake_load = 1.0
        # every state but REST
        self.load = 0.0
        self.low = 0.0  # lowest load since the last turn of the quick window,
        self.low_before = 0.0  # and in the window before it
        self.turn_s = 0.0
        self.above = 0
        self.under = 0
        # RISING, AGAIN
        self.base = 0.0
        self.peak = 0.0
        self.contact_s = 0.0
        self.decide_s = 0.0
        self.grown_s = 0.0
        self.times_s: list[float] = []
        self.loads: list[float] = []
        # FAINT
        self.residue = 0.0
        # HELD, AGAIN
        self.beneath = 0.0  # what lay on it before the touch
        self.crest = 0.0
        self.lift_level = 0.0
        self.dipped = False
        self.slow = False
        self.half_s = 0.0
        self.mend_s = 0.0
        self.past = [0.0] * 4  # loads at the last turns of the quick window
        self.pressure = 0.0
        self.pressure_sent = 0.0
        self.onset_s = -1.0e9
        self.state = State.REST
        self.step: Callable[[float, int], None] = self._rest

    # What the detector calls

    def set_source(self, source: VelocitySource) -> None:
        self.source = source
        self.window_s = self.rules.window_s(source)

    def wake(self, time_s: float, reading: int, before_s: float, before: int) -> None:
        """Contact: `reading` at `time_s` is above the wake level, `before` was not."""
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        before_load = (self.table[before] - self.rest_load) * self.scale
        self.low = self.low_before = max(0.0, before_load)
        self.residue = 0.0
        self.turn_s = time_s + QUICK_S
        self._rise(time_s, load, before_s, before_load, 0.0)

    def find_loaded(self, time_s: float, reading: int) -> None:
        """Something is on the zone at the start, and was not seen to come: no touch."""
        self.load = (self.table[reading] - self.rest_load) * self.scale
        self.residue = max(self.load, 0.0)
        self._faint(time_s)

    def let_go(self, time_s: float) -> None:
        """End the touch, if any, and be at rest."""
        if self.state is State.HELD or self.state is State.AGAIN:
            self.touches.append(Touch(LIFT, self.index, time_s, 0.0))
        self._settle()

    def give_up(self, time_s: float) -> None:
        """What is held has turned out to be no touch: end it, and take its load for a residue."""
        self.touches.append(Touch(LIFT, self.index, time_s, 0.0))
        self.residue = max(self.load, 0.0)
        self._faint(time_s)

    def fade(self, share: float) -> None:
        """Let the recent crest come down towards the present load."""
        if self.load < self.crest:
            self.crest += (self.load - self.crest) * share
            self._set_lift_level()

    def shift(self, by_s: float) -> None:
        """The clock was set: move every time that is remembered."""
        self.contact_s += by_s
        self.decide_s += by_s
        self.grown_s += by_s
        self.onset_s += by_s
        self.half_s += by_s
        self.mend_s += by_s
        self.turn_s += by_s
        self.times_s = [time_s + by_s for time_s in self.times_s]

    def read(self, reading: int) -> None:
        """Take a reading without stepping."""
        self.load = (self.table[reading] - self.rest_load) * self.scale

    def raw_load(self) -> float:
        """The load in units of the law, whatever the part's rest and full press."""
        return self.load / self.scale + self.rest_load

    def quick_low(self) -> float:
        """The lowest load within the last one to two QUICK_S."""
        low, before = self.low, self.low_before
        return low if low < before else before

    def force(self, load: float) -> float:
        """The force of a load above rest, roughly; see `law.force`."""
        return force(load, self.most_load, self.rules.force_power)

    def force_lately(self, time_s: float) -> float:
        """The force it carries, or its crest just after a strike."""
        fresh = time_s - self.onset_s < 2.0 * QUICK_S
        carried = self.force(max(self.load, self.crest) if fresh else self.load)
        return CLIPPED * carried if self._is_clipped() else carried

    def force_risen(self, time_s: float) -> float:
        """How much its force has risen by just now; near saturation, noise alone is no rise."""
        low = self.quick_low()
        if self.load - low < self.onset_level and time_s - self.onset_s >= 2.0 * QUICK_S:
            return 0.0
        return self.force_lately(time_s) - self.force(low)

    def grew_since(self, then_s: float, time_s: float) -> bool:
        """Whether its load has reached a new crest since, or may have beyond what can be told."""
        if self.grown_s > then_s:
            return True
        return self._is_clipped() and time_s - self.onset_s < STRIKE_S

    def _is_clipped(self) -> bool:
        """Whether its load is as much as can be told of it."""
        return self.load >= (self.table[-1] - self.rest_load) * self.scale

    def strike(self, time_s: float) -> None:
        """What rose is a touch."""
        if self.state is State.AGAIN:
            self.touches.append(Touch(LIFT, self.index, self.contact_s, 0.0))
        else:
            self.beneath = self.base
        speed = top_speed(self.times_s, self.loads)
        value = self.rules.strike_value(self.source, self.peak - self.base, speed)
        self.touches.append(Touch(ONSET, self.index, self.contact_s, value))
        self.onset_s = self.contact_s
        self._hold(time_s, self.peak)

    def dismiss(self, time_s: float) -> None:
        """What rose is none."""
        if self.state is State.RISING:
            self._faint(time_s)
        elif self.state is State.AGAIN:
            self._hold_on()
        elif self.state is State.HELD:
            self._lift(time_s)

    def mute(self, time_s: float) -> None:
        """A fault: end the touch, if any, and hear nothing until `unmute`."""
        self.let_go(time_s)
        self.state = State.MUTED

    def unmute(self) -> None:
        self._settle()

    # The states

    def _rest(self, time_s: float, reading: int) -> None:
        """At rest there is nothing to step."""

    def _settle(self) -> None:
        self.load = 0.0
        self.state = State.REST
        self.step = self._rest

    def _rise(
        self, time_s: float, load: float, before_s: float, before: float, base: float
    ) -> None:
        self.above = 1 if load >= self.onset_level + base else 0
        self._open_window(time_s, load, before_s, before, base)
        self.state = State.RISING
        self.step = self._rising

    def _open_window(
        self, time_s: float, load: float, before_s: float, before: float, base: float
    ) -> None:
        self.base = base
        self.peak = load
        self.under = 0
        self.grown_s = time_s
        self.times_s = [before_s, time_s]
        self.loads = [before, load]
        self._reckon_contact(before_s, before, time_s, load)

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

    def _watch_rise(self, time_s: float, load: float) -> None:
        """What RISING and AGAIN keep of every scan."""
        times_s, loads = self.times_s, self.loads
        if len(times_s) == 2:
            self._reckon_contact(times_s[1], self.load, time_s, load)
        elif len(times_s) >= HISTORY:
            del times_s[: HISTORY // 2], loads[: HISTORY // 2]
        times_s.append(time_s)
        loads.append(load)
        self.load = load
        self._follow_low(time_s, load)
        if load > self.peak:
            self.peak = load
            self.grown_s = time_s

    def _follow_low(self, time_s: float, load: float) -> None:
        if time_s >= self.turn_s:
            self.low_before, self.low, self.turn_s = self.low, load, time_s + QUICK_S
        elif load < self.low:
            self.low = load

    def _rising(self, time_s: float, reading: int) -> None:
        before, before_s = self.load, self.times_s[-1]
        load = (self.table[reading] - self.rest_load) * self.scale
        kink = self.rules.kink * (before - self.base) + self.wake_load
        if load - before > kink and len(self.times_s) > 3:
            # Not the strike that it began as: that was a brush, or a neighbour's.
            self.load = load
            self._follow_low(time_s, load)
            self._rise(time_s, load, before_s, before, max(before, 0.0))
            return
        self._watch_rise(time_s, load)
        net = load - self.base
        if net >= self.onset_level:
            self.above += 1
            self.under = 0
        elif net < self.wake_load:
            self.under += 1
            if self.under == 1:
                self._breaks(before, load)
        else:
            self.under = 0
        debounce = self.rules.debounce_scans
        if self.above > debounce:
            if time_s >= self.decide_s:
                self.due.append(self)
        elif self.under > debounce:
            if self.base:
                self._faint(time_s)
            else:
                if self.peak > STIR_SHARE * self.wake_load:
                    self.stirs += 1
                self._settle()
        elif time_s - self.grown_s > QUICK_S and time_s >= self.decide_s:
            self._faint(time_s)

    def _hold(self, time_s: float, crest: float) -> None:
        self.crest = crest
        self.slow = False
        self.past = [0.0, 0.0, 0.0, 0.0]
        self._set_lift_level()
        self.pressure = self.load
        self.pressure_sent = -1.0
        self.dipped = False
        self.half_s = time_s
        self._hold_on()

    def _hold_on(self) -> None:
        self.under = 0
        self.state = State.HELD
        self.step = self._held

    def _breaks(self, before: float, load: float) -> bool:
        """Whether a fall, within a scan, is one that no foot or hand makes; it is counted then."""
        if self.rules.switch:
            return True  # every one falls so; they are counted where a touch was too short
        if self.rules.period_s > BREAK_S or before - load <= BREAK_LOAD + BREAK_SHARE * before:
            return False
        self.breaks += 1
        return True

    def _set_lift_level(self) -> None:
        share, beneath = self.rules.lift_share, self.beneath
        above = share * self.crest
        if beneath > 0.0:
            # What lies beneath adds to it in force, not in load.
            power = self.rules.force_power
            lying = beneath**power
            touching = max(self.crest**power - lying, 0.0)
            above = (lying + share**power * touching) ** (1.0 / power) - beneath
        above = max(above, RELEASE_SHARE * self.onset_level)
        self.lift_level = beneath + (SLOW_SHARE * above if self.slow else above)

    def _held(self, time_s: float, reading: int) -> None:
        before = self.load
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        dropped = False
        if time_s >= self.turn_s:
            dropped = self._look_back(time_s, load)
            self.low_before, self.low, self.turn_s = self.low, load, time_s + QUICK_S
        elif load < self.low:
            self.low = load
        if load > self.crest:
            self.crest = load
            self._set_lift_level()
            self.dipped = False
            self.grown_s = self.half_s = time_s
            self.under = 0
        elif load < self.lift_level:
            if self._lets_go(time_s, load, before):
                return
        else:
            self.under = 0
            if load > self.lift_level + self.lift_level:
                self.half_s = time_s
            if self.dipped:
                low = self.quick_low()
                if load - low > self.again_rise:
                    self._rise_again(time_s, load, before, low)
                    return
            elif load < DIP_SHARE * self.crest:
                self.dipped = True
                self.low = self.low_before = load
        if dropped:
            self.due.append(self)
        if self.pressure_wanted:
            pressure = self.pressure = self.pressure + (load - self.pressure) * self.rules.follow
            change = pressure - self.pressure_sent
            step = self.rules.pressure_step
            if change >= step or change <= -step:
                self.pressure_sent = pressure
                value = 0.0 if pressure < 0.0 else 1.0 if pressure > 1.0 else pressure
                self.touches.append(Touch(PRESSURE, self.index, time_s, value))

    def _look_back(self, time_s: float, load: float) -> bool:
        """Whether the load has dropped and now keeps still, so that what is left may be leakage."""
        past = self.past
        if self.slow:
            settled = abs(past[0] - load) < STILL_SHARE * load
        else:
            settled = load < DROP_SHARE * past[0] and past[-1] - load < STILL_SHARE * past[0]
        del past[0]
        past.append(load)
        return settled and time_s - self.onset_s > STRIKE_S

    def _lets_go(self, time_s: float, load: float, before: float) -> bool:
        """Under the lift level: whether it has been so for long enough, and was let go."""
        self.under += 1
        if self.under == 1:
            if self._breaks(before, load):
                self.mend_s = time_s + self.rules.mend_s
            elif not self.slow and time_s - self.half_s > SLOW_S:
                self.slow = True
                self._set_lift_level()
                self.under = 0
                return False
        if self.under <= self.rules.debounce_scans or time_s < self.mend_s:
            return False
        self._lift(time_s)
        return True

    def _rise_again(self, time_s: float, load: float, before: float, low: float) -> None:
        if time_s - self.onset_s < self.rules.hold_off_s:
            return
        self.above = 0
        self._open_window(time_s, load, time_s - self.rules.period_s, max(before, low), low)
        self.state = State.AGAIN
        self.step = self._again

    def _again(self, time_s: float, reading: int) -> None:
        before = self.load
        load = (self.table[reading] - self.rest_load) * self.scale
        self._watch_rise(time_s, load)
        if load < self.lift_level:
            self._lets_go(time_s, load, before)
            return
        self.under = 0
        if load - self.base >= self.rules.strike_share:
            self.above += 1
        if self.above > self.rules.debounce_scans:
            if time_s >= self.decide_s:
                self.due.append(self)
        elif time_s - self.contact_s > AGAIN_S or time_s - self.grown_s > QUICK_S:
            self._hold_on()

    def _lift(self, time_s: float) -> None:
        if self.rules.switch and time_s - self.onset_s < SHORT_S:
            self.breaks += 1
        fallen = max(self.lift_level, 0.0)
        value = self.rules.speed_value(fallen / max(time_s - self.half_s, 0.001))
        self.touches.append(Touch(LIFT, self.index, time_s, value))
        self.residue = max(self.load, 0.0)
        self._faint(time_s)

    def _faint(self, time_s: float) -> None:
        self.above = 0
        self.under = 0
        self.low = self.low_before = self.load
        self.state = State.FAINT
        self.step = self._fainted
        self.turn_s = time_s + QUICK_S
        self.times_s = [time_s]

    def _fainted(self, time_s: float, reading: int) -> None:
        before_s, before = self.times_s[0], self.load
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        self.times_s[0] = time_s
        self._follow_low(time_s, load)
        if load < self.residue:
            self.residue = max(load, 0.0)
        if load < self.wake_load:
            self.under += 1
            if self.under > self.rules.debounce_scans:
                self._settle()
            return
        self.under = 0
        if time_s - self.onset_s < self.rules.hold_off_s:
            return
        low = max(self.quick_low(), 0.0)
        if load - low > self.wake_load + RESIDUE_SHARE * low:
            self._rise(time_s, load, before_s, before, low)
        elif load > self.onset_level + (1.0 + RESIDUE_SHARE) * self.residue:
            self.above += 1
            if self.above > self.rules.debounce_scans:
                self.peak = load
                self.base = self.residue
                self.times_s = [time_s - QUICK_S, time_s]
                self.loads = [low, load]
                self.contact_s = time_s
                self.due.append(self)
        else:
            self.above = 0
