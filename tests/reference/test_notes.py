"""Note names and numbers against pretty_midi, music21 and the formula of equal temperament."""

from __future__ import annotations

import warnings

import pytest

from matbridge.mapping.notes import note_name, note_number
from matbridge.mapping.pitches import EQUAL, pitch_of_note
from matbridge.mapping.plan import Pitch

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pretty_midi
    from music21 import pitch as music21_pitch


def hertz(pitch: Pitch) -> float:
    return float(440.0 * 2 ** ((pitch.note - 69 + pitch.cents / 100) / 12))


@pytest.mark.parametrize("number", range(128))
def test_names_and_hertz_of_every_note(number: int) -> None:
    assert pretty_midi.note_number_to_name(number) == note_name(number)
    assert hertz(pitch_of_note(number, 0, EQUAL)) == pytest.approx(
        pretty_midi.note_number_to_hz(number)
    )


@pytest.mark.parametrize("name", ["C4", "F#2", "Bb5", "Cb4", "B#3", "Ebb5", "F##2", "A0", "G9"])
def test_names_as_music21_reads_them(name: str) -> None:
    assert music21_pitch.Pitch(name.replace("b", "-")).midi == note_number(name)
