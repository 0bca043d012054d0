"""Which preset's zone answers for each zone of the mat.

    current   the zone of the current preset
    ringing   the zone of a preset that was left while a foot stood there: until the lift

An onset without a lift before it counts as both.
"""

from __future__ import annotations

from collections.abc import Callable

from matbridge.playing.ledger import Sent
from matbridge.playing.preset import Preset
from matbridge.playing.zones import UNTOLD_LIFT, Onset, Zone

Moment = Callable[[float, float, list[Sent]], None]
"""Called with the value of a pressure or a lift, the present second, and the messages."""


class Roster:
    """Who answers: `onsets`, `pressures` and `lifts` by the number of the zone."""

    __slots__ = ("_preset", "lifts", "onsets", "pressures", "ringing")

    def __init__(self, preset: Preset) -> None:
        self.ringing: dict[int, Zone] = {}
        self.onsets: list[Onset] = list(preset.onsets)
        self.pressures: list[Moment] = [zone.pressure for zone in preset.zones]
        self.lifts: list[Moment] = [zone.lift for zone in preset.zones]
        self._preset = preset

    def seat(self, preset: Preset) -> None:
        """Let a preset answer for every zone but those that ring."""
        self._preset = preset
        for number, zone in enumerate(preset.zones):
            if self.ringing.get(number) in (None, zone):
                self._seat(number)
            else:
                self._let_ring(number, self.ringing[number])

    def _seat(self, number: int) -> None:
        self.ringing.pop(number, None)
        zone = self._preset.zones[number]
        self.onsets[number] = self._preset.onsets[number]
        self.pressures[number] = zone.pressure
        self.lifts[number] = zone.lift

    def _let_ring(self, number: int, zone: Zone) -> None:
        def lift(value: float, now_s: float, out: list[Sent]) -> None:
            self._seat(number)
            zone.lift(value, now_s, out)

        def onset(value: float, time_s: float, now_s: float, out: list[Sent]) -> None:
            lift(UNTOLD_LIFT, now_s, out)
            self.onsets[number](value, time_s, now_s, out)

        self.onsets[number], self.pressures[number], self.lifts[number] = onset, zone.pressure, lift
