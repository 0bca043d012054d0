"""Scale types against music21, mingus and pytheory.

Each row of the table that at least one of these libraries has is compared with every one that has
it. Two rows are compared in one form of two: melodic minor is our rising form both ways (mingus and
music21 fall as natural minor), and pytheory's "blues" hexatonic is the minor one.
"""

from __future__ import annotations

import warnings
from typing import Any

import pytest

from matbridge.mapping.scales import SCALES

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pytheory
    from mingus.core import notes as mingus_notes
    from mingus.core import scales as mingus_scales
    from music21 import scale as music21_scales

Steps = tuple[int, ...]

MUSIC21: dict[str, Any] = {
    "major": music21_scales.MajorScale,
    "dorian": music21_scales.DorianScale,
    "phrygian": music21_scales.PhrygianScale,
    "lydian": music21_scales.LydianScale,
    "mixolydian": music21_scales.MixolydianScale,
    "aeolian": music21_scales.MinorScale,
    "natural minor": music21_scales.MinorScale,
    "minor": music21_scales.MinorScale,
    "locrian": music21_scales.LocrianScale,
    "harmonic minor": music21_scales.HarmonicMinorScale,
    "melodic minor": music21_scales.MelodicMinorScale,
    "whole tone": music21_scales.WholeToneScale,
    "whole-half diminished": music21_scales.OctatonicScale,
    "chromatic": music21_scales.ChromaticScale,
}

MINGUS = {
    "major": mingus_scales.Major,
    "ionian": mingus_scales.Ionian,
    "dorian": mingus_scales.Dorian,
    "phrygian": mingus_scales.Phrygian,
    "lydian": mingus_scales.Lydian,
    "mixolydian": mingus_scales.Mixolydian,
    "aeolian": mingus_scales.Aeolian,
    "natural minor": mingus_scales.NaturalMinor,
    "minor": mingus_scales.NaturalMinor,
    "locrian": mingus_scales.Locrian,
    "harmonic minor": mingus_scales.HarmonicMinor,
    "melodic minor": mingus_scales.MelodicMinor,
    "harmonic major": mingus_scales.HarmonicMajor,
    "whole tone": mingus_scales.WholeTone,
    "whole-half diminished": mingus_scales.Octatonic,
    "chromatic": mingus_scales.Chromatic,
    "neapolitan minor": mingus_scales.MinorNeapolitan,
}

# Our name: the system of pytheory, and the name in it.
PYTHEORY = {
    "major": ("western", "major"),
    "ionian": ("western", "ionian"),
    "dorian": ("western", "dorian"),
    "phrygian": ("western", "phrygian"),
    "lydian": ("western", "lydian"),
    "mixolydian": ("western", "mixolydian"),
    "aeolian": ("western", "aeolian"),
    "minor": ("western", "minor"),
    "locrian": ("western", "locrian"),
    "harmonic minor": ("western", "harmonic minor"),
    "chromatic": ("western", "chromatic"),
    "major pentatonic": ("blues", "major pentatonic"),
    "minor pentatonic": ("blues", "minor pentatonic"),
    "blues": ("blues", "blues"),
    "major blues": ("blues", "major blues"),
    "hirajoshi": ("japanese", "hirajoshi"),
    "kumoi": ("japanese", "kumoi"),
    "in-sen": ("japanese", "insen"),
    "iwato": ("japanese", "iwato"),
    "kumoijoshi": ("japanese", "in"),
}


def by_music21(name: str) -> Steps:
    pitches = MUSIC21[name]("C4").getPitches("C4", "B4")
    return tuple(sorted({int(pitch.ps) - 60 for pitch in pitches}))


def by_mingus(name: str) -> Steps:
    ascending = MINGUS[name]("C").ascending()
    return tuple(sorted({mingus_notes.note_to_int(note) for note in ascending}))


def by_pytheory(name: str) -> Steps:
    system, theirs = PYTHEORY[name]
    scale = pytheory.TonedScale(tonic="C4", system=pytheory.SYSTEMS[system])[theirs]
    return tuple(sorted({pytheory_semitones(str(tone)) for tone in scale.tones}))


def pytheory_semitones(tone: str) -> int:
    letters = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
    name = tone.rstrip("0123456789")
    return (letters[name[0]] + name.count("#") - name[1:].count("b")) % 12


@pytest.mark.parametrize("name", MUSIC21)
def test_music21_agrees(name: str) -> None:
    assert by_music21(name) == SCALES[name]


def test_the_other_octatonic_scale_of_music21_agrees() -> None:
    octatonic: Any = music21_scales.OctatonicScale
    pitches = octatonic("C4", 1).getPitches("C4", "B4")
    found = tuple(sorted({int(pitch.ps) % 12 for pitch in pitches}))
    assert found == SCALES["half-whole diminished"]


@pytest.mark.parametrize("name", MINGUS)
def test_mingus_agrees(name: str) -> None:
    assert by_mingus(name) == SCALES[name]


@pytest.mark.parametrize("name", PYTHEORY)
def test_pytheory_agrees(name: str) -> None:
    assert by_pytheory(name) == SCALES[name]


def test_most_of_the_table_is_judged_and_all_of_it_is_sound() -> None:
    judged = {*MUSIC21, *MINGUS, *PYTHEORY, "half-whole diminished"}
    assert len(judged) >= 25
    for steps in SCALES.values():
        assert steps[0] == 0
        assert list(steps) == sorted(set(steps))
        assert steps[-1] < 12
