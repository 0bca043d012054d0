"""Tunings of the twelve notes, as cents away from equal temperament, from the root upwards.

Computed from the intervals that define them; tests/reference/test_tunings.py compares them with the
scale archive that music21 carries.
"""

from __future__ import annotations

import math
from fractions import Fraction

from matbridge.mapping.notes import FLAT_NAMES, SHARP_NAMES

ROOTS: dict[str, int] = {
    **{name: number for number, name in enumerate(SHARP_NAMES)},
    **{name: number for number, name in enumerate(FLAT_NAMES)},
}


def cents(ratio: float | Fraction) -> float:
    """The size of an interval of two frequencies, in cents."""
    return 1200.0 * math.log2(ratio)


def _fifths(fifth: float) -> tuple[float, ...]:
    """Twelve notes on a chain of fifths of so many cents, from the minor third's Eb to G#."""
    departures = [0.0] * 12
    for place in range(-3, 9):
        departures[place * 7 % 12] = round(place * (fifth - 700.0), 6)
    return tuple(departures)


# Five-limit just intonation, from the root; the usual ratios of the twelve notes.
_JUST = ("1", "16/15", "9/8", "6/5", "5/4", "4/3", "45/32", "3/2", "8/5", "5/3", "9/5", "15/8")

TUNINGS: dict[str, tuple[float, ...]] = {
    "equal": (0.0,) * 12,
    "just": tuple(
        round(cents(Fraction(ratio)) - 100.0 * place, 6) for place, ratio in enumerate(_JUST)
    ),
    "pythagorean": _fifths(cents(Fraction(3, 2))),
    "quarter-comma meantone": _fifths(cents(5**0.25)),
}
