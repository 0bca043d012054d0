"""Control numbers by name.

Source: MIDI 1.0 controller table; tests/reference/test_controls.py compares every row with ALSA's
header.
"""

from __future__ import annotations

CONTROLS: dict[str, int] = {
    "modulation": 1,
    "breath": 2,
    "foot": 4,
    "portamento time": 5,
    "volume": 7,
    "balance": 8,
    "pan": 10,
    "expression": 11,
    "sustain": 64,
    "portamento": 65,
    "sostenuto": 66,
    "soft pedal": 67,
    "legato": 68,
    "hold 2": 69,
    "resonance": 71,
    "release time": 72,
    "attack time": 73,
    "brightness": 74,
    "reverb": 91,
    "tremolo": 92,
    "chorus": 93,
    "detune": 94,
    "phaser": 95,
}

CONTROL_NAMES: dict[int, str] = {number: name for name, number in CONTROLS.items()}

# Controls that select or announce (bank, data entry, parameter numbers): sent only as part of what
# they belong to, such as `bank` or `bend_range`.
RESERVED = {0, 6, 32, 38, 96, 97, 98, 99, 100, 101}

# From here on a number is no controller but a mode of the channel (all notes off and the like).
FIRST_CHANNEL_MODE = 120

# The lower half of a 14-bit control is this far above the upper half, which is 0-31.
FINE_OFFSET = 32
