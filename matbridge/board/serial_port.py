"""Serial ports: finding, opening and closing them. The one module that imports pyserial.

pyserial opens and configures; bytes are read and written by the caller on the descriptor. Whatever
pyserial, termios and the system raise becomes BoardUnavailable here, by one table.
"""

from __future__ import annotations

import errno
import fcntl
import os
import re
import stat
import struct
import termios
from contextlib import suppress
from pathlib import Path
from typing import Any, NamedTuple

import serial
from serial.tools import list_ports

from matbridge.board import baud as rates
from matbridge.errors import BoardUnavailable

BY_ID = Path("/dev/serial/by-id")
TTY_CLASS = Path("/sys/class/tty")
CONSOLES = Path("/proc/consoles")

# All that pyserial, termios and the system raise for a port that fails, in any call.
FAILURES = (OSError, termios.error, TypeError, ValueError)

_USB = re.compile(r"usb:([0-9a-fA-F]{1,4}):([0-9a-fA-F]{1,4})(?::(.+))?")

# Virtual terminals are major 4 below minor 64; /dev/tty and /dev/console are major 5, 0 and 1
# (the kernel's list of devices, admin-guide/devices.txt).
_TTY_MAJOR, _FIRST_SERIAL_MINOR = 4, 64
_TERMINALS = {(5, 0), (5, 1)}


class FoundPort(NamedTuple):
    """A serial port that may have a board on it.

    device: such as /dev/ttyACM0. by_id: the link that keeps its name over replugging, or "".
    usb: VENDOR:PRODUCT in hex, or "". serial_number: of the USB device, or "".
    """

    device: str
    by_id: str
    usb: str
    serial_number: str
    description: str


def find_boards() -> list[FoundPort]:
    """Serial ports of this computer that may have a board on them, its console left out.

    Raises BoardUnavailable where they cannot be listed.
    """
    links = {os.path.realpath(link): str(link) for link in _entries(BY_ID)}
    return [
        FoundPort(
            port.device,
            links.get(os.path.realpath(port.device), ""),
            "" if port.vid is None else f"{port.vid:04x}:{port.pid:04x}",
            port.serial_number or "",
            port.description if port.description not in (None, "n/a") else "",
        )
        for port in _listed()
        if _is_there(port.device) and not _is_console(port.device)
    ]


def locate(port: str) -> str:
    """The device that `port` means now: a path as it stands, usb:VENDOR:PRODUCT[:SERIAL] looked up.

    Raises BoardUnavailable where no USB device fits, several do, or they cannot be listed.
    """
    if not port.startswith("usb:"):
        return port
    found = _USB.fullmatch(port)
    if found is None:
        raise BoardUnavailable(
            f"'{port}' is no USB board; write usb:VENDOR:PRODUCT or usb:VENDOR:PRODUCT:SERIAL, "
            f"such as usb:2e8a:0005 (`matbridge ports` lists them)"
        )
    vid, pid, serial_number = int(found[1], 16), int(found[2], 16), found[3]
    # A board with several serial interfaces has its scans on the first.
    devices: dict[str, str] = {}
    for candidate in _listed():
        if (candidate.vid, candidate.pid) != (vid, pid):
            continue
        if serial_number is None or candidate.serial_number == serial_number:
            place = str(candidate.usb_device_path or candidate.device)
            devices.setdefault(place, candidate.device)
    if not devices:
        raise BoardUnavailable(f"no board at {port}: no such USB device is plugged in")
    if len(devices) > 1:
        raise BoardUnavailable(
            f"{port} fits {len(devices)} boards ({', '.join(devices.values())}); add the serial "
            f"number, or use a path under {BY_ID} (`matbridge ports` lists both)"
        )
    return next(iter(devices.values()))


