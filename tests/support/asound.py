"""libasound as the judge of a MIDI byte stream: its parser, by ctypes; no sound device is needed.

Offsets and numbers: alsa/seq_event.h of libasound2-dev (struct snd_seq_event, 28 bytes of layout
that is part of the kernel's interface).
"""

from __future__ import annotations

import ctypes
from ctypes import byref, c_int, c_size_t, c_ubyte, c_void_p
from ctypes.util import find_library

_SIZE = 28
_DATA = 16

# snd_seq_event_type: the kind of the channel message, and how its data are laid out.
_NOTE_LIKE = {6: 0x90, 7: 0x80, 8: 0xA0}
_CONTROL_LIKE = {10: 0xB0, 11: 0xC0, 12: 0xD0, 13: 0xE0}
_SYSEX = 130
_PLAIN = {36: b"\xf8", 30: b"\xfa", 31: b"\xfb", 32: b"\xfc", 42: b"\xfe", 41: b"\xff"}


def _library() -> ctypes.CDLL:
    found = find_library("asound")
    assert found, "libasound is not installed (libasound2-dev)"
    library = ctypes.CDLL(found)
    library.snd_midi_event_encode_byte.argtypes = (c_void_p, c_int, c_void_p)
    library.snd_midi_event_new.argtypes = (c_size_t, c_void_p)
    library.snd_midi_event_free.argtypes = (c_void_p,)
    return library


def parse(stream: bytes) -> list[bytes]:
    """The messages that libasound finds in the bytes of a cable, each with its status."""
    return [message for _, message in parse_with_places(stream)]


def parse_with_places(stream: bytes) -> list[tuple[int, bytes]]:
    """Likewise, each after the index of the byte that completed it."""
    library = _library()
    parser = c_void_p()
    assert library.snd_midi_event_new(1024, byref(parser)) == 0
    event = (c_ubyte * _SIZE)()
    found = []
    try:
        for place, byte in enumerate(stream):
            if library.snd_midi_event_encode_byte(parser, byte, event) == 1:
                found.append((place, _message(event)))
    finally:
        library.snd_midi_event_free(parser)
    return found


def _message(event: ctypes.Array[c_ubyte]) -> bytes:
    kind, data = event[0], bytes(event[_DATA:])
    if kind in _NOTE_LIKE:
        return bytes((_NOTE_LIKE[kind] | data[0], data[1], data[2]))
    if kind in _CONTROL_LIKE:
        status = _CONTROL_LIKE[kind] | data[0]
        parameter = int.from_bytes(data[4:8], "little")
        value = int.from_bytes(data[8:12], "little", signed=True)
        if kind == 10:
            return bytes((status, parameter, value))
        if kind == 13:
            bend = value + 8192
            return bytes((status, bend & 0x7F, bend >> 7))
        return bytes((status, value))
    if kind == _SYSEX:
        length = int.from_bytes(data[:4], "little")
        pointer = int.from_bytes(data[4:12], "little")
        return ctypes.string_at(pointer, length)
    if kind == 20:
        value = int.from_bytes(data[8:12], "little")
        return bytes((0xF2, value & 0x7F, value >> 7))
    return _PLAIN[kind]
