"""Signals as events of the loop: a handler only wakes it, and the loop acts."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable, Mapping
from types import FrameType

from matbridge.loop import Loop


class Signals:
    """While open, each signal of `actions` calls its action from the loop.

    Python writes the number of an arriving signal into a pipe (signal.set_wakeup_fd), which the
    loop reads; the handlers themselves do nothing. Must be made on the main thread.
    """

    def __init__(self, loop: Loop, actions: Mapping[int, Callable[[], None]]) -> None:
        self._loop = loop
        self._actions = dict(actions)
        self._read_fd, self._write_fd = os.pipe()
        os.set_blocking(self._read_fd, False)
        os.set_blocking(self._write_fd, False)
        self._old_fd = signal.set_wakeup_fd(self._write_fd, warn_on_full_buffer=False)
        self._old = {number: signal.signal(number, _nothing) for number in self._actions}
        loop.add_reader(self._read_fd, self._act)

    def close(self) -> None:
        """Back to the handlers of before. Twice is harmless."""
        if self._read_fd < 0:
            return
        for number, handler in self._old.items():
            signal.signal(number, handler)
        signal.set_wakeup_fd(self._old_fd)
        self._loop.remove_reader(self._read_fd)
        os.close(self._read_fd)
        os.close(self._write_fd)
        self._read_fd = self._write_fd = -1

    def _act(self) -> None:
        numbers = b""
        with contextlib.suppress(BlockingIOError):
            numbers = os.read(self._read_fd, 4096)
        # Two of a kind in one go are one: a signal says that, not how often.
        for number in dict.fromkeys(numbers):
            if action := self._actions.get(number):
                action()


def _nothing(number: int, frame: FrameType | None) -> None:
    """Exists so that the signal is caught; the wake-up pipe does the rest."""
