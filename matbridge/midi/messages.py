"""MIDI 1.0 messages as bytes: the only place where channels 1-16 become 0-15.

Channels are 1-16, notes, velocities, controls and values 0-127, 14-bit values 0-16383. Values out
of range are a mistake of the caller and raise ValueError, for a driver would send them unchanged.
Source of the statuses: MIDI 1.0 Detailed Specification, summary of MIDI messages.

A MIDI key, one note on one channel, is also written as one number from 0 to KEYS - 1: see `key`.
"""

from __future__ import annotations

NOTE_OFF = 0x80
NOTE_ON = 0x90
POLY_PRESSURE = 0xA0
CONTROL_CHANGE = 0xB0
PROGRAM_CHANGE = 0xC0
CHANNEL_PRESSURE = 0xD0
PITCH_BEND = 0xE0
SYSTEM = 0xF0  # and above: messages that have no channel

CLOCK, START, CONTINUE, STOP = b"\xf8", b"\xfa", b"\xfb", b"\xfc"

# Clocks a quarter note (MIDI 1.0, timing clock).
CLOCKS_PER_BEAT = 24

BEND_CENTRE = 8192
BEND_MAX = 16383

# Release velocity of an instrument that does not sense it (MIDI 1.0, note-off).
RELEASE_UNSENSED = 64

# Control numbers with a meaning of their own (MIDI 1.0, controller table; MPE 1.0 for 74).
BANK_MSB, BANK_LSB = 0, 32
DATA_MSB, DATA_LSB = 6, 38
TIMBRE = 74
RPN_LSB, RPN_MSB = 100, 101
ALL_SOUND_OFF, ALL_NOTES_OFF = 120, 123
# The fine half of controls 0-31 has the number 32 higher.
FINE = 32

# Registered parameters (MIDI 1.0; MPE 1.0 for 6), and the one that ends a setting.
RPN_BEND_RANGE, RPN_MPE = 0, 6
RPN_NULL = 0x3FFF

CHANNELS = 16
NOTES = 128
KEYS = CHANNELS * NOTES


def status(kind: int, channel: int) -> int:
    """The status byte of a kind of channel message on channel 1-16."""
    if not 1 <= channel <= CHANNELS:
        raise ValueError(f"MIDI channel {channel} is not within 1-16")
    return kind | (channel - 1)


def kind_and_channel(message: bytes) -> tuple[int, int]:
    """The kind and the channel (1-16) of a whole channel message; the second is 0 for others."""
    first = message[0]
    return (first, 0) if first >= SYSTEM else (first & 0xF0, (first & 0x0F) + 1)


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


def control_14(channel: int, control: int, value: int) -> tuple[bytes, bytes]:
    """The coarse half on `control` (0-31), then the fine half on `control` + 32."""
    if not (0 <= control < FINE and 0 <= value <= BEND_MAX):
        raise ValueError(f"14-bit control {control}, value {value}: not within 0-31, 0-{BEND_MAX}")
    return (
        _two(CONTROL_CHANGE, channel, control, value >> 7),
        _two(CONTROL_CHANGE, channel, control + FINE, value & 0x7F),
    )


def program_change(channel: int, program: int) -> bytes:
    """Program as it is sent, 0-127."""
    return _one(PROGRAM_CHANGE, channel, program)


def bank_select(channel: int, bank: int) -> tuple[bytes, bytes]:
    """`bank` 0-16383; it takes effect with the next program change."""
    return control_14(channel, BANK_MSB, bank)


def channel_pressure(channel: int, value: int) -> bytes:
    return _one(CHANNEL_PRESSURE, channel, value)


def pitch_bend(channel: int, value: int) -> bytes:
    """`value` 0-16383, centre 8192; sent least significant seven bits first."""
    if not 0 <= value <= BEND_MAX:
        raise ValueError(f"pitch bend {value} is not within 0-{BEND_MAX}")
    return _two(PITCH_BEND, channel, value & 0x7F, value >> 7)


def registered_parameter(channel: int, number: int, value: int) -> tuple[bytes, ...]:
    """Set RPN `number` to the 14-bit `value`, then close it: no later data entry can hit it."""
    return (
        control_change(channel, RPN_MSB, number >> 7),
        control_change(channel, RPN_LSB, number & 0x7F),
        control_change(channel, DATA_MSB, value >> 7),
        control_change(channel, DATA_LSB, value & 0x7F),
        control_change(channel, RPN_MSB, RPN_NULL >> 7),
        control_change(channel, RPN_LSB, RPN_NULL & 0x7F),
    )


def bend_range(channel: int, semitones: int) -> tuple[bytes, ...]:
    """How far a full bend goes on a channel, by RPN 0: whole semitones, no cents."""
    return registered_parameter(channel, RPN_BEND_RANGE, semitones << 7)


def mpe_zone(manager: int, members: int) -> tuple[bytes, ...]:
    """Open an MPE zone of 1-15 member channels on its manager (1 or 16) by RPN 6; 0 closes it."""
    return registered_parameter(manager, RPN_MPE, members << 7)


def key(channel: int, note: int) -> int:
    """One note on one channel as a number, 0 to KEYS - 1."""
    if not 0 <= note < NOTES:
        raise ValueError(f"MIDI note {note} is not within 0-127")
    return (status(0, channel) << 7) | note


def key_channel(number: int) -> int:
    """The channel, 1-16, of a key."""
    return (number >> 7) + 1


def key_note(number: int) -> int:
    """The note of a key."""
    return number & 0x7F


# What the note stages write with: `NOTE_ON_HEADS[key] + DATA[velocity]` is a third of the cost of
# building the bytes anew, and an index over 127 cannot become a data byte.
DATA: tuple[bytes, ...] = tuple(bytes((value,)) for value in range(128))
NOTE_ON_HEADS: tuple[bytes, ...] = tuple(
    bytes((NOTE_ON | number >> 7, number & 0x7F)) for number in range(KEYS)
)
NOTE_OFF_HEADS: tuple[bytes, ...] = tuple(
    bytes((NOTE_OFF | number >> 7, number & 0x7F)) for number in range(KEYS)
)
POLY_PRESSURE_HEADS: tuple[bytes, ...] = tuple(
    bytes((POLY_PRESSURE | number >> 7, number & 0x7F)) for number in range(KEYS)
)


def _one(kind: int, channel: int, data: int) -> bytes:
    if not 0 <= data <= 127:
        raise ValueError(f"MIDI data byte {data} is not within 0-127")
    return bytes((status(kind, channel), data))


def _two(kind: int, channel: int, first: int, second: int) -> bytes:
    if not (0 <= first <= 127 and 0 <= second <= 127):
        raise ValueError(f"MIDI data bytes {first}, {second} are not within 0-127")
    return bytes((status(kind, channel), first, second))
