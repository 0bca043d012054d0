"""The other end of a MIDI cable: a pseudo-terminal whose reader takes a byte every 320 us."""

from __future__ import annotations

import contextlib
import os
import termios
import threading
import time
import tty
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.support.asound import parse
from tests.support.jack import wait_until

# 31 250 baud, ten bits a byte.
BYTE_S = 320e-6


class DinPeer:
    """A serial device at `path`, and what came out of it.

    arrivals: (monotonic second, bytes so far) at each read. With `paced`, no faster than the wire.
    """

    def __init__(self, path: Path, *, paced: bool = True) -> None:
        self.path = path
        self.data = b""
        self.arrivals: list[tuple[float, int]] = []
        self._paced = paced
        self._master = -1
        self._held = -1
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()

    def __enter__(self) -> Self:
        self.plug()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.unplug()

    def plug(self) -> None:
        """Make the device."""
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.path.unlink(missing_ok=True)
        self.path.symlink_to(os.ttyname(slave))
        os.close(slave)
        os.set_blocking(self._master, False)
        self._stop.clear()
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def unplug(self) -> None:
        """Take it away, as a cable that is pulled."""
        if self._thread is None:
            return
        self._stop.set()
        self._thread.join()
        self._thread = None
        self.path.unlink()
        os.close(self._master)

    def hold(self) -> None:
        """Take nothing, as an adapter that hangs."""
        self._held = os.open(self.path, os.O_RDWR | os.O_NOCTTY)
        termios.tcflow(self._held, termios.TCOOFF)

    def let_go(self) -> None:
        """Go on after `hold`."""
        termios.tcflow(self._held, termios.TCOON)
        os.close(self._held)

    def messages(self) -> list[bytes]:
        """What libasound makes of the bytes so far."""
        return parse(self.data)

    def wait_for(self, wanted: bytes) -> None:
        wait_until(lambda: wanted in self.messages(), wanted.hex(" "))

    def _read(self) -> None:
        due_s = time.monotonic()
        while not self._stop.is_set():
            # Until the bridge opens the other end there is nothing but EIO to read.
            with contextlib.suppress(BlockingIOError, OSError):
                now_s = time.monotonic()
                # Compared, never divided: a quotient just under one would be no byte, for ever.
                count = int(now_s >= due_s + BYTE_S) if self._paced else 4096
                chunk = os.read(self._master, count) if count else b""
                due_s = max(due_s, now_s - BYTE_S) + len(chunk) * BYTE_S
                if chunk:
                    self.data += chunk
                    self.arrivals.append((now_s, len(self.data)))
            self._stop.wait(BYTE_S)
