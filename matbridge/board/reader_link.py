"""A board that is a process of our own: a reader of pins (`board.readers`) or of MIDI.

    made ──open()──▶ waiting ──started──▶ running
                     ▲  │                  │
                     └──┘◀──────ended──────┘        close() ends either, for good
                 again after `next_delay_s`

The reader speaks the packed format on a pipe; what it says on its standard error when it ends is
why the board is not there.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

from matbridge.board.backoff import next_delay_s
from matbridge.board.link import BoardLink
from matbridge.loop import Loop, Timer

READ_BYTES = 65_536
_ROOT = str(Path(__file__).parents[2])

# A reader says one sentence; more than this would be a flood.
MAX_WHY_BYTES = 500

# A killed process ends at once, unless a bus holds it in the kernel; note-offs may wait behind it.
END_WAIT_S = 0.2


class ReaderLink(BoardLink):
    """Implements BoardLink for a reader: `python -m MODULE KIND ARGUMENTS...`.

    The reader is found at its first bytes, so that one which only starts and fails never is.
    """

    def __init__(
        self, kind: str, arguments: Sequence[str], module: str = "matbridge.board.readers"
    ) -> None:
        self._kind = kind
        self._command = [sys.executable, "-P", "-m", module, kind, *arguments]
        self._loop: Loop | None = None
        self._timer: Timer | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._out = self._said = -1
        self._attempt = 0
        self._found = False
        self._why = "not open"

    def open(self, loop: Loop) -> None:
        self.close()
        self._loop = loop
        self._why = "starting"
        self._timer = loop.call_at(loop.now_s(), self._start)

    def write(self, data: bytes) -> None:
        """Dropped: a reader has announced itself when it started."""

    def close(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._end()
        self._loop = None
        self._why = "not open"

    def status(self) -> Mapping[str, object]:
        """port, found; why otherwise."""
        facts: dict[str, object] = {"port": self._kind, "found": self._found}
        if not self._found:
            facts["why"] = self._why
        return facts

    def _start(self) -> None:
        loop = self._loop
        if loop is None:
            return
        self._timer = None
        path = filter(None, (_ROOT, os.environ.get("PYTHONPATH")))
        pipes: list[int] = []
        try:
            pipes += os.pipe()
            pipes += os.pipe()
            self._process = subprocess.Popen(  # noqa: S603 - our own module, no shell
                self._command,
                stdin=subprocess.DEVNULL,
                stdout=pipes[1],
                stderr=pipes[3],
                start_new_session=True,  # Ctrl-C is for the bridge
                env={
                    **os.environ,
                    "PYTHONPATH": os.pathsep.join(path),
                    "JACK_NO_START_SERVER": "1",
                },
            )
        except OSError as error:
            for fd in pipes:
                os.close(fd)
            self._why = f"no process to read it: {error.strerror}"
            self._start_later(loop)
            return
        self._out, out, self._said, said = pipes
        os.close(out)
        os.close(said)
        for fd in (self._out, self._said):
            os.set_blocking(fd, False)
        loop.add_reader(self._out, self._read)

    def _start_later(self, loop: Loop) -> None:
        self._timer = loop.call_at(loop.now_s() + next_delay_s(self._attempt), self._start)
        self._attempt += 1

    def _read(self) -> None:
        loop = self._loop
        if loop is None or self._process is None:
            return
        try:
            data = os.read(self._out, READ_BYTES)
        except BlockingIOError:
            return
        if not data:
            self._ended(loop)
            return
        if not self._found:
            self._found = True
            self._attempt = 0
            self.on_found()
        self.on_data(data, loop.now_s())

    def _ended(self, loop: Loop) -> None:
        was_found, why = self._found, self._end()
        self._why = why or "its reader ended without a word"
        self._start_later(loop)
        if was_found:
            self.on_lost()

    def _end(self) -> str:
        """End the process, if there is one; what it said."""
        process, self._process, self._found = self._process, None, False
        if process is None:
            return ""
        if self._loop is not None:
            self._loop.remove_reader(self._out)
        # It may still be held by its bus; it holds nothing that must be let go in order.
        process.kill()
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(END_WAIT_S)
        said = b""
        with contextlib.suppress(BlockingIOError):
            said = os.read(self._said, MAX_WHY_BYTES)
        os.close(self._out)
        os.close(self._said)
        return said.decode("utf-8", "replace").strip()
