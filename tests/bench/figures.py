"""From a run to figures: who pressed what, which note answered, and how long it took."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Heard:
    """One channel message as it arrived; time in monotonic ns, channel 1-16."""

    time_ns: int
    kind: int
    channel: int
    first: int
    second: int


def parse(received: Iterable[tuple[int, bytes]]) -> list[Heard]:
    """Raw MIDI with running status and real-time bytes to channel messages (MIDI 1.0)."""
    heard = []
    status = 0
    data: list[int] = []
    for time_ns, piece in received:
        for byte in piece:
            if byte >= 0xF8:
                continue
            if byte >= 0x80:
                status, data = (byte if byte < 0xF0 else 0), []
                continue
            if not status:
                continue
            data.append(byte)
            if len(data) == (1 if status & 0xF0 in (0xC0, 0xD0) else 2):
                second = data[1] if len(data) == 2 else 0
                heard.append(Heard(time_ns, status & 0xF0, (status & 15) + 1, data[0], second))
                data = []
    return heard


@dataclass(slots=True)
class Answers:
    """How the presses of a run were answered. Latencies in ns, one for each answered press."""

    presses: int = 0
    missing: int = 0
    spurious: int = 0
    unpaired: int = 0  # note-ons without their note-off, or twice on
    latency_ns: list[int] = field(default_factory=list)
    spread_ns: list[int] = field(default_factory=list)  # first to last note-on of a storm


def note_ons(heard: Sequence[Heard], zone_of: dict[tuple[int, int], int]) -> dict[int, list[int]]:
    """Times of the note-ons of each zone."""
    times: dict[int, list[int]] = {}
    for message in heard:
        if message.kind == 0x90 and message.second:
            zone = zone_of.get((message.channel, message.first), -1)
            times.setdefault(zone, []).append(message.time_ns)
    return times


def unpaired(heard: Sequence[Heard]) -> int:
    """Note-ons that did not get exactly one note-off before the next one or the end."""
    sounding: set[tuple[int, int]] = set()
    wrong = 0
    for message in heard:
        key = (message.channel, message.first)
        if message.kind == 0x90 and message.second:
            wrong += key in sounding
            sounding.add(key)
        elif message.kind in (0x80, 0x90):
            wrong += key not in sounding
            sounding.discard(key)
    return wrong + len(sounding)


def answer(
    due: Sequence[tuple[int, int]],
    written_ns: Sequence[int],
    ons: dict[int, list[int]],
) -> Answers:
    """Match note-ons to presses.

    due: (zone, number of the scan that completes the decision) of each press.
    """
    result = Answers(presses=len(due))
    by_zone: dict[int, list[int]] = {}
    for zone, scan in due:
        by_zone.setdefault(zone, []).append(written_ns[scan])
    first_of: dict[int, list[int]] = {}
    for zone, starts in by_zone.items():
        taken: set[int] = set()
        for time_ns in ons.get(zone, []):
            index = bisect_right(starts, time_ns) - 1
            if index < 0 or index in taken:
                result.spurious += 1
                continue
            taken.add(index)
            result.latency_ns.append(time_ns - starts[index])
            first_of.setdefault(starts[index], []).append(time_ns)
        result.missing += len(starts) - len(taken)
    result.spurious += sum(len(times) for zone, times in ons.items() if zone not in by_zone)
    result.spread_ns = [max(times) - min(times) for times in first_of.values() if len(times) > 1]
    return result


def quantile(values: Sequence[float], share: float) -> float:
    """The nearest-rank quantile; nan of nothing."""
    if not values:
        return math.nan
    ordered = sorted(values)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)]
