"""Rates of a serial line that no table holds, such as 31 250 and 250 000 baud.

Current C libraries refuse the placeholder by which pyserial 3.5 asks for such a rate (glibc from
2.42 on), so it is set here, by the kernel's own call, and read back. Linux on x86 and ARM only:
the layout is that of `struct termios2` in the kernel's asm-generic/termbits.h.
"""

from __future__ import annotations

import fcntl
import struct
import sys
import termios

# Any rate that every system knows; the line is opened at it before `set_baud`.
OPENING_BAUD = 38_400

# A byte is sampled up to ten bit times after its start, half a bit from its neighbours; both ends
# share what is left over (common practice: 2 % each).
TOLERANCE = 0.02

_TCGETS2 = 0x802C542A
_TCSETS2 = 0x402C542B
_CBAUD = 0o010017
_BOTHER = 0o010000
_INPUT_SHIFT = 16
_TERMIOS2 = struct.Struct("=4I20B2I")
_CFLAG, _INPUT_SPEED, _OUTPUT_SPEED = 2, -2, -1


def needs_setting(baud: int) -> bool:
    """Whether `baud` is in no table, and so has to be set by `set_baud` after opening."""
    return sys.platform == "linux" and not hasattr(termios, f"B{baud}")


def set_baud(fd: int, baud: int) -> int:
    """Set the rate of an open line, both ways, and return the rate that it now has.

    Raises OSError where the line refuses it. A driver may round to what its clock can make: compare
    what is returned with TOLERANCE.
    """
    fields = list(_TERMIOS2.unpack(_get(fd)))
    fields[_CFLAG] &= ~(_CBAUD | _CBAUD << _INPUT_SHIFT)
    fields[_CFLAG] |= _BOTHER | _BOTHER << _INPUT_SHIFT
    fields[_INPUT_SPEED] = fields[_OUTPUT_SPEED] = baud
    fcntl.ioctl(fd, _TCSETS2, _TERMIOS2.pack(*fields))
    return int(_TERMIOS2.unpack(_get(fd))[_OUTPUT_SPEED])


def _get(fd: int) -> bytes:
    return fcntl.ioctl(fd, _TCGETS2, bytes(_TERMIOS2.size))
