"""The bridge's end of a process that holds a MIDI port. Nothing here waits.

What the two say to each other is port_process.py's.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path
from select import select
from subprocess import DEVNULL, PIPE, Popen, TimeoutExpired

from matbridge.midi.port_process import QUIT

_READ = 4096
_ROOT = str(Path(__file__).parents[2])


class PortClient:
    """A process that holds, or looks for, one port. module, arguments: what it runs.

    reading, writing: descriptors that become readable when it says something or ends, and writable
        when it takes more.
    """

    __slots__ = ("_partial", "_process", "reading", "writing")

    def __init__(self, module: str, *arguments: str) -> None:
        path = filter(None, (_ROOT, os.environ.get("PYTHONPATH")))
        self._process = Popen(  # noqa: S603 - our own module, no shell
            (sys.executable, "-P", "-m", module, *arguments),
            bufsize=0,
            stdin=PIPE,
            stdout=PIPE,
            stderr=DEVNULL,
            # Ctrl-C is for the bridge, which ends the process when it has sent its last.
            start_new_session=True,
            env={
                **os.environ,
                "PYTHONPATH": os.pathsep.join(path),
                # Whether a JACK server runs is the performer's decision.
                "JACK_NO_START_SERVER": "1",
            },
        )
        into, out = self._process.stdin, self._process.stdout
        if into is None or out is None:
            raise OSError("the process was started without pipes")
        self.writing, self.reading = into.fileno(), out.fileno()
        os.set_blocking(self.writing, False)
        os.set_blocking(self.reading, False)
        self._partial = b""

    def hear(self, wait_s: float = 0.0) -> list[list[str]] | None:
        """The lines it has said, as fields; None when it has ended and everything was heard."""
        if wait_s and not select((self.reading,), (), (), wait_s)[0]:
            return []
        try:
            data = os.read(self.reading, _READ)
        except BlockingIOError:
            return []
        if not data:
            return None
        *lines, self._partial = (self._partial + data).split(b"\n")
        return [line.decode(errors="replace").split("\t") for line in lines]

    def write(self, data: bytes) -> int:
        """How many of the bytes it took. Raises OSError when it has ended."""
        try:
            return os.write(self.writing, data)
        except BlockingIOError:
            return 0

    def finish(self, data: bytes, wait_s: float) -> None:
        """Hand over the last bytes and let it end by itself; waits `wait_s` at most for each."""
        data += bytes((len(QUIT),)) + QUIT
        with suppress(OSError, TimeoutExpired):
            while data and select((), (self.writing,), (), wait_s)[1]:
                data = data[self.write(data) :]
            self._process.wait(wait_s)

    def end(self) -> None:
        """End it at once, whatever it does; `gone` tells when it has, which may take a while."""
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
        self._process.kill()

    def gone(self) -> bool:
        """Whether the process has ended, after `end`. Asked until it is true, it leaves nothing."""
        return self._process.poll() is not None

    def wait(self) -> None:
        """Wait for its end, after `end`."""
        self._process.wait()
