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
from matbridge.board.hello import MAX_CHANNELS, Hello, from_body, to_body
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

# A board's clock that claims to have run so much longer than ours since the last scan has started
# anew, or counts something else.
_RESTART_S = 5.0
_TICK_S = 1e-6

# A sequence number further ahead than half its range has gone back instead; nothing was lost.
_MOST_MISSED = 0x7FFF

# Readings taken out of one whole number at a time. Eight of any width fill whole bytes; a number
# of 32 keeps each shift short, so that the work grows in line with the channels.
_GROUP = 32


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


def _frame_size(channels: int, width: int) -> int:
    """Bytes of a scan's payload and checksum."""
    return _HEADER.size + (channels * width + 7) // 8 + _CRC_BYTES


def _unpacker(channels: int, width: int) -> Callable[[bytes], Sequence[int]]:
    """How to take `channels` readings of `width` bits out of a whole frame.

    Compiled once, so that a scan costs no more than the readings it holds.
    """
    start = _HEADER.size
    if width == 8:
        return lambda frame: list(frame[start : start + channels])
    if width == 16:
        words = struct.Struct(f"<{channels}H")
        return lambda frame: words.unpack_from(frame, start)
    mask = (1 << width) - 1
    size = (channels * width + 7) // 8
    group_size = _GROUP * width // 8
    shifts = tuple(range(0, _GROUP * width, width))
    groups = tuple(
        (
            start + place * width // 8,
            min(start + size, start + place * width // 8 + group_size),
            shifts[: channels - place],
        )
        for place in range(0, channels, _GROUP)
    )
    if len(groups) == 1:
        end = start + size
        shifts = shifts[:channels]

        def one_group(frame: bytes) -> Sequence[int]:
            body = int.from_bytes(frame[start:end], "little")
            return [body >> shift & mask for shift in shifts]

        return one_group

    def many_groups(frame: bytes) -> Sequence[int]:
        return [
            body >> shift & mask
            for first, last, group in groups
            for body in (int.from_bytes(frame[first:last], "little"),)
            for shift in group
        ]

    return many_groups


class PackedDecoder:
    """Implements Decoder for a board of `channels` readings of `bits` bits each.

    Before the first sound frame after the link was opened, up to MAX_BANNER_BYTES that are no
    frame are the banner of a board that starts, or a frame that was cut, and are dropped.
    Afterwards they are damage. A damaged frame whose sequence number is missed by the next one
    counts as damaged and its scan as lost.
    """

    __slots__ = ("_checks_range", "_clock", "_clock_us", "_expected", "_last_now_s", "_sequence",
                 "_size", "_skipping", "_spare_bytes", "_tail", "_top", "_unpack", "counts",
                 "hello", "misfit")  # fmt: skip

    def __init__(self, channels: int, bits: int) -> None:
        self.counts = LinkCounts()
        self.hello: Hello | None = None
        self.misfit: Misfit | None = None
        width = width_for(bits)
        self._expected = (SCAN_KIND, width, channels)
        self._size = _frame_size(channels, width)
        self._top = (1 << bits) - 1
        self._checks_range = bits < width
        self._unpack = _unpacker(channels, width)
        self._clock = BoardClock(_TICK_S)
        self.reset()

    def reset(self) -> None:
        self._tail = b""
        self._skipping = False  # drop what comes before the next end of a frame
        self._spare_bytes = MAX_BANNER_BYTES  # what may still pass for a banner
        self._sequence: int | None = None  # of the last scan
        self._clock_us = 0
        self._last_now_s = 0.0
        self._clock.restart()

    def feed(self, data: bytes, now_s: float) -> list[Scan]:
        pieces = (self._tail + data).split(END)
        self._tail = pieces.pop()
        if self._skipping and pieces:
            del pieces[0]
            self._skipping = False
        rows: list[Sequence[int]] = []
        steps: list[int] = []
        times: list[float] = []
        for piece in pieces:
            if not piece:
                continue
            try:
                frame = cobs.decode(piece)
            except cobs.DecodeError:
                self._count_damage(len(piece))
                continue
            if crc_hqx(frame, CRC_INIT):
                self._count_damage(len(piece))
                continue
            if len(frame) != self._size:
                self._take_other(frame, len(piece))
                continue
            kind, width, sequence, clock_us, channels = _HEADER.unpack_from(frame)
            row = self._unpack(frame)
            if (kind, width, channels) != self._expected or (
                self._checks_range and max(row) > self._top
            ):
                self._take_other(frame, len(piece))
                continue
            step = (clock_us - self._clock_us) & 0xFFFFFFFF
            if self._sequence is None:
                step = 0
            elif step * _TICK_S > now_s - self._last_now_s + _RESTART_S:
                if steps:
                    times += self._clock.times(steps, now_s)
                    steps = []
                self._clock.restart()
                step = 0
            else:
                missed = (sequence - self._sequence - 1) & 0xFFFF
                if missed <= _MOST_MISSED:
                    self.counts.lost += missed
            self._sequence = sequence
            self._clock_us = clock_us
            self._last_now_s = now_s
            self._spare_bytes = 0
            rows.append(row)
            steps.append(step)
        if len(self._tail) > MAX_FRAME_BYTES:
            if not self._skipping:
                self._count_damage(len(self._tail))
            self._tail = b""
            self._skipping = True
        if not rows:
            return []
        self.counts.scans += len(rows)
        times += self._clock.times(steps, now_s)
        return list(map(Scan, times, rows))

    def _take_other(self, frame: bytes, size: int) -> None:
        """A frame whose checksum was right, but that is no scan of our shape."""
        kind = frame[0]
        if kind == HELLO_KIND:
            hello = from_body(frame[1:-_CRC_BYTES])
            if hello is not None:
                self.hello = hello
                return
        elif kind == SCAN_KIND and len(frame) >= _HEADER.size + _CRC_BYTES:
            _, width, _, _, channels = _HEADER.unpack_from(frame)
            if width in WIDTHS and len(frame) == _frame_size(channels, width):
                self.misfit = Misfit(channels, width)
        self._count_damage(size)

    def _count_damage(self, size: int) -> None:
        if size <= self._spare_bytes:
            self._spare_bytes -= size
            return
        self._spare_bytes = 0
        self.counts.damaged += 1
