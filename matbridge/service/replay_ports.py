"""A replay to the outputs of its performance, in real time.

Each step goes out at the start plus its own time over the speed, so that no delay adds up. It is
computed as soon as the one before it is out, so that nothing is computed when it is due.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from matbridge.loop import Loop, Timer
from matbridge.mapping.plan import PerformancePlan
from matbridge.midi.messages import NOTE_ON
from matbridge.service.log import Log
from matbridge.service.outlets import Outlets
from matbridge.service.pipeline import Sent
from matbridge.service.replaying import Played, Replay


class PortReplay:
    """Plays until the take is over, or `close`.

    on_end: called from the loop when the take is over. notes: begun so far. time_s: of the take,
    how far it has been played.
    """

    on_end: Callable[[], None] | None = None

    def __init__(
        self, loop: Loop, log: Log, replay: Replay, performance: PerformancePlan, speed: float = 1.0
    ) -> None:
        """speed: 2.0 plays in half the time. Raises OutputUnavailable where an output can never
        be made."""
        self._loop = loop
        self._replay = replay
        self._presets = [preset.name for preset in performance.presets]
        self._speed = speed
        self._outlets = Outlets(loop, log, performance.outputs, None)
        self._outlets.on_down = replay.pipeline.output_lost
        self._outlets.on_up = lambda output: self._send(replay.pipeline.output_back(output))
        self._outlets.on_join = replay.pipeline.greeting
        self._steps: Iterator[Played] = iter(())
        self._next: Played | None = None
        self._timer: Timer | None = None
        self._start_s = 0.0
        self._entered = -1
        self._closed = False
        self.notes = 0
        self.time_s = 0.0

    def open(self, preset: int | None = None) -> None:
        """Open the outputs and begin. Raises OutputError where one can never come."""
        self._outlets.open()
        for index, output in enumerate(self._outlets.outputs):
            if not output.up:
                self._replay.pipeline.output_lost(index, unseen=False)
        self._steps = self._replay.steps(preset)
        self._next = next(self._steps, None)
        self._start_s = self._loop.now_s()
        self._play_due()

    def close(self) -> None:
        """Leave it: every note-off that is owed goes out, and the outputs close. Twice is fine."""
        if self._closed:
            return
        self._closed = True
        if self._timer is not None:
            self._timer.cancel()
        if self._next is not None:
            # It is reckoned with already: its notes are among those that must end.
            self._send(self._next.sent)
            self._send(self._replay.finish(self._next.time_s))
        self._outlets.close()

    def _play_due(self) -> None:
        self._timer = None
        while (step := self._next) is not None:
            due_s = self._start_s + step.time_s / self._speed
            if due_s > self._loop.now_s():
                self._timer = self._loop.call_at(due_s, self._play_due)
                return
            self._send(step.sent)
            self.time_s = step.time_s
            self._next = next(self._steps, None)
        if self.on_end is not None:
            self.on_end()

    def _send(self, sent: Sent) -> None:
        if not sent:
            return
        preset = self._replay.pipeline.preset
        if preset != self._entered:
            self._entered = preset
            for output in self._outlets.outputs:
                output.mark(self._presets[preset])
        self.notes += sum(message[0] & 0xF0 == NOTE_ON for _, message in sent)
        self._outlets.send(sent)
