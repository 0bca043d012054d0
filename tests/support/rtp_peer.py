"""A peer of a network session: takes an invitation, keeps clocks, and hears what is sent.

It reads packets by itself, and the commands in them through libasound; the recovery journal it
leaves alone, for on loopback nothing is lost.
"""

from __future__ import annotations

import socket
import struct
import threading
from select import select
from types import TracebackType
from typing import Self

from tests.support.asound import parse

HOME = "127.0.0.1"
_SSRC = 0x0BADCAFE
_MARK = b"\xff\xff"


class RtpPeer:
    """Listens on `port` (control) and the next one (data), and keeps the messages in `heard`."""

    def __init__(self) -> None:
        self.heard: list[bytes] = []
        self.port, self._control, self._data = _two_sockets()
        self._peer: tuple[str, int] | None = None
        self._token = b""
        self._answering = threading.Event()
        self._answering.set()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._listen)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stop.set()
        self._thread.join()
        self._control.close()
        self._data.close()

    def leave(self) -> None:
        """End the session, and answer no invitation."""
        self._answering.clear()
        if self._peer is not None:
            self._control.sendto(
                _MARK + b"BY" + struct.pack("!I", 2) + self._token + struct.pack("!I", _SSRC),
                self._peer,
            )
            self._peer = None

    def come_back(self) -> None:
        """Answer invitations again."""
        self._answering.set()

    def _listen(self) -> None:
        while not self._stop.is_set():
            for ready in select((self._control, self._data), (), (), 0.05)[0]:
                data, sender = ready.recvfrom(2048)
                if self._answering.is_set():
                    self._take(ready, data, sender)

    def _take(self, ready: socket.socket, data: bytes, sender: tuple[str, int]) -> None:
        if data[:4] == _MARK + b"IN":
            self._token = data[8:12]
            if ready is self._control:
                self._peer = sender
            answer = _MARK + b"OK" + data[4:12] + struct.pack("!I", _SSRC) + b"peer\0"
            ready.sendto(answer, sender)
        elif data[:4] == _MARK + b"CK" and data[8] == 0:
            ready.sendto(
                _MARK + b"CK" + struct.pack("!IB3x", _SSRC, 1) + data[12:20] + data[12:28], sender
            )
        elif data[:1] == b"\x80":
            sequence = data[2:4]
            ready.sendto(_MARK + b"RS" + struct.pack("!I", _SSRC) + sequence + b"\0\0", sender)
            self.heard += parse(_commands(data[12:]))


def _commands(section: bytes) -> bytes:
    """The MIDI list of a command section (RFC 6295, section 3), without its delta times."""
    flags = section[0]
    length, start = flags & 0x0F, 1
    if flags & 0x80:
        length, start = length << 8 | section[1], 2
    listed = section[start : start + length]
    out, at, timed = bytearray(), 0, bool(flags & 0x20)
    status = 0
    while at < len(listed):
        if timed:
            while listed[at] & 0x80:
                at += 1
            at += 1
        timed = True
        if listed[at] & 0x80:
            status = listed[at]
            at += 1
        size = 1 if status & 0xE0 == 0xC0 else 0 if status >= 0xF8 else 2
        out += bytes((status,)) + listed[at : at + size]
        at += size
    return bytes(out)


def _two_sockets() -> tuple[int, socket.socket, socket.socket]:
    """Sockets on two ports that follow each other."""
    while True:
        first = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        first.bind((HOME, 0))
        port: int = first.getsockname()[1]
        second = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        try:
            second.bind((HOME, port + 1))
        except OSError:
            first.close()
            second.close()
            continue
        return port, first, second
