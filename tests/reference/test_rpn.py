"""Registered parameters, banks, 14-bit pairs and clocks, byte for byte.

Sources: MIDI 1.0 Detailed Specification (controller numbers, registered parameter numbers, timing
clock); the numbers of the controls are those of ALSA's asoundef.h. The bytes of RPN 0 are those of
report 229 to the pretty_midi project; that a setting is closed by the null parameter 7F 7F is from
memory of the specification.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from matbridge.mapping.plan import ChannelEntry
from matbridge.midi import messages
from tests.support.playing import Play, note, performance, preset

ASOUNDEF = Path("/usr/include/alsa/asoundef.h")


def test_bend_range() -> None:
    assert b"".join(messages.bend_range(3, 12)).hex(" ") == (
        "b2 65 00 b2 64 00 b2 06 0c b2 26 00 b2 65 7f b2 64 7f"
    )


def test_fine_and_coarse_halves() -> None:
    for value in (0, 1, 127, 128, 8192, 16383):
        coarse, fine = messages.control_14(5, 7, value)
        assert (coarse[1], fine[1]) == (7, 39)
        assert coarse[2] * 128 + fine[2] == value


def test_bank_then_program() -> None:
    entry = ChannelEntry(0, 2, bank=300, program=12, bend_range=7, controls=((7, 100), (10, 64)))
    play = Play(performance(preset(note(60), entry=(entry,))))
    assert play.entry == [
        *("control 2 0 2", "control 2 32 44"),
        "program 2 12",
        *("control 2 101 0", "control 2 100 0", "control 2 6 7", "control 2 38 0"),
        *("control 2 101 127", "control 2 100 127"),
        *("control 2 7 100", "control 2 10 64"),
    ]


def test_clocks_a_quarter_note() -> None:
    """Published: 24 a quarter, so 20.833 ms at 120."""
    play = Play(performance(preset(note(60)), clock_outputs=(0,), tempo_bpm=120.0))
    clocks = [at_s for at_s, words in play.wait_timed(0.51) if words == "clock"]
    assert len(clocks) == 25
    assert clocks[24] - clocks[0] == pytest.approx(0.5, abs=2e-5)
    assert clocks[1] - clocks[0] == pytest.approx(0.020833, abs=2e-5)


def test_control_numbers_are_those_of_alsa() -> None:
    text = ASOUNDEF.read_text(encoding="utf-8")
    numbers = {
        name: int(value, 0)
        for name, value in re.findall(r"#define MIDI_CTL_(\w+)\s+(0x[0-9a-fA-F]+|\d+)", text)
    }
    assert numbers["MSB_BANK"] == messages.BANK_MSB
    assert numbers["LSB_BANK"] == messages.BANK_LSB
    assert numbers["MSB_DATA_ENTRY"] == messages.DATA_MSB
    assert numbers["LSB_DATA_ENTRY"] == messages.DATA_LSB
    assert numbers["REGIST_PARM_NUM_LSB"] == messages.RPN_LSB
    assert numbers["REGIST_PARM_NUM_MSB"] == messages.RPN_MSB
    assert numbers["ALL_SOUNDS_OFF"] == messages.ALL_SOUND_OFF
    assert numbers["ALL_NOTES_OFF"] == messages.ALL_NOTES_OFF
    assert numbers["SC5_BRIGHTNESS"] == messages.TIMBRE
    assert numbers["LSB_BANK"] - numbers["MSB_BANK"] == messages.FINE
