"""The file of a take: what the boards sent, byte for byte, and all else that a replay needs.

A take is a gzip file (RFC 1952) of several members, one after the other, as the format allows: any
tool that reads gzip reads it. Each member ends with its CRC-32 and length, and holds whole records
only. A new one is begun about every second, so a crash loses no more than that. A member that is
damaged is passed over; what follows is read again from the next one that is whole. Version 1:

    record     kind (1 byte), length of the body (varint), body
    varint     lowest seven bits first, high bit set on all bytes but the last (as in LEB128)

    kind   body
    H      first of a take, once: JSON {"matbridge take": 1, "program": version of matbridge,
           "started": date and time of day, "boards": [{"port", "baud", "format", "channels",
           "bits"}, ...]}
    F      follow H, for each file that was in use: JSON {"role": "performance" | "mat" |
           "calibration", "name": name, "text": contents}
    T      first of every other member: microseconds since the start of the take (varint)
    D      bytes of a board: microseconds since the record before (varint), board (varint), bytes
    E      an event: microseconds since the record before (varint), JSON {"event": name, ...}
    Z      last of a take that was ended in order: as E, with {"event": "end", "reason": text}

Times are monotonic, and count from the start of the take. "The record before" is the one before in
the member, or its T. Events that a replay acts on:

    found {"board"}                      the board was opened, and its decoder began anew
    lost {"board", "reason"}             it went away: whatever was touched on it was no more
    silent {"board"}                     likewise, but it only stopped sending for a while
    act {"act", "argument", "preset"}    asked from outside the mat; a preset by its name
    midi {"message"}                     a MIDI message that came in, in hex

and those that only tell: preset {"name"}, fault {"zone", "fault", "recovered"}. Others are passed
over. An hour of 24 zones at 1 kHz, as the simulated mat plays it with noise, took 19 to 25 MB in
text and 50 to 56 MB in packed, of 183 to 196 and 158 MB that were sent.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, TypeAlias

VERSION = 1
FORM = "matbridge take"
SUFFIX = ".take"

# The grid of its times; what is played is played on it, so that a replay decides every tie alike.
TICKS_PER_S = 1_000_000

ROLES = ("performance", "mat", "calibration")

# The first member holds the files together, of which the calibration of the widest mat is the
# longest, 2.5 MB; a writer ends each later one far below this. It bounds the memory that a hostile
# take can claim, for a member counts only when its checksum is known.
MAX_MEMBER_BYTES = 16 << 20

# As many as a mat file allows.
MAX_BOARDS = 16

# Nobody plays for longer; a greater time is damage.
MAX_LENGTH_S = 31 * 24 * 3600.0

# gzip with its own header and checksum, as zlib numbers its formats.
GZIP: Final = 31

# zlib's own default: level 9 takes ten times the work for a twelfth less.
_LEVEL = 6

HEADER, FILE, TIME, DATA, EVENT, END = b"HFTDEZ"


@dataclass(frozen=True, slots=True)
class RecordedBoard:
    """How a board of the take was read: as in the mat file, for `port` may not exist elsewhere."""

    port: str
    baud: int
    format: str
    channels: int
    bits: int


@dataclass(frozen=True, slots=True)
class TakeHeader:
    """What a take says of itself. started: local date and time, ISO 8601. files: text by role,
    with the name each had."""

    started: str
    boards: tuple[RecordedBoard, ...]
    files: tuple[tuple[str, str, str], ...] = ()
    program: str = ""

    def file(self, role: str) -> tuple[str, str] | None:
        """(name, text) of a file of that role, if the take holds one."""
        return next((each[1:] for each in self.files if each[0] == role), None)


class Chunk(NamedTuple):
    """Bytes that board number `board` had sent by `time_s` of the take."""

    time_s: float
    board: int
    data: bytes


class Event(NamedTuple):
    """Something else that happened at `time_s` of the take; see the table above.

    One is never written: "gap", where a damaged part was passed over.
    """

    time_s: float
    name: str
    facts: Mapping[str, Any]


Record: TypeAlias = Chunk | Event


def on_grid(time_s: float) -> float:
    """A time as a take can keep it, no later than it was."""
    return int(time_s * TICKS_PER_S) / TICKS_PER_S


def encode_varint(value: int) -> bytes:
    """A whole number of 0 or more."""
    if value < 0x80:
        return bytes((value,))
    encoded = bytearray()
    while value >= 0x80:
        encoded.append(value & 0x7F | 0x80)
        value >>= 7
    encoded.append(value)
    return bytes(encoded)


def encode_record(kind: int, body: bytes) -> bytes:
    return bytes((kind,)) + encode_varint(len(body)) + body


def encode_json(kind: int, facts: Mapping[str, Any], prefix: bytes = b"") -> bytes:
    text = json.dumps(facts, separators=(",", ":"), ensure_ascii=False)
    return encode_record(kind, prefix + text.encode("utf-8", "replace"))


def encode_header(header: TakeHeader) -> bytes:
    """The records that a take begins with."""
    boards = [
        {"port": each.port, "baud": each.baud, "format": each.format, "channels": each.channels,
         "bits": each.bits}
        for each in header.boards
    ]  # fmt: skip
    first = {FORM: VERSION, "program": header.program, "started": header.started, "boards": boards}
    return b"".join(
        (
            encode_json(HEADER, first),
            *(
                encode_json(FILE, {"role": role, "name": name, "text": text})
                for role, name, text in header.files
            ),
        )
    )


def member(records: bytes) -> bytes:
    """Whole records as one gzip member."""
    packer = zlib.compressobj(_LEVEL, zlib.DEFLATED, GZIP)
    return packer.compress(records) + packer.flush()
