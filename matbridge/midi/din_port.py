"""A MIDI cable: raw MIDI through a serial device, as a DIN or TRS jack has it, at 31 250 baud.

Order and pace are din_queue.py's; here is the device: opened and set, written without ever waiting
for it, given up when it goes and looked for until it is back.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import struct
import termios
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from select import select

from matbridge.board.baud import needs_setting, set_baud
from matbridge.errors import OutputClosed, OutputUnavailable
from matbridge.loop import Loop, Timer
from matbridge.midi.din_queue import BAUD, DinQueue
from matbridge.midi.output import START_WAIT_S, Output

# MIDI allows the clock of a sender one part in a hundred (MIDI 1.0, hardware).
MAX_DEVIATION = 0.01

# Pauses between two looks for a device that is not there.
RETRY_S = 0.5
MAX_RETRY_S = 2.0

# A device that has taken nothing for so long, while something waits, counts as gone.
STALL_S = 2.0

# How long `close` waits for what is still to leave.
CLOSE_WAIT_S = 1.0

_CONSOLES = Path("/sys/class/tty/console/active")
_READ = 4096

_WHY = {
    errno.ENOENT: "is not there",
    errno.ENODEV: "is not there",
    errno.ENXIO: "is not there",
    errno.EACCES: "may not be opened by this user (join the group 'dialout')",
    errno.EPERM: "may not be opened by this user (join the group 'dialout')",
    errno.EBUSY: "is in use by another program",
    errno.EAGAIN: "is in use by another program",
    errno.EIO: "went away",
}


class DinPort(Output):
    """target: the path of the serial device. baud: for adapters that take MIDI at another rate."""

    _loop: Loop

    def __init__(self, name: str, target: str, *, baud: int = BAUD) -> None:
        self.name = name
        self._target = target
        self._closed = True
        self._fd = -1
        self._baud = baud
        self._queue = DinQueue(baud)
        self._unwritten = b""
        self._timer: Timer | None = None
        self._retry_s = RETRY_S
        self._stalled_until_s = 0.0
        self._why = ""
        self._rate_hz = 0
        self._dropped = 0
        self._losses = 0

    def open(
        self,
        loop: Loop,
        wait_s: float = START_WAIT_S,  # noqa: ARG002 - opens at once
    ) -> None:
        if self._closed:
            self._loop = loop
            self._look()
            self._closed = False

    def send(self, messages: Sequence[bytes]) -> None:
        if self._closed:
            raise OutputClosed(f"output '{self.name}' is not open")
        if self._fd < 0:
            self._dropped += len(messages)
            return
        now_s = self._loop.now_s()
        for message in messages:
            self._queue.push(message, now_s)
        if not self._timer and not self._unwritten:
            self._write(now_s)

    def close(self) -> None:
        if self._closed:
            return
        self._closed = True
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._fd >= 0:
            self._finish(self._loop.now_s())
            self._release()

    @property
    def up(self) -> bool:
        return self._fd >= 0

    def status(self) -> Mapping[str, object]:
        facts: dict[str, object] = {"kind": "serial", "up": self.up, "target": self._target}
        if self.up:
            facts |= {
                "baud": self._rate_hz,
                "waiting": len(self._queue),
                "delay_ms": round(self._queue.delay_s * 1000, 2),
                "worst_delay_ms": round(self._queue.worst_s(self._loop.now_s()) * 1000, 2),
            }
        else:
            facts["why"] = self._why
        return facts | {
            "dropped": self._dropped + self._queue.dropped,
            "thinned": self._queue.thinned,
            "losses": self._losses,
        }

    def _look(self) -> None:
        """Open the device if it is there, or look again later. Raises OutputUnavailable."""
        self._timer = None
        try:
            self._fd = self._opened()
        except OSError as error:
            reason = _WHY.get(error.errno or 0) or os.strerror(error.errno or errno.EIO)
            self._why = f"{self._target} {reason}"
            self._timer = self._loop.call_at(self._loop.now_s() + self._retry_s, self._look_again)
            self._retry_s = min(2 * self._retry_s, MAX_RETRY_S)
            return
        self._why = ""
        self._retry_s = RETRY_S
        self._loop.add_reader(self._fd, self._on_readable)

    def _look_again(self) -> None:
        try:
            self._look()
        except OutputUnavailable as error:
            # Another device under the same name. It may be changed back, so the search goes on.
            self._why = str(error)
            self._timer = self._loop.call_at(self._loop.now_s() + MAX_RETRY_S, self._look_again)
            return
        if self._fd >= 0 and self.on_up is not None:
            self.on_up()

    def _opened(self) -> int:
        """A descriptor of the device, set for MIDI. Raises OSError, OutputUnavailable."""
        self._refuse_console()
        fd = os.open(self._target, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
        try:
            self._refuse_other_than_serial(fd)
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            fcntl.ioctl(fd, termios.TIOCEXCL)
            self._rate_hz = _set_raw(fd, self._baud)
            self._refuse_wrong_rate()
            termios.tcflush(fd, termios.TCIOFLUSH)
        except termios.error as error:
            os.close(fd)
            raise OSError(*error.args) from error
        except BaseException:
            os.close(fd)
            raise
        return fd

    def _refuse_console(self) -> None:
        with contextlib.suppress(OSError):
            if Path(os.path.realpath(self._target)).name in _CONSOLES.read_text().split():
                raise OutputUnavailable(
                    f"output '{self.name}': the system's console is on {self._target}; "
                    "take it off the kernel's command line first (console=)"
                )

    def _refuse_other_than_serial(self, fd: int) -> None:
        if not os.isatty(fd):
            raise OutputUnavailable(f"output '{self.name}': {self._target} is not a serial device")

    def _refuse_wrong_rate(self) -> None:
        if abs(self._rate_hz - self._baud) > MAX_DEVIATION * self._baud:
            raise OutputUnavailable(
                f"output '{self.name}': {self._target} offers {self._rate_hz} baud where "
                f"{self._baud} are needed; use another adapter, such as one made for MIDI"
            )

    def _write(self, now_s: float) -> None:
        """Hand the driver what it may have, and come back when it may have more."""
        data = self._unwritten or self._queue.take(now_s)
        if data:
            try:
                written = os.write(self._fd, data)
            except BlockingIOError:
                written = 0
            except OSError as error:
                self._lose(_WHY.get(error.errno or 0, "went away"))
                return
            if written < len(data):
                self._wait_for_room(data[written:], written, now_s)
                return
            self._unwritten = b""
        if self._queue:
            self._timer = self._loop.call_at(self._queue.next_s(), self._on_time)

    def _wait_for_room(self, rest: bytes, written: int, now_s: float) -> None:
        """The driver is full, as when an adapter hangs: wait until it takes more, or give up."""
        if written or not self._unwritten:
            self._stalled_until_s = now_s + STALL_S
        self._unwritten = rest
        self._loop.add_writer(self._fd, self._on_writable)
        if self._timer is None:
            self._timer = self._loop.call_at(self._stalled_until_s, self._on_stalled)

    def _on_time(self) -> None:
        self._timer = None
        now_s = self._loop.now_s()
        with contextlib.suppress(OSError):
            count = fcntl.ioctl(self._fd, termios.TIOCOUTQ, bytes(4))
            self._queue.held(struct.unpack("i", count)[0], now_s)
        self._write(now_s)

    def _on_writable(self) -> None:
        self._loop.remove_writer(self._fd)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._write(self._loop.now_s())

    def _on_stalled(self) -> None:
        self._timer = None
        self._lose("takes nothing any more")

    def _on_readable(self) -> None:
        """What comes in is not for us; a device that went away is told from it."""
        try:
            data = os.read(self._fd, _READ)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._lose("went away")

    def _lose(self, why: str) -> None:
        self._release()
        self._losses += 1
        self._why = f"{self._target} {why}"
        if self._timer is not None:
            self._timer.cancel()
        self._timer = self._loop.call_at(self._loop.now_s() + self._retry_s, self._look_again)
        if self.on_down is not None:
            self.on_down(self._why)

    def _release(self) -> None:
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        os.close(self._fd)
        self._fd = -1
        self._unwritten = b""
        self._queue.clear()

    def _finish(self, now_s: float) -> None:
        """Write what waits, at the wire's pace but for CLOSE_WAIT_S at most, and let it leave."""
        end_s = now_s + CLOSE_WAIT_S
        data = self._unwritten
        while now_s < end_s:
            data = data or self._queue.take(now_s)
            if not data and not self._queue:
                break
            try:
                if data and select((), (self._fd,), (), end_s - now_s)[1]:
                    data = data[os.write(self._fd, data) :]
            except OSError:
                return
            if not data and self._queue:
                time.sleep(max(0.0, self._queue.next_s() - self._loop.now_s()))
            now_s = self._loop.now_s()
        time.sleep(min(self._queue.wire_s(now_s), CLOSE_WAIT_S))


def _set_raw(fd: int, baud: int) -> int:
    """Make the device a plain wire of bytes: eight bits, no parity, one stop bit, no flow control.

    Returns the rate that the driver settled for. Raises OSError, termios.error.
    """
    speed = getattr(termios, f"B{baud}", baud)
    if needs_setting(baud):
        speed = termios.B38400
    control = termios.tcgetattr(fd)[6]
    # A read of a device that went away then differs from one of a device that says nothing.
    control[termios.VMIN], control[termios.VTIME] = 1, 0
    flags = termios.CS8 | termios.CREAD | termios.CLOCAL
    termios.tcsetattr(fd, termios.TCSANOW, [0, 0, flags, 0, speed, speed, control])
    return set_baud(fd, baud) if needs_setting(baud) else baud
