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

from matbridge.sensing.grip import DIP_SHARE, Grip, breaks
from matbridge.sensing.rise import Rise
from matbridge.sensing.rules import Rules
from matbridge.sensing.touch import Touch, TouchKind, VelocitySource

# A wake level that no number on a line of text reaches, for zones that are stepped anyway.
NEVER = 1 << 128

# What has risen "quickly" has done so within the last one to two of these.
QUICK_S = 0.01

# Out of a dip, a quick rise by this share of a new strike's opens the window for one; it must be
# complete so soon. A foot that rolls from heel to toe takes several times as long.
AGAIN_SHARE = 0.3
AGAIN_S = 0.03

# Fastest rise of a second hump, in full presses a second: recorded stances of walkers keep under
# it, second strikes are several times faster.
AGAIN_SPEED = 20.0

# A sole that leaves drags and bounces for so long (the same recordings); hands that roll at twelve
# strokes a second are off a zone for longer.
BOUNCE_S = 0.02

# What remains after a lift creeps, and shakes with the mat, within this share of itself.
RESIDUE_SHARE = 0.25

# The hardest strike of a foot is over, and what follows is held, after this.
STRIKE_S = 0.05

# No foot or hand is on a switch for less than this, bouncing and all.
SHORT_S = 0.03

# A rise to less than this many times the wake level is only noise on something small.
STIR_SHARE = 2.5

ONSET, PRESSURE, LIFT = TouchKind.ONSET, TouchKind.PRESSURE, TouchKind.LIFT


class State(Enum):
    """See the table of the module."""

    REST = "rest"
    RISING = "rising"
    FAINT = "faint"
    HELD = "held"
    AGAIN = "again"
    MUTED = "muted"


# Of an enumeration, looking a member up is the dearest step of the machine.
_REST, _RISING, _FAINT = State.REST, State.RISING, State.FAINT
_HELD, _AGAIN = State.HELD, State.AGAIN


class Shared:
    """Where the zones of a detector leave what a scan brings: touches, and zones to be decided.

    onset_s: when the last onset of any of them was.
    """

    __slots__ = ("due", "onset_s", "touches")

    def __init__(self) -> None:
        self.due: list[Zone] = []
        self.touches: list[Touch] = []
        self.onset_s = -1.0e9


