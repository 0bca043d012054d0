"""How a scale lies on the mat: which place in the scale each zone takes, from 0."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from matbridge.mapping.plan import ZonePlace

# Zones whose centres differ by less than this part of the usual distance stand in one row.
SAME_ROW = 0.35


def in_order(zones: Sequence[ZonePlace], taking: Sequence[int]) -> dict[int, int]:
    """One after the other, as they are given."""
    del zones
    return {zone: place for place, zone in enumerate(taking)}


def by_rows(zones: Sequence[ZonePlace], taking: Sequence[int]) -> dict[int, int]:
    """Row by row, the nearest row first, each from left to right."""
    return in_order(zones, [zone for row in rows(zones, taking) for zone in row])


def snake(zones: Sequence[ZonePlace], taking: Sequence[int]) -> dict[int, int]:
    """Row by row, every second one from right to left."""
    order: list[int] = []
    for place, row in enumerate(rows(zones, taking)):
        order.extend(reversed(row) if place % 2 else row)
    return in_order(zones, order)


def by_distance(
    zones: Sequence[ZonePlace], taking: Sequence[int], point: tuple[float, float]
) -> dict[int, int]:
    """The nearest to a point first; of equally near ones, as they are given."""

    def distance(zone: int) -> float:
        place = zones[zone]
        return round(math.hypot(place.x_cm - point[0], place.y_cm - point[1]), 6)

    return in_order(zones, sorted(taking, key=distance))


def by_angle(
    zones: Sequence[ZonePlace], taking: Sequence[int], point: tuple[float, float]
) -> dict[int, int]:
    """Clockwise around a point, beginning straight ahead; the nearer first in one direction."""

    def around(zone: int) -> tuple[float, float]:
        across, along = zones[zone].x_cm - point[0], zones[zone].y_cm - point[1]
        angle = round(math.atan2(across, along) % math.tau, 6)
        return (0.0 if angle >= round(math.tau, 6) else angle), math.hypot(across, along)

    return in_order(zones, sorted(taking, key=around))


def by_steps(
    zones: Sequence[ZonePlace], taking: Sequence[int], across: int, along: int
) -> dict[int, int]:
    """`across` places further for each column to the right, `along` for each row.

    A column is as wide as neighbours in a row are apart; a zone between two columns takes its share
    of `across`, rounded down. May go below 0.
    """
    all_rows = rows(zones, taking)
    gaps = [
        zones[right].x_cm - zones[left].x_cm for row in all_rows for left, right in pairwise(row)
    ]
    width_cm = _middle(gaps) if gaps else 1.0
    left_cm = min((zones[zone].x_cm for zone in taking), default=0.0)
    places: dict[int, int] = {}
    for number, row in enumerate(all_rows):
        for zone in row:
            column = round((zones[zone].x_cm - left_cm) / width_cm, 1)
            places[zone] = math.floor(column * across + 1e-9) + along * number
    return places


def rows(zones: Sequence[ZonePlace], taking: Sequence[int]) -> list[list[int]]:
    """The zones in rows, the nearest first, each from left to right."""
    ordered = sorted(taking, key=lambda zone: (zones[zone].y_cm, zones[zone].x_cm))
    apart_cm = SAME_ROW * _usual_distance(zones, taking)
    found: list[list[int]] = []
    for zone in ordered:
        if found and zones[zone].y_cm - zones[found[-1][0]].y_cm <= apart_cm:
            found[-1].append(zone)
        else:
            found.append([zone])
    for row in found:
        row.sort(key=lambda zone: zones[zone].x_cm)
    return found


def _usual_distance(zones: Sequence[ZonePlace], taking: Sequence[int]) -> float:
    """The middle one of the distances from each zone to its nearest neighbour."""
    nearest = (
        [
            min(
                math.hypot(zones[a].x_cm - zones[b].x_cm, zones[a].y_cm - zones[b].y_cm)
                for b in taking
                if b != a
            )
            for a in taking
        ]
        if len(taking) > 1
        else []
    )
    return _middle(nearest) if nearest else 0.0


def _middle(values: Sequence[float]) -> float:
    return sorted(values)[len(values) // 2]


PLAIN = {"order": in_order, "rows": by_rows, "snake": snake}
