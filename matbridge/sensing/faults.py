"""What can be wrong with a zone, how it is found, and how a person is told.

    kind          what shows it                                                   it sounds
    ------------  --------------------------------------------------------------  -----------------
    DEAD          reads 0, where it was measured to rest clearly above 0          never
    STUCK         the very same reading for long, where its noise would move it;  never
                  or a load that never moved at all until it was given up
    SHORTED       full scale, which no divider reaches; or (with `other`) two     never; of two,
                  zones that move as one, touch after touch                         the second never
    CHATTERING    falls from a load to nothing within a scan, again and again     never
    DISCONNECTED  jumps to and fro from scan to scan; or stirs many times a       never
                  second without a touch, while most others keep quiet
    OBJECT        a load that kept still too long for a foot                      on top of it

Evidence is gathered at the visits of a zone, and counted up and down, so that no single reading
condemns it. A zone that is muted owes no LIFT; it is heard again when its readings have been those
of a zone at rest for long enough, twice as long after each time that it failed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from matbridge.sensing.baseline import Baseline
from matbridge.sensing.zone import NEVER


class FaultKind(StrEnum):
    """See the table of the module."""

    DEAD = "dead"
    STUCK = "stuck"
    SHORTED = "shorted"
    CHATTERING = "chattering"
    DISCONNECTED = "disconnected"
    OBJECT = "object"


# What it means, and what to do.
ADVICE = {
    FaultKind.DEAD: "reads nothing at all; look at its sensor and both its wires",
    FaultKind.STUCK: "reads one value and never moves; look for a wire pinched to the supply",
    FaultKind.SHORTED: "is bridged to the supply or to another zone; look where its wires touch",
    FaultKind.CHATTERING: "makes and breaks faster than any foot; look for a loose contact",
    FaultKind.DISCONNECTED: "picks up noise like an open input; look for a broken wire",
    FaultKind.OBJECT: "something lies on it; taken as its new rest until it is moved",
}


@dataclass(frozen=True, slots=True)
class FaultReport:
    """A fault found, or (recovered) a fault that is over.

    zone: index of the mat's zone. other: for SHORTED the zone it moves with, else -1.
    """

    kind: FaultKind
    zone: int
    time_s: float
    recovered: bool = False
    other: int = -1


# Visits, of about a tenth of a second each, that condemn. What a foot can imitate for a moment
# needs more of them.
DEAD_VISITS = 22
STUCK_VISITS = 100
SHORTED_VISITS = 5
JUMPY_VISITS = 4.0

# From this noise on (standard deviation, in readings) a hundred like readings in a row have a
# chance of one in a billion.
STUCK_NOISE = 0.5

# No load jumps this far one way and back the other within three scans; and so much of a jump is
# forgotten at each visit without one.
JUMP_SIGMAS = 8.0
JUMP_READINGS = 4.0
JUMP_FORGET = 0.1

# An open input stirs at every turn of the mains: more than this often from one visit to the next,
# at this many visits more than not. Where this share of all zones begin to, it is the mains.
STIRS_A_VISIT = 2
STIRRED_VISITS = 10
STIRRED_SHARE = 0.5
STIRRING_VISITS = 3

# So many breaks, less one for every so many seconds without.
CHATTER_BREAKS = 6.0
CHATTER_FORGET_S = 20.0

# A load is still when the lowest of one window is that of the last, within so many standard
# deviations and a reading, but for creep, which is slower than this. What is struck beside it may
# lift it for one window, not for two.
STILL_WINDOW_S = 1.0
STILL_SIGMAS = 5.0
STILL_READINGS = 1.0
STILL_FOLLOW_S = 3.0

# A zone is well when it has been at rest for this long; doubled each time up to the second.
RECOVER_S = 3.0
RECOVER_MOST_S = 300.0

# Whatever was wrong, a reading that keeps still for so many times as long is a zone at rest.
NEW_REST = 5.0

# Twins that read differently for this long while pressed are none.
APART_S = 0.3

# Faults that show as readings that never move; they are over only once something does.
LIFELESS = frozenset({FaultKind.DEAD, FaultKind.STUCK})

Three = tuple[int, int, int]
"""A reading, that of the scan before, and that of the one before that."""


class Evidence:
    """What speaks against one zone so far, gathered visit by visit, in readings that rise.

    recover_s: how long the zone is to be well before it is heard again, should it fail.
    """

    __slots__ = (
        "_breaks", "_dead", "_jumpy", "_last", "_low", "_moved", "_off", "_same", "_shorted",
        "_still", "_still_s", "_stirred", "_well_s", "_window_s", "recover_s",
    )  # fmt: skip

    def __init__(self, recover_s: float = RECOVER_S) -> None:
        self.recover_s = recover_s
        self._dead = 0
        self._same = 0
        self._shorted = 0
        self._jumpy = 0.0
        self._stirred = 0
        self._breaks = 0.0
        self._last = -1
        self._low = NEVER
        self._window_s = 0.0
        self._still = 0.0
        self._still_s = 0.0
        self._off = False
        self._moved = False
        self._well_s = 0.0

    def visit(
        self, readings: Three, since_s: float, baseline: Baseline, least: float, rail: int
    ) -> FaultKind | None:
        """Look at a reading and the two before it; the fault that they prove, or None.

        since_s: time since the last visit. least: what the zone reads at least when it is well.
        rail: a reading that it cannot reach.
        """
        reading, noise = readings[0], baseline.noise
        self._dead = self._dead + 1 if reading == 0 and least > 0.0 else 0
        if reading == self._last:
            self._same += 1
        else:
            self._same = 0 if baseline.known and noise >= STUCK_NOISE else -NEVER
        self._shorted = self._shorted + 1 if reading >= rail else 0
        self._last = reading
        if _jumps(readings, noise):
            self._jumpy += 1.0
        elif self._jumpy:
            self._jumpy = max(0.0, self._jumpy - JUMP_FORGET)
        if self._breaks:
            self._breaks = max(0.0, self._breaks - since_s / CHATTER_FORGET_S)
        if self._shorted >= SHORTED_VISITS:
            return FaultKind.SHORTED
        if self._jumpy >= JUMPY_VISITS:
            return FaultKind.DISCONNECTED
        if self._dead >= DEAD_VISITS:
            return FaultKind.DEAD
        if self._same >= STUCK_VISITS:
            return FaultKind.STUCK
        return None

    def stirred(self, times: int) -> int:
        """It stirred so often since the last visit; at how many visits it did, less those not."""
        if times >= STIRS_A_VISIT:
            self._stirred = min(self._stirred + 1, STIRRED_VISITS)
        elif self._stirred:
            self._stirred -= 1
        return self._stirred

    def broke(self, times: int) -> FaultKind | None:
        """Contact broke off so often since the last visit."""
        self._breaks += times
        return FaultKind.CHATTERING if self._breaks >= CHATTER_BREAKS else None

    def held(
        self,
        reading: int,
        since_s: float,
        noise: float,
        after_s: float,
        *,
        fresh: bool,
        beside: bool,
    ) -> FaultKind | None:
        """Whether what is held has kept still for `after_s`.

        fresh: whether it is a new touch. beside: whether a neighbour is touched, which may lift it.
        """
        if fresh:
            self._low, self._window_s, self._still_s = NEVER, 0.0, 0.0
        bound = STILL_SIGMAS * noise + STILL_READINGS
        if reading > self._still + bound and not beside:
            self._still_s = 0.0
        self._moved = self._moved or reading != self._last
        self._low = min(self._low, reading)
        self._window_s += since_s
        if self._window_s < STILL_WINDOW_S:
            return None
        away = self._low - self._still
        if away < -bound or (away > bound and (self._off or not self._still_s)):
            self._still = float(self._low)
            self._still_s = 0.0
            self._moved = self._off = False
        elif away > bound:
            self._off = True
        else:
            self._still += away * min(1.0, self._window_s / STILL_FOLLOW_S)
            self._still_s += self._window_s
            self._off = False
        self._low, self._window_s = NEVER, 0.0
        if self._still_s < after_s - STILL_WINDOW_S:
            return None
        return FaultKind.OBJECT if self._moved else FaultKind.STUCK

    def recovered(
        self,
        kind: FaultKind,
        readings: Three,
        since_s: float,
        baseline: Baseline,
        rail: int,
    ) -> bool:
        """Whether the zone has been well for long enough: at its rest, or steady at a new one."""
        reading = readings[0]
        bound = JUMP_SIGMAS * baseline.noise + JUMP_READINGS
        steady = not _jumps(readings, baseline.noise) and abs(reading - self._still) <= bound
        if self._last not in (-1, reading):
            self._moved = True
        self._last = reading
        self._still = float(reading)
        if not steady or reading >= rail:
            self._well_s = 0.0
            return False
        self._well_s += since_s
        at_rest = abs(reading - baseline.rest) <= bound
        wanted_s = self.recover_s if at_rest else NEW_REST * self.recover_s
        return self._well_s >= wanted_s and (self._moved or kind not in LIFELESS)

    def apart(self, alike: bool, since_s: float) -> bool:
        """Whether a bridged zone has been unlike its twin for long enough."""
        self._well_s = 0.0 if alike else self._well_s + since_s
        return self._well_s >= APART_S


def _jumps(readings: Three, noise: float) -> bool:
    """Whether three readings in a row go far one way and far back."""
    now, before, earlier = readings
    bound = JUMP_SIGMAS * noise + JUMP_READINGS
    return (now - before > bound and earlier - before > bound) or (
        before - now > bound and before - earlier > bound
    )
