"""The zones of a mat as they lie, seen from above, fitted into a page or a part of one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from matbridge.mapping.plan import ZonePlace

# Of the way to the nearest neighbour, so much is a zone whose size nobody has written.
USUAL_SHARE = 0.88

# The size of a zone that has no neighbour.
LONE_CM = 40.0


class Box(NamedTuple):
    """Where a zone is drawn: centre and half sizes, in units of the page, y downwards."""

    x: float
    y: float
    half_width: float
    half_height: float
    round: bool


class PlanView(NamedTuple):
    """The zones on a page, and how many units of it are a centimetre. far is up the page."""

    boxes: tuple[Box, ...]
    scale: float
    left: float
    top: float
    width: float
    height: float


def plan_view(
    places: Sequence[ZonePlace], left: float, top: float, width: float, height: float
) -> PlanView:
    """The zones to scale, as large as fits a rectangle of a page, in its middle."""
    usual_cm = usual_size_cm(places)
    sizes = [(place.width_cm or usual_cm, place.depth_cm or usual_cm) for place in places]
    zones = list(zip(places, sizes, strict=True))
    west = min(place.x_cm - size[0] / 2 for place, size in zones)
    east = max(place.x_cm + size[0] / 2 for place, size in zones)
    near = min(place.y_cm - size[1] / 2 for place, size in zones)
    far = max(place.y_cm + size[1] / 2 for place, size in zones)
    scale = min(width / (east - west), height / (far - near))
    used_width, used_height = (east - west) * scale, (far - near) * scale
    x0, y0 = left + (width - used_width) / 2, top + (height - used_height) / 2
    boxes = tuple(
        Box(
            x0 + (place.x_cm - west) * scale,
            y0 + (far - place.y_cm) * scale,
            size[0] / 2 * scale,
            size[1] / 2 * scale,
            place.round,
        )
        for place, size in zones
    )
    return PlanView(boxes, scale, x0, y0, used_width, used_height)


def usual_size_cm(places: Sequence[ZonePlace]) -> float:
    """How large zones may be drawn without lying on each other."""
    apart = [
        math.hypot(one.x_cm - other.x_cm, one.y_cm - other.y_cm)
        for index, one in enumerate(places)
        for other in places[:index]
    ]
    nearest = min((way for way in apart if way > 0), default=0.0)
    return USUAL_SHARE * nearest or LONE_CM
