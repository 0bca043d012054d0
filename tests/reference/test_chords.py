"""Chord types against music21, mingus and pychord.

Compared as sets of pitch classes: music21 folds some ninths into one octave. Forms on which the
libraries part (elevenths, thirteenths) are not in our table.
"""

from __future__ import annotations

import warnings

import pytest

from matbridge.mapping.chords import CHORD_SIGNS, CHORDS

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pychord
    from mingus.core import chords as mingus_chords
    from mingus.core import notes as mingus_notes
    from music21 import harmony

# Our name: the libraries' own. music21's kinds, the shorthands of mingus, the qualities of pychord.
MUSIC21 = {
    "major": "major",
    "minor": "minor",
    "diminished": "diminished",
    "augmented": "augmented",
    "sus2": "suspended-second",
    "sus4": "suspended-fourth",
    "5": "power",
    "6": "major-sixth",
    "minor 6": "minor-sixth",
    "7": "dominant-seventh",
    "major 7": "major-seventh",
    "minor 7": "minor-seventh",
    "half-diminished 7": "half-diminished-seventh",
    "diminished 7": "diminished-seventh",
    "minor-major 7": "minor-major-seventh",
    "augmented major 7": "augmented-major-seventh",
    "7 sharp 5": "augmented-seventh",
    "9": "dominant-ninth",
    "major 9": "major-ninth",
    "minor 9": "minor-ninth",
}

MINGUS = {
    "major": "M",
    "minor": "m",
    "diminished": "dim",
    "augmented": "aug",
    "sus2": "sus2",
    "sus4": "sus4",
    "5": "5",
    "6": "6",
    "minor 6": "m6",
    "7": "7",
    "major 7": "M7",
    "minor 7": "m7",
    "half-diminished 7": "m7b5",
    "diminished 7": "dim7",
    "minor-major 7": "mM7",
    "7 sus4": "sus47",
    "7 flat 5": "7b5",
    "augmented major 7": "M7+",
    "9": "9",
    "major 9": "M9",
    "minor 9": "m9",
    "7 flat 9": "7b9",
    "7 sharp 9": "7#9",
    "6/9": "69",
}

PYCHORD = {
    "major": "",
    "minor": "m",
    "diminished": "dim",
    "augmented": "aug",
    "sus2": "sus2",
    "sus4": "sus4",
    "5": "5",
    "6": "6",
    "minor 6": "m6",
    "7": "7",
    "major 7": "maj7",
    "minor 7": "m7",
    "half-diminished 7": "m7b5",
    "diminished 7": "dim7",
    "minor-major 7": "mM7",
    "7 sus4": "7sus4",
    "7 flat 5": "7b5",
    "7 sharp 5": "7#5",
    "9": "9",
    "major 9": "maj9",
    "minor 9": "m9",
    "7 flat 9": "7b9",
    "7 sharp 9": "7#9",
    "add 9": "add9",
    "minor add 9": "madd9",
    "6/9": "69",
}


def classes(name: str) -> set[int]:
    return {step % 12 for step in CHORDS[name]}


@pytest.mark.parametrize(("name", "kind"), MUSIC21.items())
def test_music21_agrees(name: str, kind: str) -> None:
    chord = harmony.ChordSymbol(root="C", kind=kind)
    assert {pitch.pitchClass for pitch in chord.pitches} == classes(name)


@pytest.mark.parametrize(("name", "shorthand"), MINGUS.items())
def test_mingus_agrees(name: str, shorthand: str) -> None:
    notes = mingus_chords.from_shorthand(f"C{shorthand}")
    assert {mingus_notes.note_to_int(note) for note in notes} == classes(name)


@pytest.mark.parametrize(("name", "quality"), PYCHORD.items())
def test_pychord_agrees(name: str, quality: str) -> None:
    components = pychord.Chord(f"C{quality}").components(visible=False)
    assert {int(value) % 12 for value in components} == classes(name)


def test_every_row_is_judged_by_two_libraries() -> None:
    judges = [MUSIC21, MINGUS, PYCHORD]
    for name in CHORDS:
        count = sum(name in judge for judge in judges)
        assert count >= (1 if name in ("add 9", "minor add 9") else 2), name


def test_our_signs_are_those_of_pychord_where_it_has_them() -> None:
    for sign, name in CHORD_SIGNS.items():
        if name in PYCHORD and sign != "mMaj7":
            assert sign == PYCHORD[name], name