class Zone:
    """The machine of one zone. `step` is called with every scan while it is awake.

    Its levels are set from outside (baseline.py) while it is at rest: rest_load and scale turn what
    `table` holds of a reading into load; wake_load, onset_level and again_rise are what shows
    contact, a touch, and that there may be a new strike; most_load is where load ends.
    """

    __slots__ = (
        "_above", "_before_s", "_due", "_low", "_low_before", "_pressure", "_pressure_sent",
        "_ready_s", "_residue", "_rules", "_shared", "_touches", "_turn_s", "_under", "_window_s",
        "again_rise", "breaks", "channel", "force_power", "grip", "index", "leaks", "load",
        "most_load", "onset_level", "onset_s", "pressure_wanted", "rest_load", "rise", "scale",
        "source", "state", "step", "stirs", "table", "wake_load",
    )  # fmt: skip

    def __init__(
        self, index: int, channel: int, rules: Rules, table: array[float], shared: Shared
    ) -> None:
        self.index = index
        self.channel = channel
        self.table = table
        self.leaks: dict[Zone, float] = {}  # of whose force it may feel what share
        self.source = VelocitySource.PEAK
        self.pressure_wanted = True
        self.rest_load = 0.0
        self.scale = 1.0
        self.onset_level = 1.0
        self.again_rise = 1.0
        self.most_load = 1.0
        self.force_power = rules.force_power
        self.wake_load = 1.0
        self.load = 0.0
        self.rise = Rise()
        self.grip = Grip(rules)
        self.onset_s = -1.0e9
        self.breaks = 0  # how often contact broke off within a scan
        self.stirs = 0  # how often it woke, and came to nothing
        self.state = _REST
        self.step: Callable[[float, int], None] = self._rest
        self._rules = rules
        self._shared = shared
        self._due = shared.due
        self._touches = shared.touches
        self._window_s = rules.peak_window_s
        self._low = 0.0  # lowest load since the last turn of the quick window,
        self._low_before = 0.0  # and in the window before it
        self._turn_s = 0.0
        self._above = 0
        self._under = 0
        self._before_s = 0.0
        self._residue = 0.0
        self._ready_s = -1.0e9  # no touch before this
        self._pressure = 0.0
        self._pressure_sent = 0.0

    # What the detector calls

    def set_source(self, source: VelocitySource) -> None:
        self.source = source
        self._window_s = self._rules.window_s(source)

    def read(self, reading: int) -> None:
        """Take a reading without stepping."""
        self.load = (self.table[reading] - self.rest_load) * self.scale

    def wake(self, time_s: float, reading: int, before_s: float, before: int) -> None:
        """Contact: `reading` at `time_s` is above the wake level, `before` was not."""
        self.read(before)
        before_load = self.load
        self.read(reading)
        self._low = self._low_before = max(0.0, before_load)
        self._residue = 0.0
        self._turn_s = time_s + QUICK_S
        if time_s < self._ready_s:
            self._faint(time_s)
        else:
            self._rise(time_s, self.load, before_s, before_load, 0.0)

    def find_loaded(self, time_s: float, reading: int) -> None:
        """Something is on the zone at the start, and was not seen to come: no touch."""
        self.read(reading)
        self._residue = max(self.load, 0.0)
        self._faint(time_s)

    def strike(self, time_s: float) -> None:
        """What rose is a touch; on a held zone, if it rose as fast as a strike."""
        rise = self.rise
        beneath, speed = rise.base, rise.speed()
        if self.state is _AGAIN:
            if speed < AGAIN_SPEED or rise.peak < self.grip.lately():
                self._hold()
                return
            self._touches.append(Touch(LIFT, self.index, rise.contact_s, 0.0))
            beneath = self.grip.beneath
        contact_s, shared = rise.contact_s, self._shared
        if self._rules.switch and self.source is not VelocitySource.FIXED:
            value = self._rules.pace_value(contact_s - shared.onset_s)
        else:
            value = self._rules.strike_value(self.source, rise, speed)
        self._touches.append(Touch(ONSET, self.index, contact_s, value))
        self.onset_s = shared.onset_s = contact_s
        self.grip.take(time_s, rise.peak, beneath, self.onset_level)
        self._pressure = self.load
        self._pressure_sent = -1.0
        self._hold()

    def dismiss(self, time_s: float) -> None:
        """What rose, or is left, is no touch."""
        if self.state is _RISING:
            self._faint(time_s)
        elif self.state is _AGAIN:
            self._hold()
        elif self.state is _HELD:
            self._lift(time_s)

    def give_up(self, time_s: float) -> None:
        """What is held has turned out to be no touch: end it, and take its load for a residue."""
        self._touches.append(Touch(LIFT, self.index, time_s, 0.0))
        self._residue = max(self.load, 0.0)
        self._faint(time_s)

    def let_go(self, time_s: float) -> None:
        """End the touch, if any, and be at rest."""
        if self.state is _HELD or self.state is _AGAIN:
            self._touches.append(Touch(LIFT, self.index, time_s, 0.0))
        self._settle()

    def mute(self, time_s: float) -> None:
        """A fault: end the touch, if any, and hear nothing until `unmute`."""
        self.let_go(time_s)
        self.state = State.MUTED

    def unmute(self) -> None:
        self._settle()

    def shift(self, by_s: float) -> None:
        """The clock was set: move every time that is remembered."""
        self.rise.shift(by_s)
        self.grip.shift(by_s)
        self.onset_s += by_s
        self._turn_s += by_s
        self._before_s += by_s
        self._ready_s += by_s

    def quick_low(self) -> float:
        """The lowest load within the last one to two QUICK_S."""
        low, before = self._low, self._low_before
        return low if low < before else before

    # The states

    def _rest(self, time_s: float, reading: int) -> None:
        """At rest there is nothing to step."""

    def _settle(self) -> None:
        self.load = 0.0
        self.state = _REST
        self.step = self._rest

    def _rise(
        self, time_s: float, load: float, before_s: float, before: float, base: float
    ) -> None:
        self.rise.begin(time_s, load, before_s, before, base, self._window_s)
        self._above = 1 if load >= self.onset_level + base else 0
        self._under = 0
        self.state = _RISING
        self.step = self._rising

    def _rising(self, time_s: float, reading: int) -> None:
        before, rise = self.load, self.rise
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        self._follow_low(time_s, load)
        kink = self._rules.kink * max(before - rise.base, 0.0) + self.wake_load
        if load - before > kink and rise.scans > 3:
            # Not the strike that it began as: that was a brush, or a neighbour's.
            self._rise(time_s, load, rise.last_s, before, max(before, 0.0))
            return
        rise.go_on(time_s, load, self._window_s)
        risen = load - rise.base
        if risen >= self.onset_level:
            self._above += 1
            self._under = 0
        elif risen < self.wake_load:
            self._under += 1
            if self._under == 1:
                self._breaks_off(before, load)
        else:
            self._under = 0
        debounce = self._rules.debounce_scans
        if self._above > debounce:
            if time_s >= rise.decide_s:
                self._due.append(self)
        elif self._under > debounce:
            if rise.base:
                self._faint(time_s)
            else:
                if rise.peak > STIR_SHARE * self.wake_load:
                    self.stirs += 1
                self._settle()
        elif time_s - rise.grown_s > QUICK_S and time_s >= rise.decide_s:
            self._faint(time_s)

    def _hold(self) -> None:
        self.state = _HELD
        self.step = self._held

    def _held(self, time_s: float, reading: int) -> None:
        before, grip = self.load, self.grip
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        dropped = False
        if time_s >= self._turn_s:
            dropped = grip.has_dropped(load) and time_s - self.onset_s > STRIKE_S
            self._low_before, self._low, self._turn_s = self._low, load, time_s + QUICK_S
        elif load < self._low:
            self._low = load
        if load > grip.crest:
            grip.tighten(time_s, load)
            self.rise.grown_s = time_s
        elif load < grip.level:
            if self._lets_go(time_s, load, before):
                return
        else:
            grip.keep(time_s, load)
            if grip.dipped:
                low = self.quick_low()
                if load - low > self.again_rise:
                    self._rise_again(time_s, load, before, low)
                    return
            elif load < DIP_SHARE * grip.crest:
                grip.dipped = True
                self._low = self._low_before = load
        if dropped:
            self._due.append(self)
        if self.pressure_wanted:
            self._press(time_s, load)

    def _press(self, time_s: float, load: float) -> None:
        rules = self._rules
        pressure = self._pressure = self._pressure + (load - self._pressure) * rules.follow
        if abs(pressure - self._pressure_sent) >= rules.pressure_step:
            self._pressure_sent = pressure
            value = min(max(pressure, 0.0), 1.0)
            self._touches.append(Touch(PRESSURE, self.index, time_s, value))

    def _lets_go(self, time_s: float, load: float, before: float) -> bool:
        """Under the lift level: whether the touch ends, and end it then."""
        grip = self.grip
        broke = grip.firm and self._breaks_off(before, load)
        if not grip.lets_go(time_s, broke):
            return False
        self._lift(time_s)
        return True

    def _breaks_off(self, before: float, load: float) -> bool:
        """Whether contact broke between two scans; a switch always does, and is not counted."""
        if self._rules.switch:
            return True
        broke = breaks(self._rules, before, load)
        self.breaks += broke
        return broke

    def _lift(self, time_s: float) -> None:
        if self._rules.switch and time_s - self.onset_s < SHORT_S:
            self.breaks += 1
        value = self._rules.speed_value(self.grip.lift_speed(time_s))
        self._touches.append(Touch(LIFT, self.index, time_s, value))
        self._residue = max(self.load, 0.0)
        self._ready_s = max(self.onset_s + self._rules.hold_off_s, time_s + BOUNCE_S)
        self._faint(time_s)

    def _rise_again(self, time_s: float, load: float, before: float, low: float) -> None:
        if time_s - self.onset_s < self._rules.hold_off_s:
            return
        before_s = time_s - self._rules.period_s
        self.rise.begin(time_s, load, before_s, max(before, low), low, self._window_s)
        self._above = 0
        self.state = _AGAIN
        self.step = self._again

    def _again(self, time_s: float, reading: int) -> None:
        before, rise, grip = self.load, self.rise, self.grip
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        self._follow_low(time_s, load)
        rise.go_on(time_s, load, self._window_s)
        if load < grip.level:
            self._lets_go(time_s, load, before)
            return
        grip.keep(time_s, load)
        if load - rise.base >= self._rules.strike_share:
            self._above += 1
        if self._above > self._rules.debounce_scans:
            if time_s >= rise.decide_s:
                self._due.append(self)
        elif time_s - rise.contact_s > AGAIN_S or time_s - rise.grown_s > QUICK_S:
            self._hold()

    def _faint(self, time_s: float) -> None:
        self._above = 0
        self._under = 0
        self._low = self._low_before = self.load
        self._turn_s = time_s + QUICK_S
        self._before_s = time_s
        self.state = _FAINT
        self.step = self._fainted

    def _fainted(self, time_s: float, reading: int) -> None:
        before, before_s = self.load, self._before_s
        load = self.load = (self.table[reading] - self.rest_load) * self.scale
        self._before_s = time_s
        self._follow_low(time_s, load)
        if load < self._residue:
            self._residue = max(load, 0.0)
        if load < self.wake_load:
            self._under += 1
            if self._under > self._rules.debounce_scans:
                self._settle()
            return
        self._under = 0
        if time_s < self._ready_s:
            return
        low = max(self.quick_low(), 0.0)
        if load - low > self.wake_load + RESIDUE_SHARE * low:
            self._rise(time_s, load, before_s, before, low)
        elif load > self.onset_level + (1.0 + RESIDUE_SHARE) * self._residue:
            self._above += 1
            if self._above > self._rules.debounce_scans:
                self.rise.creep(time_s, load, time_s - QUICK_S, low, self._residue)
                self._due.append(self)
        else:
            self._above = 0

    def _follow_low(self, time_s: float, load: float) -> None:
        if time_s >= self._turn_s:
            self._low_before, self._low, self._turn_s = self._low, load, time_s + QUICK_S
        elif load < self._low:
            self._low = load
