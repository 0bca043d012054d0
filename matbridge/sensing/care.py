"""The visits: one zone at a time is looked after, round and round.

    zone is    at a visit
    ---------  ---------------------------------------------------------------------------------
    at rest,   its rest and noise are followed and its wake level set anew (baseline.py)
    or faint
    held       its crest fades; does it keep still (faults.py), has it a twin (twins.py)?
    muted      it is looked at for recovery
    not muted  it is looked at for faults

Each zone has its turn every VISIT_S, however many there are and however fast they are scanned.
"""

from __future__ import annotations

from collections.abc import Sequence

from matbridge.sensing.baseline import Baseline
from matbridge.sensing.crosstalk import is_beside_a_touch
from matbridge.sensing.faults import (
    RECOVER_MOST_S,
    STIRRED_SHARE,
    STIRRED_VISITS,
    STIRRING_VISITS,
    Evidence,
    FaultKind,
    FaultReport,
    Three,
)
from matbridge.sensing.law import highest_reading
from matbridge.sensing.rules import Rules
from matbridge.sensing.settings import SensorSpec, SensorType
from matbridge.sensing.twins import Twins, alike
from matbridge.sensing.zone import NEVER, State, Zone

# No multiple of 20 or of 16.7 ms, so that mains hum is met at all its phases.
VISIT_S = 0.093

# Time constant at which the recent crest of a held zone fades.
CREST_S = 2.0


class Channel:
    """One channel of the board and all that is known of its zone.

    wakes: the detector's wake levels, one a channel, as the board's readings are; this sets its
    own. falling: whether those readings fall under load. `least` is what the zone reads at least
    when it is well, 0 if that is not known.
    """

    __slots__ = (
        "_falling", "_top", "_wakes", "baseline", "evidence", "fault", "least", "stirring", "twin",
        "visited_s", "zone",
    )  # fmt: skip

    def __init__(
        self, zone: Zone, baseline: Baseline, wakes: list[int], top: int, falling: bool
    ) -> None:
        self.zone = zone
        self.baseline = baseline
        self._wakes = wakes
        self._top = top
        self._falling = falling
        self.least = baseline.least_reading
        self.evidence = Evidence()
        self.fault: FaultKind | None = None
        self.twin: Channel | None = None
        self.stirring = False
        self.visited_s = 0.0
        self.arm()

    def arm(self) -> None:
        """Let it wake at its wake level."""
        wake = self.baseline.wake_reading
        self._wakes[self.zone.channel] = self._top - wake if self._falling else wake

    def disarm(self) -> None:
        """Let nothing wake it."""
        self._wakes[self.zone.channel] = -NEVER if self._falling else NEVER

    def clean(self, reading: int) -> int:
        """A reading of the board, within the converter's range and rising with load."""
        reading = min(max(reading, 0), self._top)
        return self._top - reading if self._falling else reading

    def to_board(self, reading: float) -> float:
        """A reading that rises with load, as the board would send it."""
        return self._top - reading if self._falling else reading


