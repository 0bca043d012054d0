"""MIDI clock out: 24 to the quarter note, from a start to a stop.

The clocks are counted from a beat and never from the one before, so they do not drift. While a
clock from outside rules the tempo its ticks are passed on as they come, and ours wait.
"""

from __future__ import annotations

from matbridge.midi.messages import CLOCK, CLOCKS_PER_BEAT, CONTINUE, START, STOP
from matbridge.playing.ledger import Sent
from matbridge.playing.stage import Stage
from matbridge.playing.tempo import CLOCK_LOST_S
from matbridge.playing.timers import Timer

# A receiver needs a moment between the start and the first clock, which is the first beat (common
# practice: at least a millisecond).
START_LEAD_S = 0.001

BEATS_PER_CLOCK = 1 / CLOCKS_PER_BEAT


class ClockOut:
    """The clock of some outputs; for none it costs nothing."""

    __slots__ = ("_running", "_stage", "_timer", "outputs")

    def __init__(self, stage: Stage, outputs: tuple[int, ...]) -> None:
        self._stage = stage
        self.outputs = outputs
        self._running = False
        self._timer: Timer | None = None

    def start(self, now_s: float, out: list[Sent]) -> None:
        """Start, unless it runs already; the first clock is a whole beat."""
        if self._running or not self.outputs:
            return
        self._running = True
        self._send(START, out)
        self._stage.tempo.begin(now_s + START_LEAD_S)
        self._count_from(now_s + START_LEAD_S)

    def stop(self, out: list[Sent]) -> None:
        """Stop, if it runs."""
        if self._running:
            self._running = False
            self._stage.timers.cancel(self._timer)
            self._send(STOP, out)

    def back(self, output: int, out: list[Sent]) -> None:
        """An output is there again: its receiver may have stopped meanwhile."""
        if self._running and output in self.outputs:
            out.append((output, CONTINUE))

    def passed_on(self, message: bytes, out: list[Sent]) -> None:
        """A timing message came from outside."""
        if self._running:
            self._send(message, out)

    def _count_from(self, second: float) -> None:
        beat = self._stage.tempo.beat_at(second)
        self._timer = self._stage.timers.at_beat(beat, self._fire)

    def _fire(self, now_s: float, out: list[Sent]) -> None:
        if self._stage.tempo.outside(now_s):
            self._timer = self._stage.timers.at(now_s + CLOCK_LOST_S, self._resume)
        elif self._timer is not None:
            self._send(CLOCK, out)
            beat = self._timer.due
            self._timer = self._stage.timers.again_at_beat(beat, BEATS_PER_CLOCK, self._fire)

    def _resume(self, now_s: float, out: list[Sent]) -> None:
        if self._stage.tempo.outside(now_s):
            self._timer = self._stage.timers.again(now_s, CLOCK_LOST_S, self._resume)
        else:
            self._count_from(now_s)

    def _send(self, message: bytes, out: list[Sent]) -> None:
        out.extend([(output, message) for output in self.outputs])
