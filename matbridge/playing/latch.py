"""The latch pedal: while it is down, notes whose zone has let them go sound on."""

from __future__ import annotations

from collections.abc import Hashable

from matbridge.mapping.plan import PedalPart
from matbridge.midi.messages import RELEASE_UNSENSED
from matbridge.playing.handlers import Handler
from matbridge.playing.ledger import Sent
from matbridge.playing.voices import Lane, Voice


class Latch:
    """What the pedals of a preset keep: of each note of a lane one voice, so it stays small."""

    __slots__ = ("_kept", "_pedals")

    def __init__(self) -> None:
        self._pedals: set[Hashable] = set()
        self._kept: dict[tuple[int, tuple[int, int]], tuple[Lane, Voice]] = {}

    @property
    def down(self) -> bool:
        return bool(self._pedals)

    def press(self, who: Hashable) -> None:
        self._pedals.add(who)

    def release(self, who: Hashable, out: list[Sent]) -> None:
        """One pedal comes up; with the last, what they kept ends."""
        self._pedals.discard(who)
        if not self._pedals:
            kept = list(self._kept.values())
            self._kept.clear()
            for lane, voice in kept:
                lane.end(voice, RELEASE_UNSENSED, out)

    def keep(self, lane: Lane, voice: Voice, velocity: int, out: list[Sent]) -> None:
        """A zone lets go of a voice: keep it if it sounds; `velocity` is its release otherwise."""
        if voice.key < 0:
            lane.end(voice, velocity, out)
            return
        voice.held = False
        place = (id(lane), voice.pitch)
        before = self._kept.get(place)
        self._kept[place] = (lane, voice)
        if before is not None:
            before[0].end(before[1], velocity, out)

    def end(self, owner: object, out: list[Sent]) -> None:
        """End what is kept of one part."""
        for place, (lane, voice) in list(self._kept.items()):
            if voice.owner is owner:
                del self._kept[place]
                lane.end(voice, RELEASE_UNSENSED, out)


class PedalHandler(Handler):
    """A latch pedal: down while touched, or in turn."""

    __slots__ = ("_down", "_latch", "_toggle")

    def __init__(self, part: PedalPart, latch: Latch) -> None:
        self._latch = latch
        self._toggle = part.toggle
        self._down = False

    def onset(self, velocity: int, time_s: float, now_s: float, out: list[Sent]) -> None:
        if self._toggle and self._down:
            self._up(out)
        else:
            self._down = True
            self._latch.press(self)

    def lift(self, velocity: int, now_s: float, out: list[Sent]) -> None:
        if not self._toggle:
            self._up(out)

    def leave(self, now_s: float, out: list[Sent]) -> None:
        self._up(out)

    def ring(self, now_s: float, out: list[Sent]) -> None:
        self._up(out)

    def _up(self, out: list[Sent]) -> None:
        self._down = False
        self._latch.release(self, out)
