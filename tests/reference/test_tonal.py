"""Scale and chord types against the npm library tonal 6.4.3, some by other names."""

from __future__ import annotations

import json
import subprocess

import pytest

from matbridge.mapping.chords import CHORD_SIGNS, CHORDS
from matbridge.mapping.scales import SCALES
from tests.support.npm import folder

# Their names for the few of ours that they know by another.
SCALE_NAMES = {"natural minor": "minor", "neapolitan minor": "balinese"}
CHORD_NAMES = {kind: sign for sign, kind in CHORD_SIGNS.items()} | {
    "minor-major 7": "m/maj7",
    "augmented major 7": "M7b6",
    "add 9": "Madd9",
}

DUMP = """
const { ScaleType, ChordType, Interval } = require("tonal");
const table = (all) => Object.fromEntries(all.flatMap((one) => [one.name, ...one.aliases]
  .filter(Boolean).map((name) => [name, one.intervals.map(Interval.semitones)])));
console.log(JSON.stringify({ scales: table(ScaleType.all()), chords: table(ChordType.all()) }));
"""


@pytest.fixture(scope="module")
def tonal() -> dict[str, dict[str, list[int]]]:
    """Their tables: name to semitones above the root."""
    done = subprocess.run(
        ["node", "-e", DUMP], cwd=folder(), capture_output=True, text=True, check=True
    )
    tables: dict[str, dict[str, list[int]]] = json.loads(done.stdout)
    return tables


@pytest.mark.parametrize("name", SCALES)
def test_a_scale_has_their_steps(tonal: dict[str, dict[str, list[int]]], name: str) -> None:
    assert tonal["scales"][SCALE_NAMES.get(name, name)] == list(SCALES[name])


@pytest.mark.parametrize("name", CHORDS)
def test_a_chord_has_their_notes(tonal: dict[str, dict[str, list[int]]], name: str) -> None:
    known = tonal["chords"]
    theirs = known.get(name) or known[CHORD_NAMES[name]]
    assert theirs == list(CHORDS[name])
