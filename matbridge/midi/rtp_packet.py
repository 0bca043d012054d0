"""Packets of RTP-MIDI and of the session around it, as bytes.

    an RTP packet     80 PT sequence timestamp SSRC | B J Z P LEN  commands | journal
    a session packet  FF FF command, then what the command has

Commands in a packet are whole messages, each after the first behind a time of 0, for all of a
packet happened at its timestamp. Sources: RFC 3550 (RTP), RFC 6295 sections 2 and 3 (payload); the
session protocol is the published note on the MIDI network driver protocol (invitation,
synchronisation, receiver feedback), whose clock counts 100 microseconds.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple

VERSION = 0x80  # RTP version 2, no padding, no extension, no contributing sources
PAYLOAD_TYPE = 0x61  # dynamic; the number in use everywhere
MARKER = 0x80  # the packet has commands
CLOCK_HZ = 10_000

LONG_LENGTH, HAS_JOURNAL = 0x80, 0x40
SHORT_MAX = 15
LONG_MAX = 4095

# Commands of one packet: small enough that a packet with a usual journal fits an Ethernet frame.
MAX_COMMANDS = 600

PROTOCOL_VERSION = 2
MAX_NAME_BYTES = 63

_RTP = struct.Struct("!BBHII")
_INVITATION = struct.Struct("!2s2sIII")
_SYNC = struct.Struct("!2s2sIB3xQQQ")
_FEEDBACK = struct.Struct("!2s2sIHH")
SESSION = b"\xff\xff"


class Verb(StrEnum):
    """What a session packet says."""

    INVITE = "IN"
    ACCEPT = "OK"
    REFUSE = "NO"
    END = "BY"
    SYNC = "CK"
    FEEDBACK = "RS"


class Invitation(NamedTuple):
    """INVITE, ACCEPT, REFUSE or END. name: empty for REFUSE and END."""

    verb: Verb
    token: int
    ssrc: int
    name: str


class Sync(NamedTuple):
    """One step of a clock exchange, 0, 1 or 2; stamps in 100 microseconds."""

    ssrc: int
    step: int
    stamps: tuple[int, int, int]


class Feedback(NamedTuple):
    """The receiver has every packet up to this sequence number (16 bits)."""

    ssrc: int
    sequence: int


def ticks(now_s: float) -> int:
    """The session's clock at a monotonic second."""
    return int(now_s * CLOCK_HZ)


def encode(
    sequence: int, timestamp: int, ssrc: int, messages: Sequence[bytes], journal: bytes
) -> bytes:
    """An RTP packet. sequence and timestamp wrap by themselves; `journal` is never empty."""
    commands = b"\0".join(messages)
    length = len(commands)
    if length <= SHORT_MAX:
        head = bytes((HAS_JOURNAL | length,))
    elif length <= LONG_MAX:
        head = bytes((LONG_LENGTH | HAS_JOURNAL | length >> 8, length & 0xFF))
    else:
        raise ValueError(f"{length} bytes of commands do not fit a packet ({LONG_MAX} do)")
    marker = MARKER if messages else 0
    rtp = _RTP.pack(VERSION, marker | PAYLOAD_TYPE, sequence & 0xFFFF, timestamp & 0xFFFFFFFF, ssrc)
    return rtp + head + commands + journal


def encode_invitation(invitation: Invitation) -> bytes:
    """INVITE, ACCEPT, REFUSE or END."""
    head = _INVITATION.pack(
        SESSION,
        invitation.verb.encode(),
        PROTOCOL_VERSION,
        invitation.token,
        invitation.ssrc,
    )
    if not invitation.name:
        return head
    return head + invitation.name.encode()[:MAX_NAME_BYTES] + b"\0"


def encode_sync(sync: Sync) -> bytes:
    """One step of a clock exchange."""
    return _SYNC.pack(SESSION, Verb.SYNC.encode(), sync.ssrc, sync.step, *sync.stamps)


def encode_feedback(feedback: Feedback) -> bytes:
    """Receiver feedback."""
    return _FEEDBACK.pack(SESSION, Verb.FEEDBACK.encode(), feedback.ssrc, feedback.sequence, 0)


def decode_session(data: bytes) -> Invitation | Sync | Feedback | None:
    """A session packet, or None for anything else: RTP, another version, too short, unknown."""
    if data[:2] != SESSION:
        return None
    try:
        verb = Verb(data[2:4].decode("latin-1"))
    except ValueError:
        return None
    if verb is Verb.SYNC:
        if len(data) < _SYNC.size:
            return None
        _, _, ssrc, step, *stamps = _SYNC.unpack_from(data)
        return Sync(ssrc, step, (stamps[0], stamps[1], stamps[2])) if step <= 2 else None
    if verb is Verb.FEEDBACK:
        if len(data) < _FEEDBACK.size:
            return None
        return Feedback(*_FEEDBACK.unpack_from(data)[2:4])
    if len(data) < _INVITATION.size:
        return None
    _, _, version, token, ssrc = _INVITATION.unpack_from(data)
    if version != PROTOCOL_VERSION:
        return None
    name = data[_INVITATION.size :].split(b"\0")[0][:MAX_NAME_BYTES].decode("utf-8", "replace")
    return Invitation(verb, token, ssrc, name)
