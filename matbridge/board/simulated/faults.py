"""Channels that fail, as wires and solder joints do: codes in, worse codes out."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from random import Random

# A loose joint opens and closes within milliseconds to tenths of a second (our choice).
LOOSE_OPEN_S = (0.002, 0.08)
LOOSE_CLOSED_S = (0.01, 0.4)

# A wire that chatters touches and lets go all the time, pressed or not (our choice).
CHATTER_S = (0.001, 0.015)

# An open input holds what the sampling capacitor had from the channel before, and hum (our choice).
OPEN_SHARE = 0.8
OPEN_HUM_CODES_OF_1024 = 25.0


class FaultKind(StrEnum):
    """What is wrong with a channel."""

    DEAD = "dead"  # nothing comes any more: the sensor is torn off, its resistor pulls to ground
    STUCK = "stuck"  # one code, whatever happens
    SHORTED = "shorted"  # the sensor is bridged: full scale
    LOOSE = "loose"  # opens and closes while pressed
    CHATTER = "chatter"  # jumps between rest and full scale
    OPEN = "open"  # the converter's input hangs in the air


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of one channel, from a time on, to its end."""

    channel: int
    kind: FaultKind
    start_s: float = 0.0
    end_s: float = float("inf")


class FaultyChannel:
    """One fault at work on one channel's codes, block by block."""

    __slots__ = ("_change_s", "_closed", "_first", "_full", "_rng", "fault")

    def __init__(self, fault: Fault, full: int, rng: Random) -> None:
        self.fault = fault
        self._full = full
        self._rng = rng
        self._closed = True
        self._change_s = fault.start_s
        self._first: int | None = None

    def spoil(self, codes: list[int], before: list[int], first_s: float, step_s: float) -> None:
        """Change a block of codes in place; `before` is the channel before it, unspoiled."""
        fault = self.fault
        for index in range(len(codes)):
            now_s = first_s + index * step_s
            if not fault.start_s <= now_s < fault.end_s:
                continue
            kind = fault.kind
            if kind is FaultKind.DEAD:
                codes[index] = 0
            elif kind is FaultKind.SHORTED:
                codes[index] = self._full
            elif kind is FaultKind.STUCK:
                if self._first is None:
                    self._first = codes[index]
                codes[index] = self._first
            elif kind is FaultKind.OPEN:
                sway = self._full / 1024 * OPEN_HUM_CODES_OF_1024 * self._rng.random()
                codes[index] = min(self._full, int(OPEN_SHARE * before[index] + sway))
            else:
                self._switch(now_s, kind)
                if kind is FaultKind.LOOSE and not self._closed:
                    codes[index] = 0
                elif kind is FaultKind.CHATTER and not self._closed:
                    codes[index] = self._full

    def _switch(self, now_s: float, kind: FaultKind) -> None:
        while self._change_s <= now_s:
            self._closed = not self._closed
            if kind is FaultKind.CHATTER:
                range_s = CHATTER_S
            else:
                range_s = LOOSE_CLOSED_S if self._closed else LOOSE_OPEN_S
            self._change_s += self._rng.uniform(*range_s)
