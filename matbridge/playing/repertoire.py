"""All presets of a performance, ready to play, and which of them answers for each zone.

    current   the zone of the current preset
    ringing   the zone of a preset that was left while a foot stood there: until the lift

An onset without a lift before it counts as both.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from matbridge.mapping.plan import Leaving, PerformancePlan
from matbridge.playing.ledger import Sent
from matbridge.playing.preset import Act, Place, Preset, tuned_places, used_places
from matbridge.playing.stage import Stage
from matbridge.playing.zones import UNTOLD_LIFT, Onset, Zone

Moment = Callable[[float, float, list[Sent]], None]
"""Called with the value of a pressure or a lift, the present second, and the messages."""


class Repertoire:
    """The presets, the one that is current, and who answers: by the number of the zone.

    tuned: where notes of any preset bend their channel. used: where notes of any may sound.
    """

    __slots__ = (
        "_inherited",
        "_presets",
        "_ringing",
        "_stage",
        "current",
        "index",
        "lifts",
        "onsets",
        "pressures",
        "tuned",
        "used",
    )

    def __init__(self, performance: PerformancePlan, index: int, stage: Stage, act: Act) -> None:
        plans = performance.presets
        self.tuned = tuned_places(plans)
        self.used: frozenset[Place] = frozenset().union(*map(used_places, plans))
        self._stage = stage
        self._presets = [Preset(plan, stage, self.tuned, act) for plan in plans]
        self._ringing: dict[int, Zone] = {}
        self._inherited: set[int] = set()  # those that ring for another repertoire
        self.index = index
        self.current = self._presets[index]
        self.onsets: list[Onset] = list(self.current.onsets)
        self.pressures: list[Moment] = [zone.pressure for zone in self.current.zones]
        self.lifts: list[Moment] = [zone.lift for zone in self.current.zones]
        self.aim()

    def __len__(self) -> int:
        return len(self._presets)

    def at(self, index: int) -> Preset:
        """The preset of an index. Raises ValueError if there is none."""
        if not 0 <= index < len(self._presets):
            raise ValueError(f"there is no preset {index}, only 0 to {len(self._presets) - 1}")
        return self._presets[index]

    def leave(self, now_s: float, out: list[Sent]) -> None:
        """Leave the current preset by its rule."""
        if self.current.plan.leaving is Leaving.END:
            self.current.leave(now_s, out)
            return
        for number, zone in enumerate(self.current.zones):
            if zone.held:
                self._ringing[number] = zone
            zone.ring(now_s, out)

    def take(self, index: int) -> None:
        """Let a preset begin as new and answer for every zone but those that ring."""
        self.index = index
        self.current = self.at(index)
        for zone in self.current.zones:
            zone.reset()
        self.aim()
        self._seat_all()

    def aim(self) -> None:
        """The transposition or the mute has changed."""
        for zone in self.current.zones:
            zone.aim(self._stage.transpose, self._stage.muted)

    def give_way(self, heir: Repertoire, now_s: float, out: list[Sent]) -> None:
        """Leave for good; what is held under feet rings on in `heir`, until the lift at most."""
        self.leave(now_s, out)
        rings = set(map(id, self._ringing.values()))
        for zone in self._zones():
            if id(zone) not in rings:
                zone.leave(now_s, out)
        heir._ringing.update(self._ringing)
        heir._inherited.update(self._ringing)
        heir._seat_all()

    def end_all(self, now_s: float, out: list[Sent]) -> None:
        """Let go of everything, everywhere."""
        self._end_lanes(None, out)
        for zone in self._zones():
            zone.leave(now_s, out)

    def hush(self, out: list[Sent]) -> None:
        """End all notes, everywhere."""
        self._end_lanes(None, out)
        for zone in self._zones():
            zone.hush(out)

    def drop(self, output: int, out: list[Sent]) -> None:
        """End all notes of one output, everywhere."""
        self._end_lanes(output, out)
        for zone in self._zones():
            zone.drop(output, out)

    def pressed(self) -> tuple[bool, ...]:
        """Of which zones the pressure is wanted."""
        return tuple(
            zone.wants_pressure or number in self._ringing
            for number, zone in enumerate(self.current.zones)
        )

    def _zones(self) -> Iterator[Zone]:
        for preset in self._presets:
            yield from preset.zones
        yield from tuple(self._ringing.values())

    def _end_lanes(self, output: int | None, out: list[Sent]) -> None:
        for preset in self._presets:
            preset.end_lanes(output, out)

    def _seat_all(self) -> None:
        for number, zone in enumerate(self.current.zones):
            ringing = self._ringing.get(number)
            if ringing is None or ringing is zone:
                self._seat(number)
            else:
                self._let_ring(number, ringing)

    def _seat(self, number: int) -> None:
        self._ringing.pop(number, None)
        zone = self.current.zones[number]
        self.onsets[number] = self.current.onsets[number]
        self.pressures[number] = zone.pressure
        self.lifts[number] = zone.lift

    def _let_ring(self, number: int, zone: Zone) -> None:
        def lift(value: float, now_s: float, out: list[Sent]) -> None:
            self._seat(number)
            zone.lift(value, now_s, out)
            if number in self._inherited:
                self._inherited.remove(number)
                zone.leave(now_s, out)

        def onset(value: float, time_s: float, now_s: float, out: list[Sent]) -> None:
            lift(UNTOLD_LIFT, now_s, out)
            self.onsets[number](value, time_s, now_s, out)

        self.onsets[number], self.pressures[number], self.lifts[number] = onset, zone.pressure, lift
