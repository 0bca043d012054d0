"""What a port, of a board or of MIDI, may ask of the loop that runs it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol


class Timer(Protocol):
    """A call that is still to come."""

    def cancel(self) -> None:
        """Do not call. Harmless when it has been called or cancelled."""


class Loop(Protocol):
    """The one loop of the process. Every call, either way, is made on its thread."""

    def now_s(self) -> float:
        """The monotonic clock, in seconds."""

    def call_at(self, time_s: float, callback: Callable[[], None]) -> Timer:
        """Call once, at `time_s` or as soon after it as the loop can."""

    def add_reader(self, fd: int, callback: Callable[[], None]) -> None:
        """Call whenever `fd` is readable."""

    def remove_reader(self, fd: int) -> None:
        """Undo `add_reader`; harmless when there is nothing to undo."""

    def add_writer(self, fd: int, callback: Callable[[], None]) -> None:
        """Call whenever `fd` is writable."""

    def remove_writer(self, fd: int) -> None:
        """Undo `add_writer`; harmless when there is nothing to undo."""
