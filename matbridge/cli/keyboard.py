"""Single keys from the terminal, by name, while a command with a screen runs."""

from __future__ import annotations

import os
import sys
import termios
import tty
from collections.abc import Callable
from types import TracebackType
from typing import Any

from matbridge.loop import Loop

# A burst from a terminal that is longer than this is a paste, not keys.
MAX_BYTES = 64

# What terminals send (ECMA-48 and xterm's cursor keys), longest first where one begins another.
KEYS: tuple[tuple[bytes, str], ...] = (
    (b"\x1b[D", "left"),
    (b"\x1bOD", "left"),
    (b"\x1b[C", "right"),
    (b"\x1bOC", "right"),
    (b"\x1b", "escape"),
    (b"\r", "enter"),
    (b"\n", "enter"),
    (b" ", "space"),
    (b"\x7f", "backspace"),
    (b"\x08", "backspace"),
)


def is_there() -> bool:
    """Whether standard input is a terminal that this process may read from.

    In the background of a shell it may not: setting its modes would stop the process.
    """
    try:
        fd = sys.stdin.fileno()
        return os.isatty(fd) and os.tcgetpgrp(fd) == os.getpgrp()
    except (OSError, ValueError, AttributeError):
        return False


class Keyboard:
    """While entered, calls `on_key` with a name of KEYS, or with the character itself."""

    def __init__(self, loop: Loop, on_key: Callable[[str], None]) -> None:
        self._loop = loop
        self._on_key = on_key
        self._fd = sys.stdin.fileno()
        self._before: list[Any] | None = None

    def __enter__(self) -> Keyboard:
        self._before = termios.tcgetattr(self._fd)
        tty.setcbreak(self._fd)
        self._loop.add_reader(self._fd, self._read)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._loop.remove_reader(self._fd)
        if self._before is not None:
            termios.tcsetattr(self._fd, termios.TCSADRAIN, self._before)

    def _read(self) -> None:
        data = os.read(self._fd, MAX_BYTES)
        if not data:  # the terminal is gone; nobody can press a key any more
            self._loop.remove_reader(self._fd)
            return
        for key in keys(data):
            self._on_key(key)


def keys(data: bytes) -> list[str]:
    """The names of the keys in what a terminal sent; unknown sequences give nothing."""
    found: list[str] = []
    rest = data
    while rest:
        for sequence, name in KEYS:
            if rest.startswith(sequence):
                if sequence == b"\x1b" and len(rest) > 1:
                    return found  # some other function key: all that follows belongs to it
                found.append(name)
                rest = rest[len(sequence) :]
                break
        else:
            if 0x21 <= rest[0] <= 0x7E:
                found.append(chr(rest[0]))
            rest = rest[1:]
    return found
