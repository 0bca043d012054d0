"""Lengths of time as a musician writes them: note values, beats, seconds."""

from __future__ import annotations

import re

from matbridge.mapping.plan import Length

# A whole note is four beats; a beat is a quarter note throughout.
NOTE_VALUE = r"([1-9]|1[0-6])/(1|2|4|8|16|32|64)([.t])?"
_NOTE_VALUE = re.compile(NOTE_VALUE)

# 4 min; longer than any tail, and short enough that a slip of the unit is seen.
MAX_SECONDS = 240.0
MAX_BEATS = 256.0

# A repeat or a length below this is no rhythm but a burst: 64 triplets at 300 beats a minute.
MIN_SECONDS = 0.01


def note_value(text: str) -> Length:
    """The length of a note value: "1/4" is a beat, "1/8." half as long again as "1/8", "1/8t" a
    third of "1/4". Raises ValueError with what to write instead."""
    match = _NOTE_VALUE.fullmatch(text)
    if match is None:
        raise ValueError(
            f"'{text}' is not a note value; write 1/4, 1/8, 1/16, dotted as 1/8., triplet as 1/8t"
        )
    count, part, kind = match.groups()
    beats = 4.0 * int(count) / int(part)
    if kind == ".":
        beats *= 1.5
    elif kind == "t":
        beats *= 2 / 3
    return Length(beats=beats)
