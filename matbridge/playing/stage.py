"""What all presets of a player share: the ledger, the timers, the tempo, the state of receivers."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence

from matbridge.mapping.plan import Length, MpePlan, OutputPlan
from matbridge.playing.bend import ChannelBend
from matbridge.playing.controllers import Controllers
from matbridge.playing.ledger import Image, Ledger, Sent
from matbridge.playing.mpe import MpeZone
from matbridge.playing.tempo import Tempo
from matbridge.playing.timers import Fire, Timer, Timers


class Stage:
    """Shared by the handlers of all presets.

    transpose: semitones added to notes that may move. muted: no note may start.
    """

    __slots__ = (
        "_bends",
        "_mpe",
        "_open",
        "controllers",
        "ledger",
        "muted",
        "tempo",
        "timers",
        "transpose",
    )

    def __init__(self, outputs: int, tempo: Tempo, image: Image | None = None) -> None:
        self.ledger = Ledger(outputs, image)
        self.tempo = tempo
        self.timers = Timers(tempo)
        self.controllers = Controllers(outputs)
        self.transpose = 0
        self.muted = False
        self._bends: dict[tuple[int, int], ChannelBend] = {}
        self._mpe: dict[MpePlan, MpeZone] = {}
        self._open: tuple[MpePlan, ...] = ()

    def after(self, length: Length, now_s: float, fire: Fire) -> Timer:
        """Call `fire` a length of time after a second."""
        if length.beats:
            return self.timers.at_beat(self.tempo.beat_at(now_s) + length.beats, fire)
        return self.timers.at(now_s + length.seconds, fire)

    def bend(self, output: int, channel: int) -> ChannelBend:
        """The one bend of a channel."""
        place = (output, channel)
        if place not in self._bends:
            self._bends[place] = ChannelBend(self.controllers, output, channel)
        return self._bends[place]

    def mpe_zone(self, plan: MpePlan) -> MpeZone:
        """The one MPE zone of a plan."""
        if plan not in self._mpe:
            self._mpe[plan] = MpeZone(plan)
        return self._mpe[plan]

    def mpe_changes(self, wanted: Iterable[MpePlan]) -> set[int]:
        """The outputs whose MPE zones are not those that are wanted."""
        return {plan.output for plan in set(self._open) ^ set(wanted)}

    def set_mpe(self, wanted: tuple[MpePlan, ...], out: list[Sent]) -> None:
        """Close the zones no longer wanted and open those that are; nothing sounds on either."""
        for plan in self._open:
            if plan not in wanted:
                self.mpe_zone(plan).close(self.controllers, out)
        for plan in wanted:
            if plan not in self._open:
                self.mpe_zone(plan).open(self.controllers, out)
        self._open = wanted

    def rest_bends(self, out: list[Sent], tuned: Container[tuple[int, int]] = ()) -> None:
        """Bring the bends of channels to their centre, but of those that notes tune: `tuned`."""
        for place, bend in self._bends.items():
            if place not in tuned:
                bend.tune(0, out)

    def inherit(self, before: Stage, places: Mapping[int, int]) -> None:
        """Go on where another stage stopped: its transposition, its mute, what it owes."""
        self.transpose = before.transpose
        self.muted = before.muted
        self.ledger.inherit(before.ledger, places)


def places_of(before: Sequence[OutputPlan], after: Sequence[OutputPlan]) -> dict[int, int]:
    """The outputs that are the same in another performance: old index to new."""
    return {old: after.index(plan) for old, plan in enumerate(before) if plan in after}
