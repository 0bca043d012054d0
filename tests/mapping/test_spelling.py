"""Sharps or flats where a scale leaves the choice, and where there is none."""

from __future__ import annotations

import pytest

from matbridge.mapping.scales import SCALES
from matbridge.mapping.spelling import scale_has_flats, written_with_flats


@pytest.mark.parametrize(
    ("root", "scale", "flats"),
    [
        ("C", "minor pentatonic", True),  # Eb, Bb
        ("G", "minor pentatonic", True),  # Bb
        ("E", "minor pentatonic", False),
        ("F#", "minor pentatonic", False),
        ("Bb", "minor pentatonic", True),
        ("C", "major pentatonic", False),
        ("F", "major pentatonic", True),
        ("D", "major pentatonic", False),  # F#
        ("C", "blues", True),
        ("A", "whole tone", False),
        ("Eb", "chromatic", True),
    ],
)
def test_scales_of_other_than_seven_notes_follow_their_third(
    root: str, scale: str, flats: bool
) -> None:
    assert scale_has_flats(f"{root}3", SCALES[scale]) is flats


@pytest.mark.parametrize(
    ("data", "flats"),
    [
        ({"a1": "Bb2"}, True),
        ({"a1": {"notes": ["Bb2", "C#3", "Eb3"]}}, True),
        ({"a1": "C#3", "a2": "Bb3"}, False),
        ({"a1": "D3"}, False),
        ({"label": "Bb", "note": 60}, True),
        (None, False),
    ],
)
def test_without_a_scale_as_notes_are_written(data: object, flats: bool) -> None:
    assert written_with_flats(data) is flats
