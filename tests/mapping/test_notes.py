"""Note names and numbers."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.mapping.notes import note_name, note_number, pitch_class_parts


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("C4", 60),
        ("C-1", 0),
        ("G9", 127),
        ("A4", 69),
        ("E4", 64),
        ("C#3", 49),
        ("Bb2", 46),
        ("F#-1", 6),
        ("Cb4", 59),
        ("B#3", 60),
        ("F##2", 43),
        ("Ebb5", 74),
        ("C♯3", 49),
        ("B♭2", 46),
        ("C-2", -12),
        ("C10", 132),
    ],
)
def test_names(name: str, number: int) -> None:
    assert note_number(name) == number


@pytest.mark.parametrize(
    ("name", "advice"),
    [
        ("D", "note 'D' has no octave; write D4 for the one at middle C (C4 = 60)"),
        ("Bb", "note 'Bb' has no octave; write Bb4"),
        ("c#4", "note 'c#4' is written C#4"),
        ("bb3", "note 'bb3' is written Bb3"),
        ("C #3", "note 'C #3' is written C#3"),
        ("H3", "'H3' is not a note; write a name such as D3, F#2 or Bb4, or a number 0-127"),
        ("C#b3", "'C#b3' is not a note"),
        ("C###3", "'C###3' is not a note"),
        ("C4 ", "note 'C4 ' is written C4"),
        ("60", "'60' is not a note"),
        ("", "'' is not a note"),
        ("C४", "'C४' is not a note"),
    ],
)
def test_what_is_no_name_says_what_to_write(name: str, advice: str) -> None:
    with pytest.raises(ValueError, match="note") as raised:
        note_number(name)
    assert str(raised.value).startswith(advice)


@given(st.integers(0, 127), st.booleans())
def test_every_number_has_a_name_that_leads_back(number: int, flats: bool) -> None:
    name = note_name(number, flats=flats)
    assert note_number(name) == number
    assert ("#" if flats else "b") not in name


def test_parts_of_a_name() -> None:
    assert pitch_class_parts("Bb2") == ("B", -1)
    assert pitch_class_parts("F##") == ("F", 2)
    with pytest.raises(ValueError, match="no note"):
        pitch_class_parts("H")
