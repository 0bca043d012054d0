"""Touch, or a neighbour's touch felt through the mat?

A strike spreads through carpet and foam to the zones around it, where it arrives as a small copy of
itself; and a converter that reads eight channels in turn shows a little of each in the next. So a
zone may be felt by those near it, and by those of its converter. Of such a pair the weaker is
leakage while

    it rises quickly, but by less than a share `crosstalk` of what the other has risen by in the
    same time; or
    it rises slowly, and carries less than that share of what the other carries.

A quick rise beside a neighbour that stands still is a touch of its own, however soft.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import hypot

from matbridge.sensing.zone import State, Zone

# The zones around a zone are those not much farther than the nearest of all.
AROUND_SHARE = 1.6

# One converter of the trade reads eight channels in turn.
CONVERTER_CHANNELS = 8


def link_neighbours(
    zones: Sequence[Zone], places: Sequence[tuple[float, float]], reach_cm: float
) -> None:
    """Tell each zone which others it may feel."""
    for zone in zones:
        x_cm, y_cm = places[zone.index]
        away = {
            other: hypot(places[other.index][0] - x_cm, places[other.index][1] - y_cm)
            for other in zones
            if other is not zone
        }
        nearest_cm = min((cm for cm in away.values() if cm > 0.0), default=0.0)
        reach = reach_cm or AROUND_SHARE * nearest_cm
        converter = zone.channel // CONVERTER_CHANNELS
        zone.neighbours = tuple(
            other
            for other, cm in away.items()
            if 0.0 < cm <= reach or other.channel // CONVERTER_CHANNELS == converter
        )


def is_leakage(zone: Zone, share: float) -> bool:
    """Whether all that a zone feels may be another's."""
    load = zone.load
    rise = zone.peak - zone.quick_low()
    quick = rise >= zone.onset_level
    for other in zone.neighbours:
        if other.state is State.REST or load >= share * other.load:
            continue
        if not quick or rise < share * (other.load - other.quick_low()):
            return True
    return False
