"""Scale types by name, as semitones above the root.

Names and steps are those on which at least two reference libraries agree (music21, mingus,
pytheory, tonal; tests/reference/test_scales.py asks three of them), except for the rows marked "one
source", which one library names so and none names otherwise.
"""

from __future__ import annotations

# Where a name has several habits of spelling or a synonym, each is a row of its own.
SCALES: dict[str, tuple[int, ...]] = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "ionian": (0, 2, 4, 5, 7, 9, 11),
    "dorian": (0, 2, 3, 5, 7, 9, 10),
    "phrygian": (0, 1, 3, 5, 7, 8, 10),
    "lydian": (0, 2, 4, 6, 7, 9, 11),
    "mixolydian": (0, 2, 4, 5, 7, 9, 10),
    "aeolian": (0, 2, 3, 5, 7, 8, 10),
    "natural minor": (0, 2, 3, 5, 7, 8, 10),
    "minor": (0, 2, 3, 5, 7, 8, 10),
    "locrian": (0, 1, 3, 5, 6, 8, 10),
    "harmonic minor": (0, 2, 3, 5, 7, 8, 11),
    "melodic minor": (0, 2, 3, 5, 7, 9, 11),  # the rising form, both ways
    "harmonic major": (0, 2, 4, 5, 7, 8, 11),
    "major pentatonic": (0, 2, 4, 7, 9),
    "minor pentatonic": (0, 3, 5, 7, 10),
    "blues": (0, 3, 5, 6, 7, 10),
    "major blues": (0, 2, 3, 4, 7, 9),
    "whole tone": (0, 2, 4, 6, 8, 10),
    "whole-half diminished": (0, 2, 3, 5, 6, 8, 9, 11),
    "half-whole diminished": (0, 1, 3, 4, 6, 7, 9, 10),
    "chromatic": (0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11),
    "hirajoshi": (0, 2, 3, 7, 8),
    "kumoi": (0, 2, 3, 7, 9),
    "in-sen": (0, 1, 5, 7, 10),
    "iwato": (0, 1, 5, 6, 10),
    "kumoijoshi": (0, 1, 5, 7, 8),
    "neapolitan minor": (0, 1, 3, 5, 7, 8, 11),
    "double harmonic major": (0, 1, 4, 5, 7, 8, 11),
    "phrygian dominant": (0, 1, 4, 5, 7, 8, 10),  # one source
    "hungarian minor": (0, 2, 3, 6, 7, 8, 11),  # one source
    "neapolitan major": (0, 1, 3, 5, 7, 9, 11),  # one source
    "lydian dominant": (0, 2, 4, 6, 7, 9, 10),  # one source
    "altered": (0, 1, 3, 4, 6, 8, 10),  # one source
    "prometheus": (0, 2, 4, 6, 9, 10),  # one source
}