class SerialPort:
    """An open serial port, held by us alone: raw bytes, 8 data bits, no parity, one stop bit.

    fd: its descriptor, non-blocking; reading gives no bytes only when the line was hung up.
    device: what was opened. baud: the rate that the line really has.
    """

    __slots__ = ("_serial", "baud", "device", "fd")

    def __init__(self, port: str, baud: int, *, dtr: bool = True, rts: bool = True) -> None:
        """Open `port` (see `locate`).

        The lines DTR and RTS are both raised, as the system does by itself: USB boards send nothing
        without DTR, and boards that can be reset by the lines take both at once for none. Where
        `dtr` or `rts` is False, they are lowered together afterwards.

        Raises BoardUnavailable with the reason and what to do.
        """
        device = locate(port)
        if _is_console(device):
            raise BoardUnavailable(
                f"{device} is a console of this computer, not a board; take it from the kernel "
                f"(console= on its command line) or use another port (`matbridge ports` lists them)"
            )
        try:
            self._serial = serial.Serial(
                None, rates.OPENING_BAUD if rates.needs_setting(baud) else baud,
                timeout=0, exclusive=True,
            )  # fmt: skip
            self._serial.port = device
            self._serial.open()
        except FAILURES as error:
            raise _unavailable(device, error) from error
        self.device = device
        self.fd: int = self._serial.fileno()
        self.baud = baud
        try:
            self._hold(dtr, rts)
            if rates.needs_setting(baud):
                self.baud = rates.set_baud(self.fd, baud)
        except FAILURES as error:
            self.close()
            raise _unavailable(device, error) from error
        if abs(self.baud - baud) > rates.TOLERANCE * baud:
            made = self.baud
            self.close()
            raise BoardUnavailable(
                f"{device} cannot do {baud} baud, the nearest is {made}; set the board and the "
                f"mat file to a rate that both can do"
            )

    def close(self) -> None:
        """Let it go. Twice is harmless, and so is a device that is gone."""
        if not self._serial.is_open:
            return
        with suppress(*FAILURES):
            fcntl.ioctl(self.fd, termios.TIOCNXCL)
        with suppress(*FAILURES):
            self._serial.close()

    def _hold(self, dtr: bool, rts: bool) -> None:
        # pyserial's lock keeps out those who ask for it; this keeps out everyone but root.
        fcntl.ioctl(self.fd, termios.TIOCEXCL)
        attributes = termios.tcgetattr(self.fd)
        # Without this, closing drops DTR, and the next opening resets many boards.
        attributes[2] &= ~termios.HUPCL
        # With pyserial's own setting a read that finds nothing looks like one after a hang-up.
        attributes[6][termios.VMIN] = 1
        attributes[6][termios.VTIME] = 0
        termios.tcsetattr(self.fd, termios.TCSANOW, attributes)
        lowered = (0 if dtr else termios.TIOCM_DTR) | (0 if rts else termios.TIOCM_RTS)
        if lowered:
            try:
                fcntl.ioctl(self.fd, termios.TIOCMBIC, struct.pack("I", lowered))
            except OSError as error:
                if error.errno not in (errno.ENOTTY, errno.EINVAL):  # a line without such lines
                    raise
        with suppress(*FAILURES):  # not every driver has it; `doctor` reports what the adapter does
            self._serial.set_low_latency_mode(True)


def _unavailable(device: str, error: BaseException) -> BoardUnavailable:
    number = _errno_of(error)
    if number not in _REASONS:
        return BoardUnavailable(f"cannot open {device}: {error}")
    return BoardUnavailable(_REASONS[number].format(device=device, group=_group_of(device)))


# What a number of the system means for whoever wants the board. {group} owns the device.
_NOT_THERE = "no board at {device}; plug it in, or look up its port with `matbridge ports`"
_FORBIDDEN = (
    "{device} may not be opened by this user; it belongs to the group '{group}': run "
    "`sudo usermod -aG {group} $USER`, then log out and in again"
)
_HELD = "{device} is held by another program; end that one first (`fuser -v {device}` names it)"
_NO_PORT = "{device} is no serial port, or cannot do that rate; `matbridge ports` lists the ports"
_REASONS = {
    errno.ENOENT: _NOT_THERE,
    errno.ENXIO: _NOT_THERE,
    errno.ENODEV: _NOT_THERE,
    errno.EACCES: _FORBIDDEN,
    errno.EPERM: _FORBIDDEN,
    errno.EBUSY: _HELD,
    errno.EAGAIN: _HELD,
    errno.ENOTTY: _NO_PORT,
    errno.EINVAL: _NO_PORT,
    errno.EISDIR: _NO_PORT,
    errno.ENOTDIR: _NO_PORT,
    errno.EIO: "{device} does not answer; unplug the board and plug it in again",
}


def _errno_of(error: BaseException | None) -> int:
    """The system's number in an exception or in the one behind it, or 0.

    termios.error keeps it as an argument; pyserial sometimes only in the text of its own.
    """
    while error is not None:
        number = getattr(error, "errno", None)
        if number is None and isinstance(error, termios.error) and error.args:
            number = error.args[0]
        if isinstance(number, int):
            return number
        error = error.__context__
    return 0


def _group_of(device: str) -> str:
    try:
        return Path(device).group()
    except (OSError, KeyError):
        return "dialout"


def _is_console(device: str) -> bool:
    """Whether a person, or the kernel, talks over `device`; opening it would garble both."""
    try:
        status = Path(device).stat()
    except OSError:
        return False
    if not stat.S_ISCHR(status.st_mode):
        return False
    number = (os.major(status.st_rdev), os.minor(status.st_rdev))
    if number in _TERMINALS or (number[0] == _TTY_MAJOR and number[1] < _FIRST_SERIAL_MINOR):
        return True
    try:
        lines = CONSOLES.read_text().splitlines()
    except OSError:
        return False
    return "{}:{}".format(*number) in (line.split()[-1] for line in lines if line.strip())


def _is_there(device: str) -> bool:
    """Whether there is hardware behind a ttyS name; the kernel keeps 32 of them ready.

    Its `type` is 0 for none (PORT_UNKNOWN); other drivers have no such file.
    """
    try:
        return (TTY_CLASS / Path(device).name / "type").read_text().strip() != "0"
    except OSError:
        return True


def _listed() -> list[Any]:
    """What pyserial lists, in order. It stumbles over a device that is pulled while it looks."""
    try:
        return sorted(list_ports.comports(), key=lambda port: _natural(port.device))
    except FAILURES as error:
        raise BoardUnavailable(
            "a serial port went away while the ports were listed; look again"
        ) from error


def _entries(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except OSError:
        return []


def _natural(device: str) -> list[tuple[int, str]]:
    """Sorts ttyUSB2 before ttyUSB10."""
    return [(int(part), "") if part.isdigit() else (0, part) for part in re.split(r"(\d+)", device)]
