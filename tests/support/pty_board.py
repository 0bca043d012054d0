"""A board on a pseudo-terminal: what it sends is read by whoever opens `path`."""

from __future__ import annotations

import os
import pty
import select
import tty
from pathlib import Path


class PtyBoard:
    """`link`, where given, is a symbolic link to the terminal, as a by-id link is to a device."""

    def __init__(self, link: Path | None = None) -> None:
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.terminal = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self._master, False)
        self._link = link
        if link is not None:
            link.symlink_to(self.terminal)
        self.path = str(link or self.terminal)
        self._open = True

    def send(self, data: bytes) -> None:
        """All of it, as fast as it is taken; give up after a second without progress."""
        while data:
            if not select.select([], [self._master], [], 1.0)[1]:
                raise TimeoutError("nobody reads the board")
            data = data[os.write(self._master, data) :]

    def received(self, timeout_s: float = 1.0) -> bytes:
        """What was written to the board, waiting for the first of it."""
        if not select.select([self._master], [], [], timeout_s)[0]:
            return b""
        return os.read(self._master, 65536)

    def unplug(self) -> None:
        """Hang up; the link goes away with it. Twice is harmless."""
        if self._open:
            self._open = False
            if self._link is not None:
                self._link.unlink()
            os.close(self._master)

    def __enter__(self) -> PtyBoard:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()
