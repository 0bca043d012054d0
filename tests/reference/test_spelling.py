"""Sharps or flats against the names that music21 gives the notes of a scale."""

from __future__ import annotations

import warnings
from typing import Any

import pytest

from matbridge.mapping.notes import LETTERS
from matbridge.mapping.scales import SCALES
from matbridge.mapping.spelling import scale_has_flats

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from music21 import scale as music21_scales

THEIRS: dict[str, Any] = {
    "major": music21_scales.MajorScale,
    "minor": music21_scales.MinorScale,
    "dorian": music21_scales.DorianScale,
    "phrygian": music21_scales.PhrygianScale,
    "lydian": music21_scales.LydianScale,
    "mixolydian": music21_scales.MixolydianScale,
    "locrian": music21_scales.LocrianScale,
}
ROOTS = [letter + sign for letter in LETTERS for sign in ("", "#", "b")]


@pytest.mark.parametrize("name", THEIRS)
@pytest.mark.parametrize("root", ROOTS)
def test_music21_names_the_scale_with_the_same_signs(name: str, root: str) -> None:
    pitches = THEIRS[name](root.replace("b", "-")).getPitches()
    signs = sum(pitch.alter for pitch in pitches[:7])
    assert scale_has_flats(root, SCALES[name]) == (signs < 0)
