"""Note names and MIDI note numbers: C4 = 60, the convention of this project.

MIDI itself only knows the number; makers differ in the octave they print (C3 for 60 is as common).
"""

from __future__ import annotations

import re

LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}

SHARP_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
FLAT_NAMES = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")

# What a music editor may paste; the same signs all the same.
_SIGNS = str.maketrans({"♯": "#", "♭": "b"})

_NOTE = re.compile(r"([A-G])(##?|bb?)?(-?[0-9]{1,2})\Z")
_PITCH_CLASS = re.compile(r"([A-G])(##?|bb?)?\Z")


def note_number(name: str) -> int:
    """The MIDI number of a note such as "E4", "C#3", "Bb2", "F#-1".

    May lie outside 0-127, for what is still to be transposed. Raises ValueError with what to write
    instead when it is no note name.
    """
    text = name.translate(_SIGNS)
    match = _NOTE.match(text)
    if match is None:
        raise ValueError(_advice(name, text))
    letter, signs, octave = match.groups()
    return LETTERS[letter] + _alteration(signs) + 12 * (int(octave) + 1)


def pitch_class_parts(name: str) -> tuple[str, int]:
    """The letter of a note or pitch class, and its signs: "Bb2" is ("B", -1).

    Raises ValueError when it is neither.
    """
    text = name.translate(_SIGNS)
    match = _NOTE.match(text) or _PITCH_CLASS.match(text)
    if match is None:
        raise ValueError(f"'{name}' is no note")
    return match[1], _alteration(match[2])


def note_name(number: int, *, flats: bool = False) -> str:
    """The name of a MIDI note: 60 is "C4"; 61 is "C#4", or "Db4" with `flats`."""
    names = FLAT_NAMES if flats else SHARP_NAMES
    return f"{names[number % 12]}{number // 12 - 1}"


def _alteration(signs: str | None) -> int:
    return 0 if not signs else len(signs) * (1 if signs[0] == "#" else -1)


def _advice(name: str, text: str) -> str:
    if _PITCH_CLASS.match(text):
        return f"note '{name}' has no octave; write {name}4 for the one at middle C (C4 = 60)"
    upper = text[:1].upper() + text[1:].replace(" ", "")
    if _NOTE.match(upper):
        return f"note '{name}' is written {upper}"
    return f"'{name}' is not a note; write a name such as D3, F#2 or Bb4, or a number 0-127"
