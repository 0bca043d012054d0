"""Touch, or a neighbour's touch felt through the mat?

A strike spreads through carpet and foam to the zones around it, where it arrives at once as a small
copy of itself, the smaller the farther; and a converter that reads eight channels in turn shows a
little of each in the next. So each zone may feel a share of every other:

    `crosstalk` of those within NEAR_CM; half of that for every `crosstalk_reach_cm` more
    at least CONVERTER_SHARE of `crosstalk` of those on the same converter

Beside another zone that is loaded, a zone feels nothing of its own while

    it rises quickly, but by less than its share of what the other has risen by just now; or
    it rises slowly, and carries less than its share of what the other carries

A quick rise beside a neighbour that stands still is a touch, however soft. As sensors saturate, a
load near a full press stands for up to twice as much as it says, and so do the shares of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from matbridge.sensing.zone import Zone

# A forefoot fills this much; zones cannot well be closer.
NEAR_CM = 15.0

# One converter of the trade reads eight channels in turn; a trace of each is left in the next.
CONVERTER_CHANNELS = 8
CONVERTER_SHARE = 1 / 3

# Shares under this are less than any onset level.
LEAST_SHARE = 0.01


def link_neighbours(
    zones: Sequence[Zone],
    places: Sequence[tuple[float, float]],
    crosstalk: float,
    reach_cm: float,
) -> None:
    """Tell each zone which others it may feel, and how much of each."""
    for zone in zones:
        x_cm, y_cm = places[zone.index]
        felt = []
        for other in zones:
            if other is zone:
                continue
            other_x_cm, other_y_cm = places[other.index]
            away_cm = hypot(other_x_cm - x_cm, other_y_cm - y_cm)
            share = crosstalk * min(1.0, 0.5 ** ((away_cm - NEAR_CM) / reach_cm))
            if zone.channel // CONVERTER_CHANNELS == other.channel // CONVERTER_CHANNELS:
                share = max(share, CONVERTER_SHARE * crosstalk)
            if share >= LEAST_SHARE:
                felt.append((other, share))
        zone.neighbours = tuple(felt)


def is_leakage(zone: Zone, time_s: float) -> bool:
    """Whether all that a zone feels may be another's."""
    load = zone.load
    rise = zone.peak - zone.quick_low()
    quick = rise >= zone.onset_level
    for other, share in zone.neighbours:
        loaded = other.load
        if loaded <= 0.0:
            continue
        felt = share * (1.0 + min(loaded, 1.0))
        if load < felt * loaded and not (quick and rise >= felt * other.recent_rise(time_s)):
            return True
    return False
