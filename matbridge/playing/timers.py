"""What is still to come: calls at a second, and calls at a beat.

    pending --its second has come--> fired
    pending --cancel--> forgotten
    more than TIMER_LIMIT pending: the next run fires those that are due first, early

Calls at a beat follow the tempo: when it changes, so does the second at which they are due. Calls
fall due in the order of their seconds, and of their making where those are equal; each is told the
second it was due, and goes by that and not by the present, so that it makes no difference how
often the loop comes round.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from math import ceil, inf

from matbridge.playing.ledger import Sent
from matbridge.playing.tempo import Tempo

Fire = Callable[[float, list[Sent]], None]
"""Called with the second it was due, and where messages go."""

# Every timer belongs to a part of a zone, and a few dozen zones have a few parts each. Only a file
# made to do harm comes near; then notes end early, and memory stays bounded.
TIMER_LIMIT = 8192

# Forgotten entries stay in the heap until they would be due; it is swept when they are the most.
SWEEP_ABOVE = 64

# What comes again and again, and is later than this, is left out: after a laptop's sleep nobody
# wants to hear the missed repeats. What is less late is made good.
STALL_S = 0.25


class Timer:
    """A call to come. `fire` is None once it has been fired or cancelled."""

    __slots__ = ("due", "fire", "order")

    def __init__(self, due: float, order: int, fire: Fire) -> None:
        self.due = due
        self.order = order
        self.fire: Fire | None = fire

    def __lt__(self, other: Timer) -> bool:
        return (self.due, self.order) < (other.due, other.order)


class Timers:
    """All pending calls of a player.

    due_s: the second of the next one, infinite when none is pending.
    """

    __slots__ = ("_beats", "_now_s", "_order", "_pending", "_seconds", "_tempo", "due_s")

    def __init__(self, tempo: Tempo) -> None:
        self._tempo = tempo
        self._seconds: list[Timer] = []
        self._beats: list[Timer] = []
        self._order = 0
        self._pending = 0
        self._now_s = 0.0  # of the latest run
        self.due_s = inf

    def __len__(self) -> int:
        return self._pending

    def at(self, due_s: float, fire: Fire) -> Timer:
        """Call `fire` at a second."""
        return self._add(self._seconds, due_s, fire)

    def at_beat(self, beat: float, fire: Fire) -> Timer:
        """Call `fire` at a beat of the tempo."""
        return self._add(self._beats, beat, fire)

    def again(self, due_s: float, step_s: float, fire: Fire) -> Timer:
        """Call `fire` a step after it was due, or later in that row after a stall."""
        missed = ceil((self._now_s - STALL_S - due_s) / step_s)
        return self.at(due_s + step_s * max(missed, 1), fire)

    def again_at_beat(self, beat: float, step: float, fire: Fire) -> Timer:
        """Call `fire` a step of beats after a beat, or later in that row after a stall."""
        missed = ceil((self._tempo.beat_at(self._now_s - STALL_S) - beat) / step)
        return self.at_beat(beat + step * max(missed, 1), fire)

    def cancel(self, timer: Timer | None) -> None:
        """Forget a call; harmless when it is none, or has been fired or cancelled."""
        if timer is None or timer.fire is None:
            return
        timer.fire = None
        self._pending -= 1
        if len(self._seconds) + len(self._beats) > 2 * self._pending + SWEEP_ABOVE:
            for heap in (self._seconds, self._beats):
                heap[:] = [entry for entry in heap if entry.fire is not None]
                heapq.heapify(heap)
        self.refresh()

    def run(self, now_s: float, out: list[Sent]) -> None:
        """Fire what is due by `now_s`. What a call adds for a time by `now_s` is fired too."""
        self._now_s = now_s
        while self.due_s <= now_s:
            self._fire_next(now_s, out)

    def refresh(self) -> None:
        """Reckon `due_s` anew: something was added or forgotten, or the tempo changed."""
        for heap in (self._seconds, self._beats):
            while heap and heap[0].fire is None:
                heapq.heappop(heap)
        self.due_s = self._seconds[0].due if self._seconds else inf
        if self._beats:
            self.due_s = min(self.due_s, self._tempo.second_of(self._beats[0].due))
        if self._pending > TIMER_LIMIT:
            self.due_s = -inf

    def _add(self, heap: list[Timer], due: float, fire: Fire) -> Timer:
        self._order += 1
        timer = Timer(due, self._order, fire)
        heapq.heappush(heap, timer)
        self._pending += 1
        self.refresh()
        return timer

    def _fire_next(self, now_s: float, out: list[Sent]) -> None:
        heap = self._seconds
        due_s = heap[0].due if heap else inf
        if self._beats:
            beat = self._beats[0]
            beat_s = self._tempo.second_of(beat.due)
            if not heap or (beat_s, beat.order) < (due_s, heap[0].order):
                heap, due_s = self._beats, beat_s
        timer = heapq.heappop(heap)
        fire, timer.fire = timer.fire, None
        self._pending -= 1
        self.refresh()
        if fire is not None:
            fire(min(due_s, now_s), out)
