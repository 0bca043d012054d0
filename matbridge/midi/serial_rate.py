"""Makes a serial device a plain wire of raw bytes at any rate, and reads back what rate it got.

The C library knows a table of usual rates and refuses others, 31 250 among them on some systems;
the kernel takes any through its own request. Source of the numbers: Linux, asm-generic/termbits.h
and asm-generic/ioctls.h, as x86, ARM and RISC-V use them.
"""

from __future__ import annotations

import fcntl
import struct
import sys

from matbridge.errors import OutputUnavailable

# struct termios2: four words of flags, line discipline, 19 control characters, two rates.
_LAYOUT = struct.Struct("4IB19s2I")
_GET = 0x802C542A  # TCGETS2
_SET = 0x402C542B  # TCSETS2

_CS8 = 0o60
_CREAD = 0o200
_CLOCAL = 0o4000
_BOTHER = 0o10000

# Where the least number of bytes to read stands among the control characters. One, and not none:
# a read of a device that went away then differs from one of a device that says nothing.
_VMIN = 6


def set_raw(fd: int, rate_hz: int) -> int:
    """Eight bits, no parity, one stop bit, no flow control, `rate_hz` bits a second.

    Returns the rate the driver settled for. Raises OSError where the device is none or is gone,
    OutputUnavailable on systems whose request for it is not known here.
    """
    if not sys.platform.startswith("linux"):
        raise OutputUnavailable(f"a serial rate of {rate_hz} can only be set on Linux so far")
    line = _LAYOUT.unpack(fcntl.ioctl(fd, _GET, bytes(_LAYOUT.size)))[4]
    control = bytes(_VMIN) + b"\x01"
    flags = (0, 0, _CS8 | _CREAD | _CLOCAL | _BOTHER, 0)
    fcntl.ioctl(fd, _SET, _LAYOUT.pack(*flags, line, control, rate_hz, rate_hz))
    settled = _LAYOUT.unpack(fcntl.ioctl(fd, _GET, bytes(_LAYOUT.size)))[7]
    return int(settled)
