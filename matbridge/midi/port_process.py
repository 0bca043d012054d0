"""The process that holds one port of a MIDI system, so that the bridge can do without it.

A driver may freeze whoever calls it (JACK's does when its server stops), print, or crash. Here it
can only harm a process of its own, which the bridge ends and starts anew. It lives for one
connection: what it lost it does not mend, it ends. Only a server that is silent it waits for.

The two speak over pipes, which are this process's standard input and output:

    in     a byte for the length, then so many bytes: one MIDI message, or QUIT
    out    lines of fields parted by tabs, the first of which is a Word
"""

from __future__ import annotations

import os
import signal
import sys
import time
from enum import StrEnum
from select import select
from typing import TYPE_CHECKING

from matbridge.errors import OutputAmbiguous, OutputError, OutputUnavailable

if TYPE_CHECKING:
    from matbridge.midi.rtmidi_port import Driver, Port, ServerSilent

# Ends the process once what was sent has left. Not a MIDI message: those begin with 0x80 to 0xFF.
QUIT = b"q"

MAX_MESSAGE = 255

# How often a port that is open is looked after, and the bridge told that all is well.
BEAT_S = 0.25

# How often a port that is not there is looked for.
LOOK_S = 0.5

# How long a port is kept open for what was sent last, unless the system proves it has taken it.
LINGER_S = 0.2

# A driver that has held this process for so long, with a port open, will not let go: the kernel
# ends it, should the bridge not have done so.
HANG_S = 5.0

_READ = 4096
_FULL_S = 0.001


class Word(StrEnum):
    """What a line to the bridge begins with, and the fields that follow."""

    ALIVE = "alive"
    UP = "up"  # driver, name of the port
    WAITING = "waiting"  # why it cannot be opened yet
    AMBIGUOUS = "ambiguous"  # why, the names
    SILENT = "silent"  # why nothing gets through for now; UP follows if it does again
    REFUSED = "refused"  # why it never will; the last line
    LOST = "lost"  # why; the last line


class Bridge:
    """The way to the bridge and back. What drivers print no longer goes there."""

    def __init__(self) -> None:
        self._out = os.dup(1)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.close(nowhere)

    def fileno(self) -> int:
        """Readable when the bridge has sent something, or has gone."""
        return 0

    def say(self, word: Word, *fields: str) -> None:
        """One line. Raises BrokenPipeError when the bridge has gone."""
        clean = (" ".join(field.split()) for field in fields)
        os.write(self._out, "\t".join((word, *clean)).encode() + b"\n")


def main() -> None:
    """Arguments: kind, target, client name, driver."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    kind, target, client, driver = sys.argv[1:]
    bridge = Bridge()
    try:
        _serve(bridge, kind, target, client, driver)
    except BrokenPipeError:
        pass  # the bridge has gone
    except OutputError as error:
        bridge.say(Word.LOST, str(error))
    # Closing a port of a dead server takes a second, and some drivers crash on the way out.
    os._exit(0)


def _serve(bridge: Bridge, kind: str, target: str, client: str, driver: str) -> None:
    try:
        from matbridge.midi.rtmidi_port import candidates

        drivers = candidates(driver)
    except ImportError as error:
        bridge.say(
            Word.REFUSED,
            f"MIDI ports need python-rtmidi, which cannot be loaded ({error}); "
            "'pip install python-rtmidi' brings it",
        )
        return
    except OutputUnavailable as error:
        bridge.say(Word.REFUSED, str(error))
        return
    port = _wait_for_port(bridge, kind, target, client, drivers)
    if port is None:
        return
    bridge.say(Word.UP, port.driver.title, port.name)
    if _carry(bridge, port):
        _linger(port)
        port.close()


def _wait_for_port(
    bridge: Bridge, kind: str, target: str, client: str, drivers: tuple[Driver, ...]
) -> Port | None:
    """Open the port as soon as it can be; None when the bridge is done with it first."""
    from matbridge.midi.rtmidi_port import Port

    while True:
        try:
            return Port(kind, target, client, drivers)
        except OutputAmbiguous as error:
            bridge.say(Word.AMBIGUOUS, str(error), *error.names)
        except OutputUnavailable as error:
            bridge.say(Word.WAITING, str(error))
        # Whatever comes while there is no port, even QUIT, is the end of it.
        if select([bridge], [], [], LOOK_S)[0]:
            return None


def _carry(bridge: Bridge, port: Port) -> bool:
    """Carry messages until QUIT (true) or until the bridge has gone. Raises OutputLost."""
    from matbridge.midi.rtmidi_port import ServerSilent

    pending = bytearray()
    beat_s = time.monotonic()
    while True:
        now_s = time.monotonic()
        if now_s >= beat_s:
            signal.setitimer(signal.ITIMER_REAL, HANG_S)
            try:
                port.check()
            except ServerSilent as silence:
                _outlast(silence, bridge, port)
                pending.clear()
            bridge.say(Word.ALIVE)
            now_s = time.monotonic()
            beat_s = now_s + BEAT_S
        if _complete(pending):
            # The driver is full; what else comes can wait in the socket.
            time.sleep(_FULL_S)
        elif select([bridge], [], [], max(0.0, beat_s - now_s))[0]:
            data = os.read(bridge.fileno(), _READ)
            if not data:
                return False
            pending += data
        while _complete(pending) and port.ready():
            end = 1 + pending[0]
            message = bytes(pending[1:end])
            del pending[:end]
            if message == QUIT:
                return True
            port.send(message)


def _outlast(silence: ServerSilent, bridge: Bridge, port: Port) -> None:
    """Stay connected to a server that is silent, and forget what was to be sent meanwhile.

    A client that leaves a stopped server, or is killed, keeps it busy for seconds once it goes on.
    """
    bridge.say(Word.SILENT, str(silence))
    signal.setitimer(signal.ITIMER_REAL, 0)
    if not port.outlasts_silence():
        raise silence
    while select([bridge], [], [], 0)[0] and os.read(bridge.fileno(), _READ):
        pass
    bridge.say(Word.UP, port.driver.title, port.name)


def _complete(pending: bytearray) -> bool:
    return bool(pending) and len(pending) > pending[0]


def _linger(port: Port) -> None:
    """Stay until the system has taken what was sent last."""
    end_s = time.monotonic() + LINGER_S
    port.check()
    while time.monotonic() < end_s and not port.proven():
        time.sleep(0.001)
    # A JACK client's ring is read one period later than its pulse at worst; ALSA needs no time.
    time.sleep(0.01)


if __name__ == "__main__":
    main()
