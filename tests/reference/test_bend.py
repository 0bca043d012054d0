"""Pitch bend against the formula of equal temperament and what libraries make of it.

A bend of b steps at a range of R semitones sounds 100 * R * b / 8192 cents off. Sources: MIDI 1.0
Detailed Specification, pitch bend change (14 bits, least significant first, centre 2000H); the
frequencies are of `pretty_midi.note_number_to_hz`; music21's MidiEvent.setPitchBend is the second
opinion, which scales bends upward by 8191 (hence the one step).
"""

from __future__ import annotations

from math import log2

import mido
import pretty_midi
import pytest
from hypothesis import given
from hypothesis import strategies as st
from music21.midi import MidiEvent

from matbridge.midi import messages
from matbridge.playing.bend import bend_steps, bend_value


@pytest.mark.parametrize(
    ("semitones", "plus_100", "minus_100", "step_cents"),
    [(2, 12288, 4096, 0.0244), (12, 8875, 7509, 0.1465), (48, 8363, 8021, 0.5859)],
)
def test_a_hundred_cents(semitones: int, plus_100: int, minus_100: int, step_cents: float) -> None:
    assert bend_value(bend_steps(100.0, semitones)) == plus_100
    assert bend_value(bend_steps(-100.0, semitones)) == minus_100
    assert 100 * semitones / 8192 == pytest.approx(step_cents, abs=5e-5)


@given(st.floats(-50.0, 50.0), st.sampled_from([1, 2, 12, 24, 48, 96]), st.integers(1, 126))
def test_the_sound_is_within_one_step_of_its_cents(cents: float, semitones: int, note: int) -> None:
    heard = mido.Message.from_bytes(
        messages.pitch_bend(1, bend_value(bend_steps(cents, semitones)))
    )
    key_hz = pretty_midi.note_number_to_hz(note)
    sounds_hz = key_hz * 2 ** (heard.pitch / 8192 * semitones / 12)
    wanted_hz = pretty_midi.note_number_to_hz(note + cents / 100)
    assert abs(1200 * log2(sounds_hz / wanted_hz)) <= 100 * semitones / 8192


@given(st.floats(-199.0, 199.0))
def test_music21_agrees_to_a_step(cents: float) -> None:
    event = MidiEvent(None)
    event.setPitchBend(cents, bendRange=2)
    theirs = event.parameter1 | event.parameter2 << 7  # type: ignore[operator]
    assert abs(bend_value(bend_steps(cents, 2)) - theirs) <= 1


def test_the_ends_and_the_centre() -> None:
    assert messages.pitch_bend(1, 8192)[1:] == b"\x00\x40"
    assert messages.pitch_bend(1, bend_value(bend_steps(200.0, 2)))[1:] == b"\x7f\x7f"
    assert messages.pitch_bend(1, bend_value(bend_steps(-200.0, 2)))[1:] == b"\x00\x00"
