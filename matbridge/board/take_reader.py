"""Reading a take, as if a stranger had written it: bounded in memory, and never by trust."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, BinaryIO

from matbridge.board.hello import MAX_CHANNELS
from matbridge.board.take import (
    DATA,
    END,
    EVENT,
    FILE,
    FORM,
    GZIP,
    HEADER,
    MAX_BOARDS,
    MAX_LENGTH_S,
    MAX_MEMBER_BYTES,
    ROLES,
    TICKS_PER_S,
    TIME,
    VERSION,
    Chunk,
    Event,
    Record,
    RecordedBoard,
    TakeHeader,
)
from matbridge.errors import TakeError

# How a member begins: gzip's mark, deflate, and no flags (RFC 1952, 2.3.1).
_BEGINNING = b"\x1f\x8b\x08\x00"

_READ_BYTES = 1 << 16

# A take with more damaged parts than this is no take any more.
_MAX_DAMAGED = 1000

# The last member is looked for in so much of the end of a file: several of the largest written.
_TAIL_BYTES = 1 << 20

# A varint of more bytes would be a time of more than MAX_LENGTH_S, or a length beyond all bounds.
_MAX_SHIFT = 49


class Take:
    """A take that is read.

    Of the latest `records`, as far as it has been read: length_s; damage, what could not be read,
    or ""; reason, why the take ended, or "" where its end is missing.
    """

    def __init__(self, path: Path) -> None:
        """Read the header. Raises TakeError where `path` is no take, or cannot be read."""
        self.path = path
        self.damage = ""
        self.reason = ""
        self.length_s = 0.0
        try:
            with path.open("rb") as stream:
                self.header = _header(list(_split(_unpack(stream)[0])))
        except OSError as error:
            raise TakeError(f"{path} cannot be read: {error.strerror or error}") from error
        except _Damage as error:
            raise TakeError(f"{path} is no take, or its beginning is damaged: {error}") from error

    def records(self) -> Iterator[Record]:
        """Chunks and events in order, from the start.

        Raises TakeError only where the file cannot be read any more.
        """
        self.damage = self.reason = ""
        self.length_s = 0.0
        damaged = 0
        try:
            with self.path.open("rb") as stream:
                for member in _members(stream):
                    try:
                        records = _timed(member, len(self.header.boards), self.length_s)
                    except _Damage as error:
                        damaged += 1
                        self.damage = f"{error} after {self.length_s:.1f} s"
                        if damaged > 1:
                            self.damage = f"damaged in {damaged} places, the last: {self.damage}"
                        records = [Event(self.length_s, "gap", {})]
                    for record in records:
                        self.length_s = record.time_s
                        if isinstance(record, Event) and record.name == "end":
                            self.reason = str(record.facts.get("reason", ""))
                            return
                        if isinstance(record, Chunk) or record.name:
                            yield record
        except OSError as error:
            raise TakeError(f"{self.path} cannot be read: {error.strerror or error}") from error

    def whole_length_s(self) -> float:
        """How long it is, from its last whole member: no need to read it all.

        Raises TakeError where the file cannot be read any more.
        """
        try:
            with self.path.open("rb") as stream:
                size = stream.seek(0, 2)
                start = max(0, size - _TAIL_BYTES)
                stream.seek(start)
                tail = stream.read(_TAIL_BYTES)
                at = tail.rfind(_BEGINNING)
                while at >= 0:
                    stream.seek(start + at)
                    try:
                        records = _timed(_unpack(stream)[0], len(self.header.boards), 0.0)
                    except _Damage:
                        records = []
                    if records:
                        return records[-1].time_s
                    at = tail.rfind(_BEGINNING, 0, at)
        except OSError as error:
            raise TakeError(f"{self.path} cannot be read: {error.strerror or error}") from error
        for _ in self.records():
            pass
        return self.length_s


class _Damage(Exception):
    """What is wrong with the bytes of a take; stays within this module."""


def _members(stream: BinaryIO) -> Iterator[bytes | _Damage]:
    """The contents of each member, checked; what is wrong in the place of one that is damaged."""
    start = damaged = 0
    while True:
        stream.seek(start)
        try:
            contents, size = _unpack(stream)
        except _Damage as error:
            damaged += 1
            yield error
            found = _next_beginning(stream, start + 1)
            if found is None or damaged > _MAX_DAMAGED:
                return
            start = found
        else:
            if not size:
                return
            yield contents
            start += size


def _unpack(stream: BinaryIO) -> tuple[bytes, int]:
    """The contents of the member that begins here, and its size in the file; 0 at the end."""
    data = stream.read(_READ_BYTES)
    if not data:
        return b"", 0
    unpacker = zlib.decompressobj(GZIP)
    contents = bytearray()
    taken = 0
    try:
        while True:
            taken += len(data)
            while data:
                contents += unpacker.decompress(data, MAX_MEMBER_BYTES + 1 - len(contents))
                if len(contents) > MAX_MEMBER_BYTES:
                    raise _Damage(f"a part of more than {MAX_MEMBER_BYTES >> 20} MiB")
                data = unpacker.unconsumed_tail
            if unpacker.eof:
                return bytes(contents), taken - len(unpacker.unused_data)
            data = stream.read(_READ_BYTES)
            if not data:
                raise _Damage("it breaks off")
    except zlib.error as error:
        raise _Damage("a part is damaged") from error


def _next_beginning(stream: BinaryIO, start: int) -> int | None:
    """Where the next member might begin."""
    stream.seek(start)
    kept = b""
    while data := stream.read(_READ_BYTES):
        window = kept + data
        at = window.find(_BEGINNING)
        if at >= 0:
            return start - len(kept) + at
        start += len(data)
        kept = window[-len(_BEGINNING) + 1 :]
    return None


def _timed(member: bytes | _Damage, boards: int, time_s: float) -> list[Record]:
    """The records of a member with their times. time_s: of the record before the first member."""
    if isinstance(member, _Damage):
        raise member
    made: list[Record] = []
    time_us = round(time_s * TICKS_PER_S)
    for kind, body in _split(member):
        if kind == TIME:
            # Later than all before it, whatever a stranger wrote.
            time_us = max(time_us, _varint(body, 0)[0])
            # Tells its time to `records`, and ends there.
            made.append(Event(time_us / TICKS_PER_S, "", {}))
            continue
        if kind not in (DATA, EVENT, END):
            continue
        step_us, at = _varint(body, 0)
        time_us += step_us
        if time_us > MAX_LENGTH_S * TICKS_PER_S:
            raise _Damage("a time beyond all measure")
        if kind == DATA:
            board, at = _varint(body, at)
            if board < boards:
                made.append(Chunk(time_us / TICKS_PER_S, board, body[at:]))
        else:
            facts = _object(body[at:])
            made.append(Event(time_us / TICKS_PER_S, str(facts.get("event", "")), facts))
    return made


def _split(data: bytes) -> Iterator[tuple[int, bytes]]:
    """The records of a member: kind and body."""
    at, end = 0, len(data)
    while at < end:
        kind = data[at]
        size, at = _varint(data, at + 1)
        if at + size > end:
            raise _Damage("a record longer than its part")
        yield kind, data[at : at + size]
        at += size


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """The number at `at`, and where the next thing begins."""
    value = shift = 0
    try:
        while (byte := data[at]) >= 0x80:
            value |= (byte & 0x7F) << shift
            shift += 7
            at += 1
            if shift > _MAX_SHIFT:
                raise _Damage("a number without an end")
    except IndexError:
        raise _Damage("a number without an end") from None
    return value | byte << shift, at + 1


def _object(text: bytes) -> Mapping[str, Any]:
    try:
        facts = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise _Damage("an event that is no JSON") from error
    if not isinstance(facts, dict):
        raise _Damage("an event that is no JSON object")
    return facts


def _header(records: Sequence[tuple[int, bytes]]) -> TakeHeader:
    if not records or records[0][0] != HEADER:
        raise _Damage("it does not begin as one")
    facts = _object(records[0][1])
    version = facts.get(FORM)
    if version != VERSION:
        if isinstance(version, int) and version > VERSION:
            raise _Damage(f"it is of version {version}; take a newer matbridge to read it")
        raise _Damage("it does not begin as one")
    boards = facts.get("boards")
    if not isinstance(boards, list) or not 1 <= len(boards) <= MAX_BOARDS:
        raise _Damage("its list of boards is missing")
    return TakeHeader(
        str(facts.get("started", "")),
        tuple(_board(each) for each in boards),
        tuple(_file(body) for kind, body in records if kind == FILE),
        str(facts.get("program", "")),
    )


def _board(facts: object) -> RecordedBoard:
    if isinstance(facts, dict):
        port, baud, form = facts.get("port"), facts.get("baud"), facts.get("format")
        channels, bits = facts.get("channels"), facts.get("bits")
        if (
            isinstance(port, str)
            and isinstance(baud, int)
            and isinstance(form, str)
            and isinstance(channels, int)
            and 1 <= channels <= MAX_CHANNELS
            and isinstance(bits, int)
            and 1 <= bits <= 16
        ):
            return RecordedBoard(port, baud, form, channels, bits)
    raise _Damage("what it says of a board makes no sense")


def _file(body: bytes) -> tuple[str, str, str]:
    facts = _object(body)
    role, name, text = facts.get("role"), facts.get("name"), facts.get("text")
    if role not in ROLES or not isinstance(name, str) or not isinstance(text, str):
        raise _Damage("a file in it makes no sense")
    return str(role), name, text
