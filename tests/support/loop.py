"""A loop whose clock only moves when a test moves it."""

from __future__ import annotations

import heapq
import select
from collections.abc import Callable
from itertools import count


class ManualTimer:
    def __init__(self, callback: Callable[[], None]) -> None:
        self.callback: Callable[[], None] | None = callback

    def cancel(self) -> None:
        self.callback = None


class ManualLoop:
    """Implements matbridge.loop.Loop: `advance` fires timers in order, `poll` ready descriptors."""

    def __init__(self, now_s: float = 1000.0) -> None:
        self._now_s = now_s
        self._order = count()
        self._timers: list[tuple[float, int, ManualTimer]] = []
        self.readers: dict[int, Callable[[], None]] = {}
        self.writers: dict[int, Callable[[], None]] = {}

    def now_s(self) -> float:
        return self._now_s

    def call_at(self, time_s: float, callback: Callable[[], None]) -> ManualTimer:
        timer = ManualTimer(callback)
        heapq.heappush(self._timers, (time_s, next(self._order), timer))
        return timer

    def add_reader(self, fd: int, callback: Callable[[], None]) -> None:
        self.readers[fd] = callback

    def remove_reader(self, fd: int) -> None:
        self.readers.pop(fd, None)

    def add_writer(self, fd: int, callback: Callable[[], None]) -> None:
        self.writers[fd] = callback

    def remove_writer(self, fd: int) -> None:
        self.writers.pop(fd, None)

    @property
    def pending(self) -> int:
        """Timers that are still to come."""
        return sum(timer.callback is not None for _, _, timer in self._timers)

    def advance(self, seconds: float) -> None:
        """Move the clock, stopping at each timer on the way."""
        end_s = self._now_s + seconds
        while self._timers and self._timers[0][0] <= end_s:
            due_s, _, timer = heapq.heappop(self._timers)
            self._now_s = max(self._now_s, due_s)
            if timer.callback is not None:
                callback, timer.callback = timer.callback, None
                callback()
        self._now_s = end_s

    def poll(self, timeout_s: float = 0.0) -> int:
        """Wait once, in real time, and serve the descriptors that are ready; how many were."""
        ready_in, ready_out, _ = select.select(
            list(self.readers), list(self.writers), [], timeout_s
        )
        for fd in ready_in:
            if fd in self.readers:
                self.readers[fd]()
        for fd in ready_out:
            if fd in self.writers:
                self.writers[fd]()
        return len(ready_in) + len(ready_out)