class Care:
    """Visits the channels of a detector. awake: its zones that are awake, changed in place.

    rail: readings from here on are out of the sensor's reach; as they rise with load.
    """

    def __init__(
        self, channels: Sequence[Channel], awake: list[Zone], sensor: SensorSpec, rules: Rules
    ) -> None:
        self._channels = channels
        self._by_zone = {one.zone: one for one in channels}
        self._awake = awake
        self._rules = rules
        self._analog = sensor.type is not SensorType.SWITCH
        highest = highest_reading(sensor)
        self.rail = highest + 1 if highest < (1 << sensor.bits) - 1 else NEVER
        self._twins = Twins()
        self._stirring = 0
        self._next = 0
        self._step_s = VISIT_S / max(len(channels), 1)
        self.due_s = 0.0
        self.reports: list[FaultReport] = []

    def start(self, time_s: float) -> None:
        """The scans begin, or begin anew."""
        self.due_s = time_s
        for one in self._channels:
            one.visited_s = time_s

    def shift(self, by_s: float) -> None:
        """The clock was set."""
        self.due_s += by_s
        for one in self._channels:
            one.visited_s += by_s

    def visit(
        self,
        time_s: float,
        readings: Sequence[int],
        before: Sequence[int],
        earlier: Sequence[int],
    ) -> None:
        """Visit as many as are due; `before` is the scan before, `earlier` the one before that."""
        if time_s - self.due_s > VISIT_S:
            self.due_s = time_s - VISIT_S  # whatever happened, once round is enough
        while self.due_s <= time_s:
            self.due_s += self._step_s
            if not self._channels:
                continue
            one = self._channels[self._next]
            self._next = (self._next + 1) % len(self._channels)
            channel = one.zone.channel
            reading = one.clean(readings[channel])
            three = (reading, one.clean(before[channel]), one.clean(earlier[channel]))
            since_s, one.visited_s = time_s - one.visited_s, time_s
            state = one.zone.state
            if state is State.MUTED:
                self._visit_muted(one, time_s, since_s, three)
                continue
            if state is State.HELD:
                self._visit_held(one, time_s, since_s, reading)
            else:
                self._visit_rest(one, time_s, since_s, reading)
            if one.zone.state is not State.MUTED:
                self._look(one, time_s, since_s, three)

    def _visit_rest(self, one: Channel, time_s: float, since_s: float, reading: int) -> None:
        if reading == 0 and one.least > 0.0:
            return  # it may be dead; that is no rest to follow
        one.baseline.visit(reading, since_s)
        if one.zone.state is State.REST:
            one.arm()
            if one.fault is FaultKind.OBJECT:
                self._clear(one, time_s)

    def _visit_held(self, one: Channel, time_s: float, since_s: float, reading: int) -> None:
        zone = one.zone
        zone.grip.fade(zone.load, min(1.0, since_s / CREST_S))
        if pair := self._twins.look(zone, self._awake):
            first, second = (self._by_zone[each] for each in pair)
            second.twin = first
            self._mute(second, FaultKind.SHORTED, time_s)
            if second is one:
                return
        if self._analog:
            still = one.evidence.held(
                reading,
                since_s,
                one.baseline.noise_under_load,
                self._rules.object_after_s,
                fresh=time_s - zone.onset_s < since_s,
                beside=is_beside_a_touch(zone),
            )
            if still is FaultKind.OBJECT:
                zone.give_up(time_s)
                self._find(one, still, time_s)
            elif still is not None:
                self._mute(one, still, time_s)

    def _look(self, one: Channel, time_s: float, since_s: float, readings: Three) -> None:
        zone = one.zone
        fault = None
        if zone.breaks:
            fault = one.evidence.broke(zone.breaks)
            zone.breaks = 0
        if self._analog:
            stirred = one.evidence.stirred(zone.stirs)
            zone.stirs = 0
            self._note_stirring(one, stirred >= STIRRING_VISITS)
            alone = self._stirring < STIRRED_SHARE * len(self._channels)
            if stirred >= STIRRED_VISITS and alone:
                fault = fault or FaultKind.DISCONNECTED
            fault = fault or one.evidence.visit(
                readings, since_s, one.baseline, one.least, self.rail
            )
        if fault is not None:
            self._mute(one, fault, time_s)

    def _note_stirring(self, one: Channel, stirring: bool) -> None:
        if stirring != one.stirring:
            one.stirring = stirring
            self._stirring += 1 if stirring else -1

    def _visit_muted(self, one: Channel, time_s: float, since_s: float, readings: Three) -> None:
        if one.twin is not None:
            # Only while the other is held can the two be seen to differ.
            if one.twin.zone.state is not State.HELD:
                return
            one.zone.read(readings[0])
            well = one.evidence.apart(alike(one.zone, one.twin.zone), since_s)
            one.zone.load = 0.0  # it is not heard, so nobody is to feel it
        else:
            well = one.fault is not None and one.evidence.recovered(
                one.fault, readings, since_s, one.baseline, self.rail
            )
        if well:
            one.evidence = Evidence(min(2.0 * one.evidence.recover_s, RECOVER_MOST_S))
            one.zone.unmute()
            if one.twin is None:
                one.baseline.start_at(readings[0])
            one.twin = None
            one.arm()
            self._clear(one, time_s)

    def _mute(self, one: Channel, fault: FaultKind, time_s: float) -> None:
        one.evidence = Evidence(one.evidence.recover_s)
        self._note_stirring(one, False)
        one.zone.mute(time_s)
        if one.zone in self._awake:
            self._awake.remove(one.zone)
        one.disarm()
        self._find(one, fault, time_s)

    def _find(self, one: Channel, fault: FaultKind, time_s: float) -> None:
        one.fault = fault
        other = -1 if one.twin is None else one.twin.zone.index
        self.reports.append(FaultReport(fault, one.zone.index, time_s, other=other))

    def _clear(self, one: Channel, time_s: float) -> None:
        if one.fault is not None:
            self.reports.append(FaultReport(one.fault, one.zone.index, time_s, recovered=True))
            one.fault = None
