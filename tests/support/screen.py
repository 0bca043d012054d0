"""The real program on a terminal of its own: keys go in, and an emulator shows what comes out."""

from __future__ import annotations

import os
import pty
import select
import signal
import struct
import subprocess
import termios
import time
from collections.abc import Mapping, Sequence
from fcntl import ioctl
from types import TracebackType
from typing import Self

import pyte

# What a busy machine may take to start the program, or to draw the next picture.
PATIENCE_S = 20.0


class Screen:
    """A command on a terminal of `columns` by `rows`, as a context manager.

    The terminal is the process's own, with job control, so Ctrl-C and window sizes act as they do
    for a person.
    """

    def __init__(
        self,
        command: Sequence[str],
        env: Mapping[str, str],
        *,
        columns: int = 80,
        rows: int = 24,
    ) -> None:
        self._emulator = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self._emulator)
        self.raw = b""
        self._master, self._slave = pty.openpty()
        ioctl(self._slave, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
        self.modes = termios.tcgetattr(self._slave)
        self._process = subprocess.Popen(
            command,
            stdin=self._slave,
            stdout=self._slave,
            stderr=self._slave,
            env={**os.environ, "TERM": "xterm-256color", "LANG": "C.UTF-8", **env},
            start_new_session=True,
            # Single-threaded at this moment, and one system call: what the warning fears cannot be.
            preexec_fn=lambda: ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        if kind is not None:
            print("\n".join(self.lines()))
        os.close(self._master)
        os.close(self._slave)

    def lines(self) -> list[str]:
        """The screen as it stands, without spaces at the ends of lines."""
        return [line.rstrip() for line in self._emulator.display]

    def text(self) -> str:
        return "\n".join(self.lines())

    def type(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def until(self, words: str, patience_s: float = PATIENCE_S) -> str:
        """Wait until the screen says this; the screen then."""
        end_s = time.monotonic() + patience_s
        while words not in self.text():
            left_s = end_s - time.monotonic()
            if left_s <= 0 or self._process.poll() is not None:
                self._read(0.0)
                if words in self.text():
                    break
                raise AssertionError(f"waited in vain for {words!r}")
            self._read(min(left_s, 0.1))
        return self.text()

    def wait(self, patience_s: float = PATIENCE_S) -> int:
        """Its exit code, once it has ended; all that it wrote is then on the screen."""
        end_s = time.monotonic() + patience_s
        while self._process.poll() is None:
            if time.monotonic() > end_s:
                raise AssertionError("it does not end")
            self._read(0.05)
        self._read(0.05)
        return self._process.returncode

    def signal(self, number: signal.Signals) -> None:
        self._process.send_signal(number)

    def modes_now(self) -> list[object]:
        """The terminal's modes, to be compared with `modes`."""
        return termios.tcgetattr(self._slave)

    def _read(self, wait_s: float) -> None:
        while select.select([self._master], [], [], wait_s)[0]:
            data = os.read(self._master, 65536)
            self.raw += data
            self._stream.feed(data)
            wait_s = 0.0
