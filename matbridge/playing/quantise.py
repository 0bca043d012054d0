"""Quantised onsets: the notes of a zone wait for the next line of the grid.

    state      onset                          lift                            the line comes
    free       line just past or now: play    -                               -
               else -> waiting
    waiting    the later velocity counts      stays; the notes will sound     play -> free
                                              as long as the foot stood

Only onsets of notes wait; lifts, controls and actions do not.
"""

from __future__ import annotations

from matbridge.mapping.plan import Length
from matbridge.midi.messages import RELEASE_UNSENSED
from matbridge.playing.handlers import Handler
from matbridge.playing.ledger import Sent
from matbridge.playing.stage import Stage
from matbridge.playing.timers import Timer


class QuantisedHandler(Handler):
    """A handler of notes, whose onsets wait for the grid."""

    __slots__ = (
        "_early_lift",
        "_inner",
        "_length",
        "_lift",
        "_line",
        "_stage",
        "_struck_s",
        "_velocity",
    )

    def __init__(self, stage: Stage, length: Length, inner: Handler) -> None:
        self._stage = stage
        self._length = length
        self._inner = inner
        self._line: Timer | None = None
        self._velocity = 0
        self._struck_s = 0.0
        # Release velocity, and how long the foot stood, of a lift while waiting.
        self._early_lift: tuple[int, float] | None = None
        self._lift: Timer | None = None

    @property
    def wants_pressure(self) -> bool:
        return self._inner.wants_pressure

    def onset(self, velocity: int, time_s: float, now_s: float, out: list[Sent]) -> None:
        self._velocity = velocity
        self._struck_s = now_s
        self._early_lift = None
        if self._line is not None:
            return
        if self._lift is not None:
            self._stage.timers.cancel(self._lift)
            self._lift = None
            self._inner.lift(RELEASE_UNSENSED, now_s, out)
        stage, length = self._stage, self._length
        if length.beats:
            beat = stage.tempo.line_after(time_s, length.beats)
            if beat > stage.tempo.beat_at(now_s):
                self._line = stage.timers.at_beat(beat, self._play)
                return
        else:
            line_s = stage.tempo.line_after_s(time_s, length.seconds)
            if line_s > now_s:
                self._line = stage.timers.at(line_s, self._play)
                return
        self._inner.onset(velocity, time_s, now_s, out)

    def pressure(self, value: float, now_s: float, out: list[Sent]) -> None:
        if self._line is None:
            self._inner.pressure(value, now_s, out)

    def lift(self, velocity: int, now_s: float, out: list[Sent]) -> None:
        if self._line is None:
            self._inner.lift(velocity, now_s, out)
        else:
            self._early_lift = (velocity, now_s - self._struck_s)

    def leave(self, now_s: float, out: list[Sent]) -> None:
        self._forget()
        self._inner.leave(now_s, out)

    def ring(self, now_s: float, out: list[Sent]) -> None:
        if self._early_lift is not None:
            self._forget()
        self._inner.ring(now_s, out)

    def reset(self) -> None:
        self._inner.reset()

    def hush(self, out: list[Sent]) -> None:
        self._forget()
        self._inner.hush(out)

    def drop(self, output: int, out: list[Sent]) -> None:
        self._inner.drop(output, out)

    def _play(self, now_s: float, out: list[Sent]) -> None:
        self._line = None
        self._inner.onset(self._velocity, now_s, now_s, out)
        if self._early_lift is not None:
            velocity, stood_s = self._early_lift
            self._early_lift = None
            self._lift = self._stage.timers.at(
                now_s + stood_s, lambda now_s, out: self._late_lift(velocity, now_s, out)
            )

    def _late_lift(self, velocity: int, now_s: float, out: list[Sent]) -> None:
        self._lift = None
        self._inner.lift(velocity, now_s, out)

    def _forget(self) -> None:
        self._stage.timers.cancel(self._line)
        self._stage.timers.cancel(self._lift)
        self._line = self._lift = self._early_lift = None
