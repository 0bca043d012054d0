"""What may be left out when messages crowd: values that a later one replaces. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from matbridge.midi import messages as m
from matbridge.midi.din_queue import IN_ORDER


def thinned(messages: Sequence[bytes]) -> list[bytes]:
    """The messages in order, of every value that moves only the last."""
    last = {_place(message): index for index, message in enumerate(messages) if _moves(message)}
    return [
        message
        for index, message in enumerate(messages)
        if not _moves(message) or last[_place(message)] == index
    ]


def _moves(message: bytes) -> bool:
    kind = message[0] & 0xF0
    if kind == m.CONTROL_CHANGE:
        return message[1] not in IN_ORDER
    return kind in (m.POLY_PRESSURE, m.CHANNEL_PRESSURE, m.PITCH_BEND)


def _place(message: bytes) -> bytes:
    with_number = message[0] & 0xF0 in (m.POLY_PRESSURE, m.CONTROL_CHANGE)
    return message[: 1 + with_number]
