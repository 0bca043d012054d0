"""The other end of a serial MIDI jack, on a pseudo-terminal: a synth that keeps what it hears."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import tty
from types import TracebackType
from typing import Self

from tests.support.jack import wait_until


class DinReader:
    """Reads `path` into `received` from a thread of its own, as a context manager."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        self.received = b""
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._read, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ended.set()
        self._thread.join()
        os.close(self._master)
        os.close(self._slave)

    def messages(self) -> list[bytes]:
        """Whole channel messages, with the status that running status leaves out put back."""
        return whole_messages(self.received)

    def notes(self) -> list[tuple[str, int, int]]:
        """("on" or "off", channel 1-16, note) of what was heard."""
        found = []
        for message in self.messages():
            if message[0] & 0xF0 in (0x80, 0x90):
                struck = message[0] & 0xF0 == 0x90 and message[2] > 0
                found.append(("on" if struck else "off", (message[0] & 15) + 1, message[1]))
        return found

    def wait_for(self, what: str, channel: int, note: int, count: int = 1) -> None:
        """Until so many note-ons or note-offs of a key were heard."""
        wait_until(
            lambda: self.notes().count((what, channel, note)) >= count,
            f"note-{what} {note} on channel {channel}, heard {self.notes()}",
        )

    def sounding(self) -> set[tuple[int, int]]:
        """Keys struck and not ended; fails where one was struck twice or ended unstruck."""
        keys: set[tuple[int, int]] = set()
        for what, channel, note in self.notes():
            if what == "on":
                assert (channel, note) not in keys, f"struck again: {channel}, {note}"
                keys.add((channel, note))
            else:
                assert (channel, note) in keys, f"ended without a strike: {channel}, {note}"
                keys.remove((channel, note))
        return keys

    def _read(self) -> None:
        while not self._ended.is_set():
            if select.select([self._master], [], [], 0.02)[0]:
                with contextlib.suppress(OSError):
                    self.received += os.read(self._master, 4096)


def whole_messages(data: bytes) -> list[bytes]:
    """The channel messages in a MIDI byte stream (MIDI 1.0: running status, real time anywhere)."""
    messages = []
    status, values = 0, b""
    for byte in data:
        if byte >= 0xF8:
            continue
        if byte >= 0x80:
            status, values = (byte, b"") if byte < 0xF0 else (0, b"")
            continue
        if not status:
            continue
        values += bytes((byte,))
        if len(values) == (1 if status & 0xF0 in (0xC0, 0xD0) else 2):
            messages.append(bytes((status,)) + values)
            values = b""
    return messages
