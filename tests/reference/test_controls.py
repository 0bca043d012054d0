"""Control numbers by name against ALSA's header."""

from __future__ import annotations

import re
from pathlib import Path

from matbridge.mapping.controls import CONTROLS, FINE_OFFSET, FIRST_CHANNEL_MODE, RESERVED

ASOUNDEF = Path("/usr/include/alsa/asoundef.h")

# Our word: the header's macro without MIDI_CTL_ (and, of a 14-bit pair, MSB_).
MACROS = {
    "modulation": "MSB_MODWHEEL",
    "breath": "MSB_BREATH",
    "foot": "MSB_FOOT",
    "portamento time": "MSB_PORTAMENTO_TIME",
    "volume": "MSB_MAIN_VOLUME",
    "balance": "MSB_BALANCE",
    "pan": "MSB_PAN",
    "expression": "MSB_EXPRESSION",
    "sustain": "SUSTAIN",
    "portamento": "PORTAMENTO",
    "sostenuto": "SOSTENUTO",
    "soft pedal": "SOFT_PEDAL",
    "legato": "LEGATO_FOOTSWITCH",
    "hold 2": "HOLD2",
    "resonance": "SC2_TIMBRE",
    "release time": "SC3_RELEASE_TIME",
    "attack time": "SC4_ATTACK_TIME",
    "brightness": "SC5_BRIGHTNESS",
    "reverb": "E1_REVERB_DEPTH",
    "tremolo": "E2_TREMOLO_DEPTH",
    "chorus": "E3_CHORUS_DEPTH",
    "detune": "E4_DETUNE_DEPTH",
    "phaser": "E5_PHASER_DEPTH",
}


def header() -> dict[str, int]:
    found = re.findall(r"#define MIDI_CTL_(\w+)\s+0x([0-9a-f]+)", ASOUNDEF.read_text())
    return {name: int(number, 16) for name, number in found}


def test_every_word_has_the_number_of_the_header() -> None:
    theirs = header()
    assert {word: theirs[macro] for word, macro in MACROS.items()} == CONTROLS


def test_what_selects_or_announces_is_reserved() -> None:
    theirs = header()
    names = [f"{half}_{what}" for half in ("MSB", "LSB") for what in ("BANK", "DATA_ENTRY")]
    names += ["DATA_INCREMENT", "DATA_DECREMENT"]
    names += [f"{kind}_PARM_NUM_{half}" for kind in ("NONREG", "REGIST") for half in ("LSB", "MSB")]
    assert {theirs[name] for name in names} == RESERVED


def test_channel_modes_begin_where_the_header_has_them() -> None:
    assert header()["ALL_SOUNDS_OFF"] == FIRST_CHANNEL_MODE


def test_the_second_half_of_a_fine_control_is_so_far_above_the_first() -> None:
    theirs = header()
    pairs = [name.removeprefix("MSB_") for name in theirs if name.startswith("MSB_")]
    for name in pairs:
        assert theirs[f"LSB_{name}"] - theirs[f"MSB_{name}"] == FINE_OFFSET
