"""libasound's MIDI parser as a judge of a byte stream: it needs no sound device.

`snd_midi_event_encode_byte` takes the stream apart, running status and all;
`snd_midi_event_decode` writes each event out again, whole (alsa/seq_midi_event.h).
"""

from __future__ import annotations

import ctypes
from ctypes import byref, c_int, c_long, c_size_t, c_ubyte, c_void_p, create_string_buffer

# A snd_seq_event_t is 28 bytes; system exclusive data stays in the parser's own buffer.
_EVENT_BYTES = 64
_BUFFER_BYTES = 4096


def _library() -> ctypes.CDLL:
    library = ctypes.CDLL("libasound.so.2")
    library.snd_midi_event_new.argtypes = [c_size_t, c_void_p]
    library.snd_midi_event_free.argtypes = [c_void_p]
    library.snd_midi_event_free.restype = None
    library.snd_midi_event_no_status.argtypes = [c_void_p, c_int]
    library.snd_midi_event_no_status.restype = None
    library.snd_midi_event_encode_byte.argtypes = [c_void_p, c_int, c_void_p]
    library.snd_midi_event_decode.argtypes = [c_void_p, c_void_p, c_long, c_void_p]
    library.snd_midi_event_decode.restype = c_long
    return library


def parse(stream: bytes) -> list[bytes]:
    """The whole messages in a stream, each with its status byte, in order."""
    return [message for _, message in parse_with_places(stream)]


def parse_with_places(stream: bytes) -> list[tuple[int, bytes]]:
    """Likewise, each with the index of the byte that completed it."""
    library = _library()
    parser = c_void_p()
    if library.snd_midi_event_new(_BUFFER_BYTES, byref(parser)) != 0:
        raise MemoryError("snd_midi_event_new")
    library.snd_midi_event_no_status(parser, 1)
    event = create_string_buffer(_EVENT_BYTES)
    written = (c_ubyte * _BUFFER_BYTES)()
    messages = []
    try:
        for place, byte in enumerate(stream):
            if library.snd_midi_event_encode_byte(parser, byte, event) == 1:
                length = library.snd_midi_event_decode(parser, written, _BUFFER_BYTES, event)
                if length < 0:
                    raise ValueError(f"libasound does not write out an event it read: {length}")
                messages.append((place, bytes(written[:length])))
    finally:
        library.snd_midi_event_free(parser)
    return messages
