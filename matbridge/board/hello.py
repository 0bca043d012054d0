"""How a board says what it is, so that a wrong board or a wrong baud is told from a silent one.

The bridge sends one byte, `?`. A board that knows it answers with an announcement, which it also
sends unasked when it starts; one that does not, ignores it. In text the announcement is a comment,
so that any reader of the format passes over it; `name` comes last and runs to the end of the line:

    # board: channels=24 bits=10 rate=1000 format=text program=1.2 name=stepping stones

In packed it is a frame of its own (see `packed`) whose body is, after the kind byte:

    offset  size
    1       1     bits in a reading, 1-16
    2       2     scans a second, low byte first; 0 where the board does not know
    4       2     readings in a scan, 1-1024, low byte first
    6       0-64  ASCII: version of the board's program, a zero byte, the board's name
"""

from __future__ import annotations

import re
import struct
from typing import NamedTuple

QUERY = b"?"

# Most readings in one scan: a mat of 32 by 32, and a frame that still fits 2 KiB of board memory.
MAX_CHANNELS = 1024

# Longest program version and name together: enough for a title, small for a board's memory.
MAX_TEXT_BYTES = 64

_LINE = re.compile(
    r"#\s*board:\s+channels=(\d{1,4})\s+bits=(\d{1,2})\s+rate=(\d{1,5})\s+format=(text|packed)"
    r"\s+program=(\S*)\s+name=(.*)",
    re.ASCII,
)
_FIXED = struct.Struct("<BHH")


class Hello(NamedTuple):
    """A board's announcement.

    channels: readings in a scan, 1-1024. bits: width of a reading, 1-16. rate_hz: scans a second,
    0 where the board does not know. format: "text" or "packed". program: version of what the
    board runs, without spaces. name: what its maker calls it.
    """

    channels: int
    bits: int
    rate_hz: int
    format: str
    program: str
    name: str


def to_line(hello: Hello) -> bytes:
    """The comment line of the text format, with its line end."""
    return (
        f"# board: channels={hello.channels} bits={hello.bits} rate={hello.rate_hz}"
        f" format={hello.format} program={hello.program} name={hello.name}\n"
    ).encode("ascii", "replace")


def from_line(line: str) -> Hello | None:
    """The announcement in a comment line, or None when it is some other comment."""
    found = _LINE.fullmatch(line.strip())
    if found is None:
        return None
    channels, bits, rate, wire_format, program, name = found.groups()
    return _checked(Hello(int(channels), int(bits), int(rate), wire_format, program, name.strip()))


def to_body(hello: Hello) -> bytes:
    """The body of the packed announcement, after its kind byte."""
    text = f"{hello.program}\0{hello.name}".encode("ascii", "replace")[:MAX_TEXT_BYTES]
    return _FIXED.pack(hello.bits, hello.rate_hz, hello.channels) + text


def from_body(body: bytes) -> Hello | None:
    """The announcement in the body of a packed frame whose checksum was right."""
    if not _FIXED.size <= len(body) <= _FIXED.size + MAX_TEXT_BYTES:
        return None
    bits, rate_hz, channels = _FIXED.unpack_from(body)
    program, _, name = body[_FIXED.size :].decode("ascii", "replace").partition("\0")
    return _checked(Hello(channels, bits, rate_hz, "packed", program, name))


def _checked(hello: Hello) -> Hello | None:
    sound = 1 <= hello.channels <= MAX_CHANNELS and 1 <= hello.bits <= 16
    return hello if sound else None
