"""MIDI 1.0 channel messages as bytes: the only place where channels 1-16 become 0-15.

Channels are 1-16, notes, velocities, controls and values 0-127, 14-bit values 0-16383. Values out
of range are a mistake of the caller and raise ValueError, for a driver would send them unchanged.
Source of the statuses: MIDI 1.0 Detailed Specification, summary of MIDI messages.
"""

from __future__ import annotations

NOTE_OFF = 0x80
NOTE_ON = 0x90
POLY_PRESSURE = 0xA0
CONTROL_CHANGE = 0xB0
PROGRAM_CHANGE = 0xC0
CHANNEL_PRESSURE = 0xD0
PITCH_BEND = 0xE0

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"

BEND_CENTRE = 8192
BEND_MAX = 16383

# Release velocity of an instrument that does not sense it (MIDI 1.0, note-off).
RELEASE_UNSENSED = 64


def status(kind: int, channel: int) -> int:
    """The status byte of a kind of channel message on channel 1-16."""
    if not 1 <= channel <= 16:
        raise ValueError(f"MIDI channel {channel} is not within 1-16")
    return kind | (channel - 1)


def note_on(channel: int, note: int, velocity: int) -> bytes:
    """Velocity 1-127: 0 would mean note-off and is refused."""
    if velocity == 0:
        raise ValueError("a note-on of velocity 0 is a note-off")
    return _two(NOTE_ON, channel, note, velocity)


def note_off(channel: int, note: int, velocity: int = RELEASE_UNSENSED) -> bytes:
    return _two(NOTE_OFF, channel, note, velocity)


def poly_pressure(channel: int, note: int, value: int) -> bytes:
    return _two(POLY_PRESSURE, channel, note, value)


def control_change(channel: int, control: int, value: int) -> bytes:
    return _two(CONTROL_CHANGE, channel, control, value)


def program_change(channel: int, program: int) -> bytes:
    """Program as it is sent, 0-127."""
    return _one(PROGRAM_CHANGE, channel, program)


def channel_pressure(channel: int, value: int) -> bytes:
    return _one(CHANNEL_PRESSURE, channel, value)


def pitch_bend(channel: int, value: int) -> bytes:
    """`value` 0-16383, centre 8192; sent least significant seven bits first."""
    if not 0 <= value <= BEND_MAX:
        raise ValueError(f"pitch bend {value} is not within 0-{BEND_MAX}")
    return _two(PITCH_BEND, channel, value & 0x7F, value >> 7)


def _one(kind: int, channel: int, data: int) -> bytes:
    if not 0 <= data <= 127:
        raise ValueError(f"MIDI data byte {data} is not within 0-127")
    return bytes((status(kind, channel), data))


def _two(kind: int, channel: int, first: int, second: int) -> bytes:
    if not (0 <= first <= 127 and 0 <= second <= 127):
        raise ValueError(f"MIDI data bytes {first}, {second} are not within 0-127")
    return bytes((status(kind, channel), first, second))
