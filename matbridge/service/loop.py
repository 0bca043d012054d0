"""The one loop of the process: descriptors, timers and signals, all served on one thread.

A turn waits in `select` until a descriptor is ready or the next timer is due, then serves every
ready descriptor once and every timer that was due, so that a babbling board cannot starve the
rest. `select` is used because its timeout is in microseconds where poll and epoll round to whole
milliseconds, and because it is the same everywhere; for the few descriptors of a bridge it costs
about half a microsecond more than epoll.

A callback may find nothing to read: its descriptor's number may have changed hands within the
turn. A callback that raises is reported and does not end the loop.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from heapq import heapify, heappop, heappush
from select import select
from time import monotonic
from typing import TypeAlias

Callback: TypeAlias = Callable[[], None]

# select() cannot watch a descriptor beyond this (FD_SETSIZE of the C library).
MAX_DESCRIPTOR = 1023

# Cancelled timers stay in the heap until they are due; above this share they are swept out.
SWEEP_ABOVE = 64


class LoopTimer:
    """A call that is still to come; see matbridge.loop.Timer."""

    __slots__ = ("_loop", "callback")

    def __init__(self, loop: ServiceLoop, callback: Callback) -> None:
        self._loop = loop
        self.callback: Callback | None = callback

    def cancel(self) -> None:
        if self.callback is not None:
            self.callback = None
            self._loop.timer_cancelled()


class ServiceLoop:
    """Implements matbridge.loop.Loop.

    on_error: called with an exception that a callback raised.
    """

    __slots__ = (
        "_cancelled",
        "_on_error",
        "_order",
        "_readers",
        "_reading",
        "_running",
        "_timers",
        "_writers",
        "_writing",
    )

    now_s = staticmethod(monotonic)

    def __init__(self, on_error: Callable[[Exception], None]) -> None:
        self._on_error = on_error
        self._readers: dict[int, Callback] = {}
        self._writers: dict[int, Callback] = {}
        # The keys of the two, as select wants them.
        self._reading: list[int] = []
        self._writing: list[int] = []
        self._timers: list[tuple[float, int, LoopTimer]] = []
        self._order = 0
        self._cancelled = 0
        self._running = False

    def call_at(self, time_s: float, callback: Callback) -> LoopTimer:
        timer = LoopTimer(self, callback)
        self._order += 1
        heappush(self._timers, (time_s, self._order, timer))
        return timer

    def add_reader(self, fd: int, callback: Callback) -> None:
        _check(fd)
        self._readers[fd] = callback
        self._reading = list(self._readers)

    def remove_reader(self, fd: int) -> None:
        if self._readers.pop(fd, None) is not None:
            self._reading = list(self._readers)

    def add_writer(self, fd: int, callback: Callback) -> None:
        _check(fd)
        self._writers[fd] = callback
        self._writing = list(self._writers)

    def remove_writer(self, fd: int) -> None:
        if self._writers.pop(fd, None) is not None:
            self._writing = list(self._writers)

    @property
    def pending(self) -> int:
        """Timers that are still to come."""
        return len(self._timers) - self._cancelled

    def stop(self) -> None:
        """End `run` after the turn that is under way."""
        self._running = False

    def run(self) -> None:
        """Turn until `stop`. May be run again."""
        self._running = True
        timers = self._timers
        readers, writers = self._readers, self._writers
        while self._running:
            wait_s = None
            if timers:
                wait_s = timers[0][0] - monotonic()
                if wait_s < 0.0:
                    wait_s = 0.0
            try:
                ready_in, ready_out, _ = select(self._reading, self._writing, (), wait_s)
            except (OSError, ValueError) as error:
                self._drop_dead(error)
                continue
            for fd in ready_in:
                callback = readers.get(fd)
                if callback is not None:
                    try:
                        callback()
                    except Exception as error:  # noqa: BLE001 - a mistake must not end the show
                        self._on_error(error)
            for fd in ready_out:
                callback = writers.get(fd)
                if callback is not None:
                    try:
                        callback()
                    except Exception as error:  # noqa: BLE001 - likewise
                        self._on_error(error)
            if timers and timers[0][0] <= monotonic():
                self._fire()

    def _fire(self) -> None:
        """Call the timers due now; what they add waits for the next turn."""
        timers = self._timers
        now_s, newest = monotonic(), self._order
        while timers and timers[0][0] <= now_s and timers[0][1] <= newest:
            timer = heappop(timers)[2]
            callback, timer.callback = timer.callback, None
            if callback is None:
                self._cancelled -= 1
                continue
            try:
                callback()
            except Exception as error:  # noqa: BLE001 - a mistake must not end the show
                self._on_error(error)

    def timer_cancelled(self) -> None:
        """For LoopTimer only."""
        self._cancelled += 1
        if self._cancelled > SWEEP_ABOVE and self._cancelled * 2 > len(self._timers):
            # In place: `run` holds the list.
            self._timers[:] = [entry for entry in self._timers if entry[2].callback is not None]
            heapify(self._timers)
            self._cancelled = 0

    def _drop_dead(self, error: Exception) -> None:
        """Forget descriptors that were closed without a word; one would fail every turn."""
        dead = {fd for fd in (*self._reading, *self._writing) if not _is_open(fd)}
        for fd in dead:
            self.remove_reader(fd)
            self.remove_writer(fd)
        self._on_error(error)


def _check(fd: int) -> None:
    if not 0 <= fd <= MAX_DESCRIPTOR:
        raise ValueError(f"descriptor {fd} is not within 0-{MAX_DESCRIPTOR}")


def _is_open(fd: int) -> bool:
    try:
        os.fstat(fd)
    except OSError:
        return False
    return True
