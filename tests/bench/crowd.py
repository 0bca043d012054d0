"""Clients of a bridge's control socket that mean no good: half are idle, half babble.

    python -m tests.bench.crowd SOCKET CLIENTS SECONDS

A babbler sends a hundred times a second, for as long as its socket takes it: whole requests, halves
of them, and noise. That is a hundred times what the server reads. Whoever is hung up on comes back
at once. In the end what was said and heard is printed as JSON.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import socket
import sys
import time

from matbridge.service.protocol import request

# Not faster: a crowd that works hard slows whoever shares the processor's core, talked to or not.
ROUND_S = 0.01
TAKE_BYTES = 1 << 16


class Client:
    """One client; it comes back whenever it is hung up on."""

    def __init__(self, path: str, babbles: bool, dice: random.Random) -> None:
        self._path = path
        self._babbles = babbles
        self._dice = dice
        self._socket: socket.socket | None = None
        self.came = 0
        self.said_bytes = 0
        self.heard_bytes = 0

    def turn(self) -> None:
        """Come if it must, and say and hear what can be without waiting."""
        try:
            if self._socket is None:
                self._come()
            elif self._babbles:
                self._babble(self._socket)
            elif not self._socket.recv(TAKE_BYTES):
                self._go()
        except BlockingIOError:
            pass
        except OSError:
            self._go()

    def _come(self) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_NONBLOCK)
        try:
            self._socket.connect(self._path)
        except OSError:
            self._go()
        else:
            self.came += 1

    def _babble(self, line: socket.socket) -> None:
        with contextlib.suppress(BlockingIOError):
            heard = line.recv(TAKE_BYTES)
            self.heard_bytes += len(heard)
            if not heard:
                self._go()
                return
        words = (
            request("status", {}),
            request("presets", {})[:-9],
            b"\n",
            self._dice.randbytes(64),
        )
        self.said_bytes += line.send(self._dice.choice(words))

    def _go(self) -> None:
        if self._socket is not None:
            self._socket.close()
            self._socket = None


def main(argv: list[str]) -> int:
    path, count, seconds = argv[0], int(argv[1]), float(argv[2])
    # What is measured is the bridge, not who of us gets the processor: others have it first.
    os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
    dice = random.Random(1)
    clients = [Client(path, number % 2 == 1, dice) for number in range(count)]
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        for client in clients:
            client.turn()
        time.sleep(ROUND_S)
    seen = {
        "came": sum(client.came for client in clients),
        "said_bytes": sum(client.said_bytes for client in clients),
        "heard_bytes": sum(client.heard_bytes for client in clients),
    }
    print(json.dumps(seen))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
