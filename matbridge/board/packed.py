"""The packed wire format: one checked binary frame a scan.

    one frame on the wire:   COBS( payload, checksum )  00

    payload of a scan
    offset  size  field
    0       1     11 hex: version 1 in the high four bits, kind 1 (scan) in the low four
    1       1     bits in a reading: 8, 10, 12 or 16
    2       2     sequence number of the scan, low byte first; 65535 is followed by 0
    4       4     board's clock in microseconds when the scan was read, low byte first; wraps
    8       2     readings in the scan, 1-1024, low byte first
    10      n     the readings, lowest bit first: reading k has the bits k*bits to (k+1)*bits - 1
                  of the body, and bit j of the body is bit j % 8 of byte j // 8. Unused bits of
                  the last byte are 0.
    10+n    2     checksum of all bytes above, HIGH byte first

    payload of an announcement: 12 hex (version 1, kind 2), then the body drawn in `hello`, then
    the checksum likewise.

COBS (Cheshire and Baker, Consistent Overhead Byte Stuffing, 1999) takes every zero byte out of the
frame at a cost of one byte in 254, so that a zero can only be the end of a frame. The checksum is
the CRC-16 known as IBM-3740 (polynomial 1021, initial value FFFF, not reflected, nothing added at
the end; it gives 29B1 for the ASCII digits 1 to 9). Sent high byte first it makes the CRC of a
whole sound frame 0. A board sends one 00 when it starts, which ends whatever came before.

A board packs readings with a byte, a bit count and a shift: put each reading above the bits that
are waiting, and send a byte while eight or more wait.

Worked example: scan 7, read 1000 microseconds after the board's start, of three 10-bit readings
0, 513 and 1023.

    payload    11 0A 07 00 E8 03 00 00 03 00 00 04 F8 3F
    checksum   1A F3
    on wire    04 11 0A 07 03 E8 03 01 02 03 01 06 04 F8 3F 1A F3 00
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Callable, Sequence

from cobs import cobs

from matbridge.board.clock import BoardClock
from matbridge.board.hello import MAX_CHANNELS, MAX_TEXT_BYTES, Hello, from_body, to_body
from matbridge.board.scan import MAX_BANNER_BYTES, LinkCounts, Misfit, Scan

SCAN_KIND = 0x11
HELLO_KIND = 0x12

# Widths of a reading on the wire; a converter of another width takes the next one up.
WIDTHS = (8, 10, 12, 16)

END = b"\0"
CRC_INIT = 0xFFFF
_HEADER = struct.Struct("<BBHIH")
_CRC_BYTES = 2

# The longest sound frame before its end byte: 1024 readings of 16 bits, and one COBS byte for each
# 254 begun. What is longer is cut, so that a board gone mad cannot fill the memory.
_MAX_PLAIN = _HEADER.size + MAX_CHANNELS * 2 + _CRC_BYTES
MAX_FRAME_BYTES = _MAX_PLAIN + 1 + _MAX_PLAIN // 254


def width_for(bits: int) -> int:
    """The width on the wire of a reading of 1-16 bits."""
    return next(width for width in WIDTHS if width >= bits)


def encode_scan(sequence: int, clock_us: int, readings: Sequence[int], width: int) -> bytes:
    """One frame as a board sends it, with its end byte.

    sequence and clock_us wrap by themselves. readings: 1-1024 of them, 0 to 2**width - 1; width is
    one of WIDTHS.
    """
    if width not in WIDTHS:
        raise ValueError(f"a reading cannot be {width} bits wide; allowed: {WIDTHS}")
    if not 1 <= len(readings) <= MAX_CHANNELS:
        raise ValueError(f"{len(readings)} readings do not make a scan; 1 to {MAX_CHANNELS} do")
    body = 0
    for place, reading in enumerate(readings):
        if not 0 <= reading < 1 << width:
            raise ValueError(f"reading {reading} does not fit {width} bits")
        body |= reading << place * width
    header = _HEADER.pack(SCAN_KIND, width, sequence & 0xFFFF, clock_us & 0xFFFFFFFF, len(readings))
    return _framed(header + body.to_bytes((len(readings) * width + 7) // 8, "little"))


def encode_hello(hello: Hello) -> bytes:
    """The announcement frame, with its end byte."""
    return _framed(bytes((HELLO_KIND,)) + to_body(hello))


def _framed(payload: bytes) -> bytes:
    checksum = crc_hqx(payload, CRC_INIT).to_bytes(_CRC_BYTES, "big")
    return bytes(cobs.encode(payload + checksum)) + END
