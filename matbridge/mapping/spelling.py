"""Whether the notes of a piece are named with sharps or with flats: C# or Db."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from matbridge.mapping.notes import LETTERS, pitch_class_parts

_ORDER = "CDEFGAB"

# On the circle of fifths, how many sharps (above 0) or flats the major key of each letter has.
_FIFTHS = {"F": -1, "C": 0, "G": 1, "D": 2, "A": 3, "E": 4, "B": 5}

# How many fifths a minor key lies below the major one of the same root.
_MINOR = 3

# How many fifths a sharp or flat on the root moves its key.
_SIGN = 7


def scale_has_flats(root: str, semitones: Sequence[float]) -> bool:
    """Whether a scale on a root as written ("Bb2", "F#") is named with flats.

    A scale of seven notes takes every letter once, and so has no choice; others follow the key that
    their third points to.
    """
    letter, sign = pitch_class_parts(root)
    if len(semitones) == 7:
        return _signs_of_letters(letter, sign, semitones) < 0
    minor = 3 in semitones and 4 not in semitones
    return _FIFTHS[letter] + _SIGN * sign - (_MINOR if minor else 0) < 0


def _signs_of_letters(letter: str, sign: int, semitones: Sequence[float]) -> float:
    """Sharps less flats of a scale of seven notes, each on a letter of its own."""
    first = _ORDER.index(letter)
    root = LETTERS[letter] + sign
    signs = 0.0
    for place, step in enumerate(semitones):
        octave, index = divmod(first + place, 7)
        signs += root + step - (LETTERS[_ORDER[index]] + 12 * octave)
    return signs


def written_with_flats(data: object) -> bool:
    """Whether more notes of a file's data are written with flats than with sharps."""
    signs = [sign for text in _texts(data) for sign in _signs(text)]
    return sum(signs) < 0


def _texts(data: object) -> Iterator[str]:
    if isinstance(data, str):
        yield data
    elif isinstance(data, dict):
        for value in data.values():
            yield from _texts(value)
    elif isinstance(data, list):
        for value in data:
            yield from _texts(value)


def _signs(text: str) -> Iterator[int]:
    try:
        _, sign = pitch_class_parts(text)
    except ValueError:
        return
    yield (sign > 0) - (sign < 0)
