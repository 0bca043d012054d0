"""Chord types by name, as semitones above the root, and the ways to lay a chord out.

Types are those on which every reference library that has them agrees (music21, mingus, pychord;
tests/reference/test_chords.py). Elevenths and thirteenths are left out: libraries and players
differ in which notes they drop; they can be written as several notes.
"""

from __future__ import annotations

from collections.abc import Sequence

CHORDS: dict[str, tuple[int, ...]] = {
    "major": (0, 4, 7),
    "minor": (0, 3, 7),
    "diminished": (0, 3, 6),
    "augmented": (0, 4, 8),
    "sus2": (0, 2, 7),
    "sus4": (0, 5, 7),
    "5": (0, 7),
    "6": (0, 4, 7, 9),
    "minor 6": (0, 3, 7, 9),
    "7": (0, 4, 7, 10),
    "major 7": (0, 4, 7, 11),
    "minor 7": (0, 3, 7, 10),
    "half-diminished 7": (0, 3, 6, 10),
    "diminished 7": (0, 3, 6, 9),
    "minor-major 7": (0, 3, 7, 11),
    "7 sus4": (0, 5, 7, 10),
    "7 flat 5": (0, 4, 6, 10),
    "7 sharp 5": (0, 4, 8, 10),
    "augmented major 7": (0, 4, 8, 11),
    "9": (0, 4, 7, 10, 14),
    "major 9": (0, 4, 7, 11, 14),
    "minor 9": (0, 3, 7, 10, 14),
    "7 flat 9": (0, 4, 7, 10, 13),
    "7 sharp 9": (0, 4, 7, 10, 15),
    "add 9": (0, 4, 7, 14),
    "minor add 9": (0, 3, 7, 14),
    "6/9": (0, 4, 7, 9, 14),
}

# The signs of a lead sheet for the same types.
CHORD_SIGNS: dict[str, str] = {
    "m": "minor",
    "dim": "diminished",
    "aug": "augmented",
    "m6": "minor 6",
    "maj7": "major 7",
    "m7": "minor 7",
    "m7b5": "half-diminished 7",
    "dim7": "diminished 7",
    "mMaj7": "minor-major 7",
    "7sus4": "7 sus4",
    "7b5": "7 flat 5",
    "7#5": "7 sharp 5",
    "maj9": "major 9",
    "m9": "minor 9",
    "7b9": "7 flat 9",
    "7#9": "7 sharp 9",
    "add9": "add 9",
    "madd9": "minor add 9",
    "69": "6/9",
}

CLOSE, OPEN, DROP_2, DROP_3 = "close", "open", "drop 2", "drop 3"
SPREADS = (CLOSE, OPEN, DROP_2, DROP_3)


def invert(notes: Sequence[int], inversion: int) -> tuple[int, ...]:
    """The chord with its lowest note moved an octave up, `inversion` times.

    A note of more than an octave's width above the new lowest one is where it was.
    """
    inverted = sorted(notes)
    for _ in range(inversion):
        lowest = inverted.pop(0)
        while lowest <= inverted[0]:
            lowest += 12
        inverted.append(lowest)
        inverted.sort()
    return tuple(inverted)


def spread(notes: Sequence[int], how: str) -> tuple[int, ...]:
    """The chord laid wider: `open` lifts every second note an octave, `drop 2` and `drop 3` lower
    the second and third note from the top by one."""
    laid = sorted(notes)
    if how == OPEN:
        laid = [note + 12 * (place % 2) for place, note in enumerate(laid)]
    elif how in (DROP_2, DROP_3):
        place = len(laid) - (2 if how == DROP_2 else 3)
        if place >= 0:
            laid[place] -= 12
    return tuple(sorted(laid))
