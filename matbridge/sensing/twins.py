"""Two zones that move as one: their wires are bridged.

Bridged channels read the same voltage, so their loads are alike however they are pressed; two parts
side by side, even under one foot, are not. A pair is suspected when both are found held, struck in
the same scan or the next, with like loads; it is cleared by anything unlike; after TWIN_TOUCHES
touches in a row it is a fault of the later channel. While a body lies on more than MOST_AWAKE zones
nothing is looked for: among so many, some are alike by chance, and bridged wires show in play too.
"""

from __future__ import annotations

from collections.abc import Sequence

from matbridge.sensing.zone import State, Zone

TWIN_SHARE = 0.02
TWIN_S = 0.0025
TWIN_TOUCHES = 3
MOST_AWAKE = 16


class Twins:
    """The pairs under suspicion, each with the onset it was last seen at and how many it was."""

    __slots__ = ("_suspects",)

    def __init__(self) -> None:
        self._suspects: dict[tuple[Zone, Zone], tuple[float, int]] = {}

    def look(self, zone: Zone, awake: Sequence[Zone]) -> tuple[Zone, Zone] | None:
        """Look at a held zone beside the others; a pair that is bridged, the later channel last."""
        if len(awake) > MOST_AWAKE:
            return None
        if self._suspects:
            self._clear_some(zone)
        for other in awake:
            if other is zone or not _together(zone, other) or not alike(zone, other):
                continue
            pair = (zone, other) if zone.channel < other.channel else (other, zone)
            seen_s, touches = self._suspects.get(pair, (0.0, 0))
            if seen_s != pair[0].onset_s:
                touches += 1
            self._suspects[pair] = (pair[0].onset_s, touches)
            if touches >= TWIN_TOUCHES:
                del self._suspects[pair]
                return pair
        return None

    def _clear_some(self, zone: Zone) -> None:
        cleared = [
            pair
            for pair in self._suspects
            if zone in pair and not (_together(*pair) and alike(*pair))
        ]
        for pair in cleared:
            del self._suspects[pair]


def alike(zone: Zone, other: Zone) -> bool:
    """Whether two zones read the same now."""
    one, two = _raw(zone), _raw(other)
    return abs(one - two) <= TWIN_SHARE * max(one, two)


def _raw(zone: Zone) -> float:
    """Its load in units of the law, whatever the part's rest and full press."""
    return zone.load / zone.scale + zone.rest_load


def _together(zone: Zone, other: Zone) -> bool:
    """Whether both are held, and were struck at once."""
    if zone.state is not State.HELD or other.state is not State.HELD:
        return False
    return abs(zone.onset_s - other.onset_s) <= TWIN_S
