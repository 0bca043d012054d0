"""Bluetooth LE MIDI packets. Pure.

    10hhhhhh | 1lllllll status data data | 1lllllll status data data | ...

The first byte has the upper six bits of a 13-bit time in milliseconds, the byte before each message
the lower seven. Every message has its time and its whole status byte: running status is allowed,
but a common receiver misreads it where no time stands before it. A system exclusive message too
long for a packet goes on in the next after a header alone, and has a time before its last byte.

Source: the MIDI Association's specification of MIDI over Bluetooth Low Energy.
"""

from __future__ import annotations

from collections.abc import Sequence

SERVICE = "03b80e5a-ede8-4b33-a751-6ce34ec4c700"
CHARACTERISTIC = "7772e5db-3868-4112-a1a9-f2669d106bf3"

# Of the transmission unit of a connection, what a notification takes for itself.
OVERHEAD = 3

# The smallest unit that a connection can have, before a larger one is agreed on.
MIN_MTU = 23

_TIMES = 1 << 13
_MARK = 0x80
_SYSEX, _SYSEX_END = 0xF0, 0xF7


def packets(messages: Sequence[bytes], now_s: float, size: int) -> list[bytes]:
    """The fewest packets of at most `size` bytes that carry the messages, all at `now_s`."""
    time_ms = int(now_s * 1000) % _TIMES
    header, stamp = bytes((_MARK | time_ms >> 7,)), bytes((_MARK | time_ms & 0x7F,))
    out: list[bytes] = []
    packet = header
    for message in messages:
        if len(header) + len(stamp) + len(message) + (message[0] == _SYSEX) > size:
            if len(packet) > 1:
                out.append(packet)
            *whole, packet = _long(message, header, stamp, size)
            out += whole
            continue
        stamped = stamp + message
        if message[0] == _SYSEX:
            stamped = stamp + message[:-1] + stamp + message[-1:]
        if len(packet) + len(stamped) > size:
            out.append(packet)
            packet = header
        packet += stamped
    if len(packet) > 1:
        out.append(packet)
    return out


def _long(message: bytes, header: bytes, stamp: bytes, size: int) -> list[bytes]:
    """A system exclusive message over as many packets as it needs; the last may have room."""
    if message[0] != _SYSEX or message[-1] != _SYSEX_END:
        raise ValueError(f"a MIDI message of {len(message)} bytes does not fit a packet of {size}")
    rest = message[:-1]
    first = size - len(header) - len(stamp)
    out = [header + stamp + rest[:first]]
    rest = rest[first:]
    while rest:
        out.append(header + rest[: size - len(header)])
        rest = rest[size - len(header) :]
    if len(out[-1]) + 2 > size:
        out.append(header)
    out[-1] += stamp + message[-1:]
    return out
