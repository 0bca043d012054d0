"""What the bench plays: presses on a mat of N zones, as the scans of a board. All of it is seeded.

scenario   presses
idle       none: rest noise only
play       one at a time, at random moments and places, eight a second
storm      every zone at the same moment, twice a second
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

from matbridge.board.packed import encode_scan

LEAD_S = 1.5  # rest before the first press, in which a bridge may find its feet
TAIL_S = 0.6  # rest after the last
PRESSES_PER_S = 8.0
STORMS_PER_S = 2.0
REST_ROWS = 211  # a prime number of rest scans, so that they beat with nothing
BITS = 10


@dataclass(frozen=True, slots=True)
class Press:
    """One press: scan numbers of its first movement and of the first reading over `THRESHOLD`."""

    zone: int
    first: int
    crossing: int


THRESHOLD = 200  # reading at which the two plain scripts call a zone pressed


@dataclass(frozen=True, slots=True)
class Played:
    """A whole scenario: the bytes of every scan, its readings, and the presses in it."""

    zones: int
    rate_hz: float
    packed: bool
    frames: Sequence[bytes]
    presses: Sequence[Press]


Moment: TypeAlias = tuple[float, int, float, float, float, int]


def _moments(scenario: str, zones: int, seconds: float, dice: random.Random) -> list[Moment]:
    """(start_s, zone, rise_s, hold_s, fall_s, peak) of each press."""

    def shape(zone: int, start_s: float, rise_s: float) -> Moment:
        return (
            start_s,
            zone,
            rise_s,
            dice.uniform(0.1, 0.3),
            dice.uniform(0.01, 0.04),
            dice.randint(500, 1000),
        )

    presses = []
    end_s = LEAD_S + seconds
    now_s = LEAD_S
    if scenario == "play":
        free_s = [0.0] * zones
        while (now_s := now_s + dice.expovariate(PRESSES_PER_S)) < end_s:
            ready = [zone for zone in range(zones) if free_s[zone] <= now_s]
            if ready:
                press = shape(dice.choice(ready), now_s, dice.uniform(0.006, 0.02))
                free_s[press[1]] = now_s + sum(press[2:5]) + 0.08
                presses.append(press)
    elif scenario == "storm":
        while now_s < end_s:
            rise_s = dice.uniform(0.006, 0.02)
            presses += [shape(zone, now_s, rise_s) for zone in range(zones)]
            now_s += 1 / STORMS_PER_S + dice.uniform(0, 0.01)
    return presses


def perform(
    scenario: str, zones: int, seconds: float, rate_hz: float, *, packed: bool, seed: int
) -> Played:
    """Render a scenario. The same arguments give the same bytes."""
    dice = random.Random(f"{scenario}/{zones}/{seconds}/{rate_hz}/{seed}")
    moments = _moments(scenario, zones, seconds, dice)
    return render(moments, zones, LEAD_S + seconds + TAIL_S, rate_hz, packed=packed, dice=dice)


def render(
    moments: Sequence[Moment],
    zones: int,
    seconds: float,
    rate_hz: float,
    *,
    packed: bool,
    dice: random.Random,
) -> Played:
    """The scans of a board on which these presses are made."""
    rest = [dice.randint(20, 60) for _ in range(zones)]
    quiet = [[level + dice.randint(-3, 3) for level in rest] for _ in range(REST_ROWS)]
    total = math.ceil(seconds * rate_hz)
    moved: dict[int, list[tuple[int, int]]] = {}
    presses = []
    for start_s, zone, rise_s, hold_s, fall_s, peak in moments:
        first = math.ceil(start_s * rate_hz)
        crossing = None
        for index in range(first, total):
            at_s = index / rate_hz - start_s
            if at_s >= rise_s + hold_s + fall_s:
                break
            if at_s < rise_s:
                share = 0.5 - 0.5 * math.cos(math.pi * at_s / rise_s)
            elif at_s < rise_s + hold_s:
                share = 1.0
            else:
                share = 0.5 + 0.5 * math.cos(math.pi * (at_s - rise_s - hold_s) / fall_s)
            reading = round(rest[zone] + (peak - rest[zone]) * share + dice.randint(-3, 3))
            moved.setdefault(index, []).append((zone, min(max(reading, 0), 1023)))
            if crossing is None and reading >= THRESHOLD:
                crossing = index
        if crossing is not None:
            presses.append(Press(zone, first, crossing))
    frames = []
    for index in range(total):
        row = quiet[index % REST_ROWS]
        if index in moved:
            row = row.copy()
            for zone, reading in moved[index]:
                row[zone] = reading
        if packed:
            clock_us = round(index * 1e6 / rate_hz)
            frames.append(encode_scan(index, clock_us, row, BITS))
        else:
            frames.append(b"%s\n" % ",".join(map(str, row)).encode())
    return Played(zones, rate_hz, packed, frames, presses)
