"""Tunings against the scale archive that music21 carries, and cents against their formula.

Source of the files: the Scala archive of scales (public, huygens-fokker.org), as shipped with
music21. Of just intonation there are many; ours has the usual five-limit ratios, each of which is
checked against its own ratio.
"""

from __future__ import annotations

import warnings
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.mapping.pitches import pitch_of_cents
from matbridge.mapping.tunings import TUNINGS, cents

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from music21.scale import scala


def archive(name: str) -> list[float]:
    """Cents above the root of the twelve notes of a scale of the archive."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data: Any = scala.parse(name)  # type: ignore[no-untyped-call]
    return [0.0, *data.getCentsAboveTonic()[:-1]]


def heights(name: str) -> list[float]:
    return [100 * place + departure for place, departure in enumerate(TUNINGS[name])]


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [("pythagorean", "pyth_12.scl"), ("quarter-comma meantone", "meanquar.scl")],
)
def test_the_archive_agrees(ours: str, theirs: str) -> None:
    assert heights(ours) == pytest.approx(archive(theirs), abs=0.001)


def test_just_intervals_are_their_ratios() -> None:
    ratios = ["1", "16/15", "9/8", "6/5", "5/4", "4/3", "45/32", "3/2", "8/5", "5/3", "9/5", "15/8"]
    for height, ratio in zip(heights("just"), ratios, strict=True):
        assert 2 ** (height / 1200) == pytest.approx(float(Fraction(ratio)), rel=1e-7)


def test_the_just_major_third_and_the_comma() -> None:
    # Well-known sizes: a pure major third of 386.314 cents, a syntonic comma of 21.506.
    assert cents(Fraction(5, 4)) == pytest.approx(386.314, abs=0.001)
    assert cents(Fraction(81, 80)) == pytest.approx(21.506, abs=0.001)
    assert heights("pythagorean")[4] - heights("just")[4] == pytest.approx(21.506, abs=0.001)


def test_equal_temperament_departs_from_nothing() -> None:
    assert TUNINGS["equal"] == (0.0,) * 12


@given(st.floats(-1000, 13_000))
def test_a_height_is_its_nearest_note_and_the_rest(height: float) -> None:
    pitch = pitch_of_cents(height)
    assert -50 <= pitch.cents <= 50
    assert 100 * pitch.note + pitch.cents == pytest.approx(height, abs=0.001)
