"""Presses, found in readings in the plainest way: far from rest for a while, then back.

Calibration and finding out the wiring need no velocity and no speed, but must not be misled by a
sensor about which nothing is known yet; so this is not the detector that plays.

A place is idle, then pressed from the first reading beyond its level, until it has been near rest
again for LIFT_S. The height is the farthest median of three readings, so that one wild reading
neither is a press nor makes one higher. A pressed force sensor creeps back slowly: until a place
has come all the way back, the next press must go twice as far as where the last one left it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from matbridge.board.scan import Scan
from matbridge.sensing.law import load
from matbridge.sensing.rest import Rest
from matbridge.sensing.settings import SensorSpec, SensorType

# A foot that rolls lets go of a zone for less than this.
LIFT_S = 0.12

# A press goes farther than anything did at rest, by this much, and by this share of the full range:
# the least that a capacitive electrode moves under a finger is about 1 %.
PRESS_SWINGS = 1.8
PRESS_SHARE = 0.01

# Near rest again: within this share of the level, which is farther than anything went at rest, or
# within a fifth of the load that was: what is left then is creep, or leaks from the next zone that
# is stepped on, while a foot that rolls keeps more than half.
BACK_LEVEL = 0.65
BACK_LOAD = 0.2
AGAIN = 2.0

# What is worth a word to whoever is on the mat goes this many levels far.
CLEAR_LEVELS = 3.0

# Keeps a press that the law knows no load for from dividing by 0.
LEAST_LOAD = 1e-9

# A companion may let go a little later or earlier than the place that was meant.
RECENT_S = 1.0


class Companion(NamedTuple):
    """A place that moved while another was pressed; share: its load over that other's."""

    place: int
    share: float


class Press(NamedTuple):
    """One press of one place, known when it has ended.

    height: farthest from rest, signed, in readings. companion: of the places pressed at the same
    time the one that went farthest; with a share above 1 it went farther than this one.
    """

    place: int
    start_s: float
    end_s: float
    height: float
    companion: Companion | None


def press_level(sensor: SensorSpec, rest: Rest) -> float:
    """How far from rest, in readings, a reading must lie to be one of a press."""
    top = (1 << sensor.bits) - 1
    if sensor.type is SensorType.SWITCH:
        return top * 0.5
    return max(PRESS_SWINGS * rest.swing, PRESS_SHARE * top)


class PressFinder:
    """Finds the presses of any number of places, each with its own rest."""

    __slots__ = (
        "_back_s",
        "_before",
        "_heights",
        "_last",
        "_levels",
        "_loads",
        "_recent",
        "_rests",
        "_sensor",
        "_start_levels",
        "_start_s",
    )

    def __init__(self, sensor: SensorSpec, rests: Sequence[Rest]) -> None:
        size = len(rests)
        self._sensor = sensor
        self._rests = [rest.level for rest in rests]
        self._levels = [press_level(sensor, rest) for rest in rests]
        self._start_levels = list(self._levels)  # raised while a place creeps back
        self._last = [0.0] * size  # the reading before, from rest
        self._before = [0.0] * size  # and the one before that
        self._start_s = [-1.0] * size  # when the press began; below 0: idle
        self._back_s = [-1.0] * size  # since when it is near rest; below 0: it is not
        self._heights = [0.0] * size  # of the press that is under way
        self._loads = [0.0] * size  # of that height
        self._recent: list[Press] = []

    def feed(self, places: Sequence[int], scan: Scan) -> list[Press]:
        """The presses that end with this scan; `places` has each channel's place, or -1."""
        ended: list[Press] = []
        time_s = scan.time_s
        for place, reading in zip(places, scan.readings, strict=False):
            if place < 0:
                continue
            away = reading - self._rests[place]
            level = self._levels[place]
            last, before = self._last[place], self._before[place]
            self._before[place], self._last[place] = last, away
            if self._start_s[place] < 0.0:
                start_level = self._start_levels[place]
                if -start_level <= away <= start_level:
                    if start_level > level and abs(away) < level * BACK_LEVEL:
                        self._start_levels[place] = level
                    continue
                self._start_s[place] = time_s
                self._back_s[place] = -1.0
            middle = sorted((before, last, away))[1]
            height = self._heights[place]
            if abs(middle) > abs(height):
                height = self._heights[place] = middle
                self._loads[place] = self._load(place, height)
            if (
                abs(away) > level * BACK_LEVEL
                and away * height >= 0.0
                and self._load(place, away) > self._loads[place] * BACK_LOAD
            ):
                self._back_s[place] = -1.0
            elif self._back_s[place] < 0.0:
                self._back_s[place] = time_s
            elif time_s - self._back_s[place] >= LIFT_S:
                if abs(height) > level:
                    ended.append(self._end(place, time_s))
                self._start_s[place] = -1.0
                self._heights[place] = self._loads[place] = 0.0
                self._start_levels[place] = max(level, abs(away) * AGAIN)
        return ended

    def busy(self) -> bool:
        """Whether any place is pressed, as far as its last scan says."""
        return any(start >= 0.0 for start in self._start_s)

    def is_clear(self, press: Press) -> bool:
        """Whether a press went far enough to be no flicker of a sensor that creeps back."""
        return abs(press.height) > CLEAR_LEVELS * self._levels[press.place]

    def _end(self, place: int, time_s: float) -> Press:
        start_s, end_s = self._start_s[place], self._back_s[place]
        height = self._heights[place]
        self._recent = [press for press in self._recent if press.end_s > time_s - RECENT_S]
        beside = {
            press.place: press.height
            for press in self._recent
            if press.start_s <= end_s and start_s <= press.end_s
        }
        for other, under_way in enumerate(self._heights):
            began_s = self._start_s[other]
            if 0.0 <= began_s <= end_s and abs(under_way) > abs(beside.get(other, 0.0)):
                beside[other] = under_way
        beside.pop(place, None)
        own = self._load(place, height)
        companion = max(
            (Companion(other, self._load(other, far) / own) for other, far in beside.items()),
            key=lambda companion: companion.share,
            default=None,
        )
        press = Press(place, start_s, end_s, height, companion)
        self._recent.append(press)
        return press

    def _load(self, place: int, height: float) -> float:
        """How hard that is pressed, in units of the sensor's law, above 0."""
        rest = self._rests[place]
        pressed = rest + height
        if height < 0.0:  # a sensor whose reading falls obeys the law from the other end
            top = (1 << self._sensor.bits) - 1
            rest, pressed = top - rest, top - pressed
        return max(load(self._sensor, pressed) - load(self._sensor, rest), LEAST_LOAD)
