"""General MIDI percussion keys and programs against pretty_midi's copies of the maps."""

from __future__ import annotations

import re
import warnings

from matbridge.mapping.percussion import GM_PERCUSSION_CHANNEL, PERCUSSION, PERCUSSION_NAMES
from matbridge.mapping.programs import PROGRAMS

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pretty_midi
    from pretty_midi import constants


def folded(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", " ", name.lower().replace("+", "and")).strip()


def test_every_key_has_its_sound() -> None:
    for key in range(128):
        theirs = pretty_midi.note_number_to_drum_name(key)
        assert folded(PERCUSSION_NAMES.get(key, "")) == folded(theirs)
    assert len(PERCUSSION) == len(PERCUSSION_NAMES) == 47


def test_percussion_has_its_channel() -> None:
    assert GM_PERCUSSION_CHANNEL == 10  # wire index 9: General MIDI level 1


def test_every_program_has_its_name() -> None:
    assert [folded(name) for name in PROGRAMS] == [
        folded(name) for name in constants.INSTRUMENT_MAP
    ]
    assert len(set(PROGRAMS)) == 128
