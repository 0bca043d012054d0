"""A mat plan from the side of its sensors: which zone hangs on which channel of which board."""

from __future__ import annotations

from matbridge.mapping.plan import MatPlan
from matbridge.sensing.calibration import Wiring, ZoneWire


def wiring(mat: MatPlan) -> Wiring:
    """What of `mat` a calibration depends on. Every zone of a plan has exactly one channel."""
    places = {
        zone: (number, channel)
        for number, board in enumerate(mat.boards)
        for channel, zone in enumerate(board.zones)
        if zone >= 0
    }
    wires = (ZoneWire(zone.name, *places[index]) for index, zone in enumerate(mat.zones))
    return Wiring(mat.name, mat.sensor, tuple(wires))
