"""A zone of a preset: from the values of a touch to what its parts do.

Most zones play one note while they are touched. Those are PlainZones, with nothing between the
touch and the ledger; anything else is a zone of handlers.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from matbridge.mapping.plan import VelocityPlan
from matbridge.midi.messages import NOTES, RELEASE_UNSENSED
from matbridge.playing.handlers import Handler
from matbridge.playing.ledger import Ledger, Sent
from matbridge.playing.pressure import Flow
from matbridge.playing.voices import Strike

Onset = Callable[[float, float, float, list[Sent]], None]
"""Called with the value of the onset, the second it happened, the present one, and the messages."""

# The speed of a lift that nobody told of: neither slow nor fast, as where it is not sensed.
UNTOLD_LIFT = 0.5


class Zone:
    """A zone that plays nothing; what is said of handlers holds for zones too."""

    __slots__ = ()

    @property
    def held(self) -> bool:
        """Whether an onset has come and no lift."""
        return False

    @property
    def wants_pressure(self) -> bool:
        """Whether `pressure` does anything."""
        return False

    def onset(self, value: float, time_s: float, now_s: float, out: list[Sent]) -> None:
        """The zone was struck at `time_s`, with a value of 0.0-1.0."""

    def pressure(self, value: float, now_s: float, out: list[Sent]) -> None:
        """The zone is pressed to a value of 0.0-1.0."""

    def lift(self, value: float, now_s: float, out: list[Sent]) -> None:
        """The zone was let go, at a speed of 0.0-1.0."""

    def leave(self, now_s: float, out: list[Sent]) -> None:
        """Let go of everything."""

    def ring(self, now_s: float, out: list[Sent]) -> None:
        """Let go of what no foot holds."""

    def reset(self) -> None:
        """The preset is entered."""

    def hush(self, out: list[Sent]) -> None:
        """End all notes."""

    def drop(self, output: int, out: list[Sent]) -> None:
        """End the notes of one output."""

    def aim(self, transpose: int, muted: bool) -> None:
        """The next onset is transposed, or muted."""


class PlainZone(Zone):
    """One note while touched, as it is, and nothing else."""

    __slots__ = (
        "_aim",
        "_base",
        "_key",
        "_note",
        "_release",
        "_releases",
        "_strike",
        "_transposable",
        "_velocities",
        "_zone",
    )

    def __init__(
        self,
        ledger: Ledger,
        zone: int,
        velocity: VelocityPlan,
        base: int,
        note: int,
        transposable: bool,
        strike: Strike,
    ) -> None:
        """`base`: the key of note 0 on its channel."""
        self._zone = zone
        self._velocities = velocity.table
        self._releases = velocity.release
        self._base = base
        self._note = note
        self._transposable = transposable
        self._strike = strike
        self._release = ledger.release
        self._key = -1  # that sounds
        self._aim = -1  # that the next onset strikes

    @property
    def held(self) -> bool:
        return self._key >= 0

    def onset(self, value: float, time_s: float, now_s: float, out: list[Sent]) -> None:
        if self._key >= 0:
            self._release(self._key, RELEASE_UNSENSED, out)
        self._key = key = self._aim
        if key >= 0:
            self._strike(key, self._velocities[int(value * 1023 + 0.5)], self._zone, out)

    def lift(self, value: float, now_s: float, out: list[Sent]) -> None:
        key = self._key
        if key >= 0:
            self._key = -1
            releases = self._releases
            speed = RELEASE_UNSENSED if releases is None else releases[int(value * 1023 + 0.5)]
            self._release(key, speed, out)

    def leave(self, now_s: float, out: list[Sent]) -> None:
        self.hush(out)

    def hush(self, out: list[Sent]) -> None:
        if self._key >= 0:
            self._release(self._key, RELEASE_UNSENSED, out)
            self._key = -1

    def drop(self, output: int, out: list[Sent]) -> None:
        if self._key >> 11 == output:
            self.hush(out)

    def aim(self, transpose: int, muted: bool) -> None:
        note = self._note + (transpose if self._transposable else 0)
        self._aim = self._base + note if 0 <= note < NOTES and not muted else -1


class PressedZone(PlainZone):
    """A plain zone whose pressure drives flows of its channel."""

    __slots__ = ("flows",)

    flows: tuple[Flow, ...]

    @property
    def wants_pressure(self) -> bool:
        return True

    def pressure(self, value: float, now_s: float, out: list[Sent]) -> None:
        if self._key >= 0:
            for flow in self.flows:
                flow.press(self._zone, value, now_s, out)

    def lift(self, value: float, now_s: float, out: list[Sent]) -> None:
        self._let_go(now_s, out)
        super().lift(value, now_s, out)

    def leave(self, now_s: float, out: list[Sent]) -> None:
        self._let_go(now_s, out)
        super().leave(now_s, out)

    def reset(self) -> None:
        for flow in self.flows:
            flow.reset()

    def _let_go(self, now_s: float, out: list[Sent]) -> None:
        for flow in self.flows:
            flow.release(self._zone, now_s, out)


class PartsZone(Zone):
    """A zone of any parts; they are told in the order written, actions last."""

    __slots__ = ("_handlers", "_held", "_pressed", "_releases", "_velocities")

    def __init__(self, velocity: VelocityPlan, handlers: tuple[Handler, ...]) -> None:
        self._velocities = velocity.table
        self._releases = velocity.release
        self._handlers = handlers
        self._pressed = tuple(handler for handler in handlers if handler.wants_pressure)
        self._held = False

    @property
    def held(self) -> bool:
        return self._held

    @property
    def wants_pressure(self) -> bool:
        return bool(self._pressed)

    def onset(self, value: float, time_s: float, now_s: float, out: list[Sent]) -> None:
        if self._held:
            self.lift(UNTOLD_LIFT, now_s, out)
        self._held = True
        velocity = self._velocities[int(value * 1023 + 0.5)]
        for handler in self._handlers:
            handler.onset(velocity, time_s, now_s, out)

    def pressure(self, value: float, now_s: float, out: list[Sent]) -> None:
        if self._held:
            for handler in self._pressed:
                handler.pressure(value, now_s, out)

    def lift(self, value: float, now_s: float, out: list[Sent]) -> None:
        if self._held:
            self._held = False
            releases = self._releases
            speed = RELEASE_UNSENSED if releases is None else releases[int(value * 1023 + 0.5)]
            for handler in self._handlers:
                handler.lift(speed, now_s, out)

    def leave(self, now_s: float, out: list[Sent]) -> None:
        self._held = False
        for handler in self._handlers:
            handler.leave(now_s, out)

    def ring(self, now_s: float, out: list[Sent]) -> None:
        for handler in self._handlers:
            handler.ring(now_s, out)

    def reset(self) -> None:
        for handler in self._handlers:
            handler.reset()

    def hush(self, out: list[Sent]) -> None:
        for handler in self._handlers:
            handler.hush(out)

    def drop(self, output: int, out: list[Sent]) -> None:
        for handler in self._handlers:
            handler.drop(output, out)


class Crowd:
    """How many onsets may come at once before they are a body lying on the mat.

    Every onset counts, those that stay silent too: a body goes on arriving for a while.
    """

    __slots__ = ("_latest_s", "_within_s")

    def __init__(self, most: int, within_s: float) -> None:
        self._latest_s: deque[float] = deque(maxlen=most)
        self._within_s = within_s

    def guard(self, onset: Onset) -> Onset:
        """The onset of a zone that plays nothing when the crowd is too big."""
        latest_s, within_s = self._latest_s, self._within_s

        def guarded(value: float, time_s: float, now_s: float, out: list[Sent]) -> None:
            too_many = len(latest_s) == latest_s.maxlen and time_s - latest_s[0] < within_s
            latest_s.append(time_s)
            if not too_many:
                onset(value, time_s, now_s, out)

        return guarded
