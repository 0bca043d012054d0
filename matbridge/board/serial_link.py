"""A board on a serial port, by cable or USB, that may come and go.

    made ──open()──▶ looking ──port opened──▶ open
                     ▲  │  ▲                   │
                     └──┘  └─────hang-up───────┘       close() ends either, for good
                not there, busy, forbidden:
                again after `next_delay_s`

The delay starts small again only once the board has sent something, so that a port which opens and
fails at once is not hammered.
"""

from __future__ import annotations

import os
from collections.abc import Mapping

from matbridge.board.backoff import next_delay_s
from matbridge.board.link import BoardLink
from matbridge.board.serial_port import FAILURES, SerialPort
from matbridge.errors import BoardUnavailable
from matbridge.loop import Loop, Timer

# Most bytes taken at one go: what the kernel holds for a terminal is 4 KiB, for a pty up to 64.
READ_BYTES = 65_536


class SerialLink(BoardLink):
    """Implements BoardLink for `port`: a path, or usb:VENDOR:PRODUCT[:SERIAL].

    baud: as the board has it; USB boards ignore it. dtr, rts: see SerialPort.
    """

    def __init__(self, port: str, baud: int, *, dtr: bool = True, rts: bool = True) -> None:
        self._written = port
        self._baud = baud
        self._dtr = dtr
        self._rts = rts
        self._loop: Loop | None = None
        self._timer: Timer | None = None
        self._port: SerialPort | None = None
        self._attempt = 0
        self._found = 0
        self._why = "not open"

    def open(self, loop: Loop) -> None:
        self.close()
        self._loop = loop
        self._attempt = 0
        self._why = "looking for it"
        self._timer = loop.call_at(loop.now_s(), self._look)

    def write(self, data: bytes) -> None:
        if self._port is None:
            return
        try:
            os.write(self._port.fd, data)
        except BlockingIOError:
            pass  # a board that takes nothing; a query can be lost
        except OSError as error:
            self._lose(error)

    def close(self) -> None:
        self._release()
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._loop = None
        self._why = "not open"

    def status(self) -> Mapping[str, object]:
        """port, found, times_found; device and baud while found, why otherwise."""
        facts: dict[str, object] = {
            "port": self._written,
            "found": self._port is not None,
            "times_found": self._found,
        }
        if self._port is not None:
            facts["device"] = os.path.realpath(self._port.device)
            facts["baud"] = self._port.baud
        else:
            facts["why"] = self._why
        return facts

    def _look(self) -> None:
        loop = self._loop
        if loop is None:
            return
        self._timer = None
        try:
            self._port = SerialPort(self._written, self._baud, dtr=self._dtr, rts=self._rts)
        except BoardUnavailable as error:
            self._why = str(error)
            self._look_later(loop)
            return
        self._found += 1
        loop.add_reader(self._port.fd, self._read)
        self.on_found()

    def _look_later(self, loop: Loop) -> None:
        self._timer = loop.call_at(loop.now_s() + next_delay_s(self._attempt), self._look)
        self._attempt += 1

    def _read(self) -> None:
        loop, port = self._loop, self._port
        if loop is None or port is None:
            return
        try:
            data = os.read(port.fd, READ_BYTES)
        except BlockingIOError:
            return
        except FAILURES as error:
            self._lose(error)
            return
        if not data:
            self._lose(None)
            return
        self._attempt = 0
        self.on_data(data, loop.now_s())

    def _lose(self, error: BaseException | None) -> None:
        """Close at once, so that the device's number is free for when it comes back."""
        loop, port = self._loop, self._port
        if loop is None or port is None:
            return
        self._release()
        self._why = f"the board at {port.device} went away" + (f": {error}" if error else "")
        self._look_later(loop)
        self.on_lost()

    def _release(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            if self._loop is not None:
                self._loop.remove_reader(port.fd)
            port.close()
