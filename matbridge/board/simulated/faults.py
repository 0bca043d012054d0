"""Channels that fail, as wires and solder joints do: sound codes in, what the board reads out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import pi, sin
from random import Random

# A loose joint opens and closes within milliseconds to tenths of a second (our choice).
LOOSE_OPEN_S = (0.002, 0.08)
LOOSE_CLOSED_S = (0.01, 0.4)

# A wire that chatters touches and lets go all the time, pressed or not (our choice).
CHATTER_S = (0.001, 0.015)

# An open input keeps most of what the sampling capacitor had from the channel before, and picks up
# the mains, by this share of full scale (our choice).
OPEN_KEEPS = 0.8
OPEN_HUM = 0.012
OPEN_HUM_HZ = 50.0


class FaultKind(StrEnum):
    """What is wrong with a channel."""

    DEAD = "dead"  # the sensor is torn off; its resistor pulls to ground
    STUCK = "stuck"  # one code, whatever happens
    SHORTED = "shorted"  # the sensor is bridged: full scale
    LOOSE = "loose"  # opens and closes, which shows while it is pressed
    CHATTER = "chatter"  # jumps between what it reads and full scale
    OPEN = "open"  # the converter's input hangs in the air
    BRIDGED = "bridged"  # two wires touch: both channels read the two sensors together


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault of one channel, from a time on, to its end. other: what it is BRIDGED with."""

    channel: int
    kind: FaultKind
    start_s: float = 0.0
    end_s: float = float("inf")
    other: int = -1


class FaultyChannel:
    """One fault at work, block by block."""

    __slots__ = ("_change_s", "_closed", "_fault", "_full", "_rng", "_stuck_at")

    def __init__(self, fault: Fault, full: int, rng: Random) -> None:
        """full: the highest code."""
        self._fault = fault
        self._full = full
        self._rng = rng
        self._closed = True
        self._change_s = fault.start_s
        self._stuck_at: int | None = None

    def spoil(
        self, columns: list[list[int]], sound: Sequence[list[int]], first_s: float, step_s: float
    ) -> None:
        """Change a block of codes in place; `sound` is what all channels would have read."""
        fault = self._fault
        column = columns[fault.channel]
        for index in range(len(column)):
            now_s = first_s + index * step_s
            if fault.start_s <= now_s < fault.end_s:
                code = self._code(sound, index, now_s)
                column[index] = code
                if fault.kind is FaultKind.BRIDGED:
                    columns[fault.other][index] = code

    def _code(self, sound: Sequence[list[int]], index: int, now_s: float) -> int:
        fault, full = self._fault, self._full
        code = sound[fault.channel][index]
        match fault.kind:
            case FaultKind.DEAD:
                return 0
            case FaultKind.SHORTED:
                return full
            case FaultKind.STUCK:
                if self._stuck_at is None:
                    self._stuck_at = code
                return self._stuck_at
            case FaultKind.LOOSE:
                return code if self._closes(now_s, LOOSE_CLOSED_S, LOOSE_OPEN_S) else 0
            case FaultKind.CHATTER:
                return code if self._closes(now_s, CHATTER_S, CHATTER_S) else full
            case FaultKind.OPEN:
                before = sound[fault.channel - 1][index] if fault.channel else 0
                hum = OPEN_HUM * full * (1.0 + sin(2 * pi * OPEN_HUM_HZ * now_s))
                return min(full, int(OPEN_KEEPS * before + hum))
            case FaultKind.BRIDGED:
                # Two sensors and two fixed resistors, each pair side by side: the mean load.
                loads = [one / (full + 1 - one) for one in (code, sound[fault.other][index])]
                load = sum(loads) / 2
                return int((full + 1) * load / (1.0 + load))

    def _closes(
        self, now_s: float, closed_s: tuple[float, float], open_s: tuple[float, float]
    ) -> bool:
        while self._change_s <= now_s:
            self._closed = not self._closed
            self._change_s += self._rng.uniform(*(closed_s if self._closed else open_s))
        return self._closed
