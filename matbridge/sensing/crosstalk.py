"""Touch, or a neighbour's touch felt through the mat?

A strike spreads through carpet and foam to the zones around it, where it arrives at once as a small
copy of itself, the smaller the farther. So a zone may feel of every other zone's force

    `crosstalk` within NEAR_CM, or what `calibrate` saw the nearest feel if that is more; half of it
    for every `crosstalk_reach_cm` farther

Electrodes leak by their leads, which run anywhere: what calibration saw of them holds at any
distance, and a trace at least of those on the same converter.

What a zone has risen by is leakage, or may be, while it is less than all it may feel of the others:

    of one that grew while it rose, its share of all that the other carries
    of one that did not, its share of what the other has risen by just now
    where it rose slowly, its share of all that each of them carries

What is left of a touch that has dropped quickly is leakage while it is less than its share of all
that the others carry.

So a quick rise beside a neighbour that stands still is a touch, however soft.

All this is reckoned in force: a sensor that saturates shows ever less of what is laid on it, so
that of two loads the smaller looks larger than it is.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from math import hypot
from operator import itemgetter
from statistics import median

from matbridge.sensing import law
from matbridge.sensing.zone import QUICK_S, STRIKE_S, State, Zone

# A forefoot fills this much; zones cannot well be closer.
NEAR_CM = 15.0

# What calibration saw of a leak is taken times this: no two strikes spread alike.
MEASURED_MARGIN = 2.5
MOST_SHARE = 0.5

# One converter of the trade reads eight channels in turn; a trace of each is left in the next. Of a
# divider's reading, a trace is far below any onset level.
CONVERTER_CHANNELS = 8
CONVERTER_SHARE = 0.05

# Shares under this are less than any onset level: of the hardest stomp, a fraction of a newton. And
# on a mat of very many small zones only the nearest few matter.
LEAST_SHARE = 0.0005
MOST_NEIGHBOURS = 32

# So long after an onset, a crest still speaks for the strike.
FRESH_S = 2.0 * QUICK_S

# Near saturation, what noise takes off a load would take off much of its force.
NEAR_CREST = 0.9

# Of a load beyond what the converter tells apart, there may be so many times as much.
CLIPPED = 2.0

# What is this near to the other's load is no leak of it, whatever the forces.
PLAIN_SHARE = 0.8

# A zone in one of these is touched, or may turn out to be.
_PRESSED = frozenset({State.RISING, State.HELD, State.AGAIN})


def link_neighbours(
    zones: Sequence[Zone],
    places: Sequence[tuple[float, float]],
    leak: float,
    leads: bool,
    crosstalk: float,
    reach_cm: float,
) -> None:
    """Tell each zone which others it may feel, and what share of the force of each.

    leak: what share of its force another feels on this mat, as measured, or 0. leads: whether
    zones leak by their leads.
    """
    nearest_cm = [
        min((_away_cm(zone, other, places) for other in zones if other is not zone), default=0.0)
        for zone in zones
    ]
    leaked = min(MEASURED_MARGIN * leak, MOST_SHARE) if crosstalk else 0.0
    for zone in zones:
        felt = []
        for other, near_cm in zip(zones, nearest_cm, strict=True):
            if other is zone:
                continue
            away_cm = _away_cm(zone, other, places)
            share = crosstalk * 0.5 ** (max(0.0, away_cm - NEAR_CM) / reach_cm)
            beyond_cm = 0.0 if leads else max(0.0, away_cm - near_cm)
            share = max(share, leaked * 0.5 ** (beyond_cm / reach_cm))
            together = zone.channel // CONVERTER_CHANNELS == other.channel // CONVERTER_CHANNELS
            if leads and together and crosstalk:
                share = max(share, CONVERTER_SHARE)
            if share >= LEAST_SHARE:
                felt.append((other, share))
        felt.sort(key=itemgetter(1), reverse=True)
        zone.leaks = dict(felt[:MOST_NEIGHBOURS])


def usual_leak(leaks: Iterable[float | None]) -> float:
    """What of its force a zone of the mat usually leaks: of one press too little is known."""
    known = [leak for leak in leaks if leak is not None]
    return median(known) if known else 0.0


def _away_cm(zone: Zone, other: Zone, places: Sequence[tuple[float, float]]) -> float:
    (x_cm, y_cm), (other_x_cm, other_y_cm) = places[zone.index], places[other.index]
    return hypot(other_x_cm - x_cm, other_y_cm - y_cm)


def is_leakage(zone: Zone, awake: Collection[Zone], time_s: float) -> bool:
    """Whether all that a zone has risen by, or is left with, may be its neighbours'.

    awake: the zones of its board that are not at rest; all others have no load.
    """
    if len(awake) < 2:
        return False
    leaks = zone.leaks
    others = awake if len(awake) < len(leaks) else leaks
    if zone.state is State.HELD:
        felt = sum(
            leaks.get(other, 0.0) * _carried(other, time_s) for other in others if other.load > 0.0
        )
        return force(zone, zone.load) < felt
    plain = zone.load / PLAIN_SHARE
    if not any(other.load > plain and other in leaks for other in others):
        return False
    rise = zone.rise
    quick = zone.state is not State.FAINT and rise.peak - zone.quick_low() >= zone.onset_level
    # What rises from a load may have crept up for as long as it counts as quick.
    since_s = rise.contact_s - QUICK_S if rise.base else rise.contact_s
    own = force(zone, rise.peak) - force(zone, rise.base)
    felt = 0.0
    for other in others:
        share = leaks.get(other, 0.0)
        if other.load <= 0.0 or not share:
            continue
        if quick and not _grew_since(other, since_s, time_s):
            felt += share * _risen(other, time_s)
        else:
            felt += share * _carried(other, time_s)
        if own < felt:
            return True
    return False


def is_beside_a_touch(zone: Zone) -> bool:
    """Whether any zone that it may feel is touched, or about to be."""
    return any(other.state in _PRESSED for other in zone.leaks)


def force(zone: Zone, load: float) -> float:
    """The force of a load on a zone, roughly; see law.py."""
    return law.force(load, zone.most_load, zone.force_power)


def _carried(zone: Zone, time_s: float) -> float:
    """The force it carries; that of its crest just after a strike, or while it is near to it."""
    load, crest = zone.load, zone.grip.crest
    if time_s - zone.onset_s < FRESH_S or load > NEAR_CREST * crest:
        load = max(load, crest)
    carried = force(zone, load)
    return CLIPPED * carried if _is_clipped(zone) else carried


def _risen(zone: Zone, time_s: float) -> float:
    """How much its force has risen by just now; near saturation, noise alone is no rise."""
    low = zone.quick_low()
    if zone.load - low < zone.onset_level and time_s - zone.onset_s >= FRESH_S:
        return 0.0
    return _carried(zone, time_s) - force(zone, low)


def _grew_since(zone: Zone, then_s: float, time_s: float) -> bool:
    """Whether its load has reached a new crest since, or may have beyond what can be told."""
    if zone.rise.grown_s > then_s:
        return True
    return _is_clipped(zone) and time_s - zone.onset_s < STRIKE_S


def _is_clipped(zone: Zone) -> bool:
    """Whether its load is as much as can be told of it."""
    return zone.load >= (zone.table[-1] - zone.rest_load) * zone.scale
