"""Standard MIDI Files, format 0: events as bytes, and times as ticks. Pure.

    "MThd" length 6 | format 0 | tracks 1 | ticks in a quarter note
    "MTrk" length   | delta event | delta event | ... | delta FF 2F 00

A delta counts ticks since the event before. It is the difference of two times that were each
rounded from the start, so that no error adds up: after three hours an event is as near to its time
as the first one. Source: Standard MIDI Files 1.0.
"""

from __future__ import annotations

# Fine enough that a tick is under a millisecond down to 16 beats a minute, and a whole multiple of
# the 24, 96, 480 and 960 that sequencers divide a quarter note into.
TICKS_PER_QUARTER = 3840

TEXT, TRACK_NAME, MARKER = 0x01, 0x03, 0x06
_SEQUENCER_SPECIFIC, _END, _TEMPO, _TIME_SIGNATURE = 0x7F, 0x2F, 0x51, 0x58

_US_PER_MINUTE = 60_000_000
# The largest tempo that three bytes hold, 3.6 beats a minute.
_MAX_TEMPO_US = 0xFFFFFF
_MAX_LENGTH = 0x0FFFFFFF

_SYSEX, _SYSTEM = 0xF0, 0xF1

END_NOW = bytes((0, 0xFF, _END, 0))
"""The end of a track at the time of the event before it."""


def variable_length(value: int) -> bytes:
    """1-4 bytes, seven bits in each, the highest first; all but the last have the top bit set."""
    if not 0 <= value <= _MAX_LENGTH:
        raise ValueError(f"{value} is not within 0-{_MAX_LENGTH}, what a file can count")
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(0x80 | value & 0x7F)
    return bytes(reversed(out))


def filler(size: int) -> bytes:
    """Events that say nothing and take no time, `size` bytes in all: 0, or 4 and more.

    All but the first have four bytes.
    """
    if size == 0:
        return b""
    if size < len(END_NOW):
        raise ValueError(f"no event has {size} bytes")
    spare = size % 4
    first = bytes((0, 0xFF, _SEQUENCER_SPECIFIC, spare)) + bytes(spare)
    return first + bytes((0, 0xFF, _SEQUENCER_SPECIFIC, 0)) * (size // 4 - 1)


def file_header(ticks_per_quarter: int = TICKS_PER_QUARTER) -> bytes:
    """The first 14 bytes."""
    words = (0, 1, ticks_per_quarter)
    return b"MThd" + (6).to_bytes(4, "big") + b"".join(word.to_bytes(2, "big") for word in words)


def track_header(length: int) -> bytes:
    """The 8 bytes before `length` bytes of events."""
    return b"MTrk" + length.to_bytes(4, "big")


class Track:
    """Turns messages with times into the events of one track.

    Times are seconds on any clock; `start_s` is the beginning of the file. A time before that of
    the event before counts as the same.
    """

    __slots__ = ("_base_tick", "_base_units", "_start_s", "_tempo_us", "_tick", "ticks_per_quarter")

    def __init__(self, start_s: float, ticks_per_quarter: int = TICKS_PER_QUARTER) -> None:
        self.ticks_per_quarter = ticks_per_quarter
        self._start_s = start_s
        self._tick = 0
        # The tick of the last change of tempo, and its exact time in us * ticks_per_quarter.
        self._base_tick = 0
        self._base_units = 0
        self._tempo_us = 500_000

    def opening(self, name: str, bpm: float) -> bytes:
        """What a track begins with: its name, tempo, and four quarters to a bar."""
        signature = bytes((4, 2, 24, 8))
        return (
            self.text(TRACK_NAME, name, self._start_s)
            + self.tempo(bpm, self._start_s)
            + self._meta(_TIME_SIGNATURE, signature, self._start_s)
        )

    def message(self, message: bytes, now_s: float) -> bytes:
        """One MIDI message; nothing for those that a file does not hold (clock and the like)."""
        if message[0] < _SYSEX:
            return self._delta(now_s) + message
        if message[0] == _SYSEX:
            body = message[1:]
            return self._delta(now_s) + message[:1] + variable_length(len(body)) + body
        return b""

    def text(self, kind: int, text: str, now_s: float) -> bytes:
        """TEXT, TRACK_NAME or MARKER. Latin-1 where it can say it, as readers expect."""
        try:
            data = text.encode("latin-1")
        except UnicodeEncodeError:
            data = text.encode()
        return self._meta(kind, data, now_s)

    def tempo(self, bpm: float, now_s: float) -> bytes:
        """The tempo from `now_s` on, in quarter notes a minute."""
        delta = self._delta(now_s)
        self._base_units += (self._tick - self._base_tick) * self._tempo_us
        self._base_tick = self._tick
        self._tempo_us = min(max(round(_US_PER_MINUTE / bpm), 1), _MAX_TEMPO_US)
        return delta + bytes((0xFF, _TEMPO, 3)) + self._tempo_us.to_bytes(3, "big")

    def end(self, now_s: float) -> bytes:
        """The last event."""
        return self._meta(_END, b"", now_s)

    def _meta(self, kind: int, data: bytes, now_s: float) -> bytes:
        return self._delta(now_s) + bytes((0xFF, kind)) + variable_length(len(data)) + data

    def _delta(self, now_s: float) -> bytes:
        units = (now_s - self._start_s) * 1e6 * self.ticks_per_quarter - self._base_units
        tick = max(self._base_tick + round(units / self._tempo_us), self._tick)
        delta, self._tick = tick - self._tick, tick
        return variable_length(min(delta, _MAX_LENGTH))
