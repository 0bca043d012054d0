"""MIDI from outside: a port that is listened to, lost, and found again.

The port is held by a process of its own (listening.py), for the same reason as those that we send
to: a stopped driver must not stop the bridge.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from matbridge.board.reader_link import ReaderLink
from matbridge.loop import Loop


class Input:
    """pattern: as of an output to an existing port. driver: "auto", or a name of a driver.

    on_message: called with each whole message and the monotonic second at which it was read.
    on_change: called with True when the port is there and False when it is gone.
    """

    on_message: Callable[[bytes, float], None]
    on_change: Callable[[bool], None]

    def __init__(self, pattern: str, driver: str = "auto") -> None:
        arguments = ["--port", pattern, "--driver", driver]
        self._link = ReaderLink("messages", arguments, "matbridge.midi.listening")
        self._pattern = pattern
        self._rest = b""

    def open(self, loop: Loop) -> None:
        """Start looking for the port."""
        self._link.on_data = self._take
        self._link.on_found = self._found
        self._link.on_lost = lambda: self.on_change(False)
        self._link.open(loop)

    def close(self) -> None:
        """Stop listening. Twice is harmless."""
        self._link.close()

    def status(self) -> Mapping[str, object]:
        """Facts for a person: pattern, up; why otherwise."""
        facts = self._link.status()
        told: dict[str, object] = {"pattern": self._pattern, "up": facts["found"]}
        if "why" in facts:
            told["why"] = facts["why"]
        return told

    def _found(self) -> None:
        self._rest = b""
        self.on_change(True)

    def _take(self, data: bytes, now_s: float) -> None:
        data = self._rest + data
        at = 0
        while at < len(data) and at + data[at] < len(data):
            end = at + 1 + data[at]
            if end > at + 1:  # an empty one only says that the port is open
                self.on_message(data[at + 1 : end], now_s)
            at = end
        self._rest = data[at:]
