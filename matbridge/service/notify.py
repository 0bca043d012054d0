"""Words for the service manager: ready, reloading, alive. Outside one, nothing happens.

Source: sd_notify(3), sd_watchdog_enabled(3).
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Mapping


class Notifier:
    """Sends to the manager that started this process, if there was one; never raises."""

    def __init__(self, environ: Mapping[str, str]) -> None:
        address = environ.get("NOTIFY_SOCKET", "")
        # "@" stands for the zero byte of an abstract address.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket = None
        if address.startswith(("/", "@")):
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
        self.watchdog_s = _watchdog_s(environ)

    def ready(self, what: str) -> None:
        """`what` is one line for a person."""
        self._send(f"READY=1\nSTATUS={_one_line(what)}")

    def status(self, what: str) -> None:
        self._send(f"STATUS={_one_line(what)}")

    def stopping(self) -> None:
        self._send("STOPPING=1")

    def alive(self) -> None:
        """Feeds the watchdog."""
        self._send("WATCHDOG=1")

    def close(self) -> None:
        """Say no more. Twice is harmless."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, words: str) -> None:
        if self._socket is None:
            return
        # A manager that does not listen is no reason to stop playing.
        with contextlib.suppress(OSError):
            self._socket.sendto(words.encode("utf-8", "replace"), self._address)


def _one_line(text: str) -> str:
    # A line end would begin another word to the manager.
    return " ".join(text.split())


def _watchdog_s(environ: Mapping[str, str]) -> float | None:
    """How long the manager waits for a sign of life, or None when it does not."""
    if environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    try:
        wait_us = int(environ.get("WATCHDOG_USEC", ""))
    except ValueError:
        return None
    return wait_us / 1e6 if wait_us > 0 else None
