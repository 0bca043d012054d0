"""Tunings as they sound: FluidSynth renders what was played, and the spectrum is measured.

The frequencies that are expected come from the ratios themselves, with A4 at 440 Hz: a justly tuned
scale on C is 1, 9/8, 5/4, 4/3, 3/2, 5/3, 15/8, so that C4 is 440 * 3/5 = 264 Hz; in equal
temperament every semitone is the twelfth root of 2. FluidSynth heeds RPN 0 on every channel, so it
plays MPE members as MPE synths do.
"""

from __future__ import annotations

from fractions import Fraction
from math import log2
from pathlib import Path

import mido
import pytest

from tests.support.midi_judges import pitch_hz, rendered
from tests.support.written import ZONES, Written

# General MIDI's synthesised square wave: its sound is steady, and no player's vibrato is in it.
STEADY_PROGRAM = 81
NOTE_S = 1.0
TICKS_A_BEAT = 480
TICK_S = 0.5 / TICKS_A_BEAT  # at the 120 beats a minute of a file that says nothing

JUST = [Fraction(*ratio) for ratio in ((1, 1), (9, 8), (5, 4), (4, 3), (3, 2), (5, 3))]
JUST_HZ = [264.0 * float(ratio) for ratio in JUST]
EQUAL_HZ = [440.0 * 2 ** ((note - 69) / 12) for note in (60, 62, 64, 65, 67, 69)]

MPE = "mpe: {members: 3}, "


def played(play: Written, path: Path) -> list[float]:
    """Every zone in turn, as a file; the seconds at which the notes begin."""
    track = mido.MidiTrack()
    file = mido.MidiFile(ticks_per_beat=TICKS_A_BEAT)
    file.tracks.append(track)
    began_s, ticks = play.now_s, 0
    starts = []

    def keep(at_s: float, message: bytes) -> None:
        nonlocal ticks
        now = round((at_s - began_s) / TICK_S)
        track.append(mido.Message.from_bytes(message, time=now - ticks))
        ticks = now

    for message in play.all_sent:
        keep(began_s, message)
    for zone in ZONES:
        starts.append(play.now_s - began_s)
        for reading in (700, 0):
            play.all_sent.clear()
            play.readings[zone] = reading
            at_s = play.now_s
            play.wait(NOTE_S)
            for message in play.all_sent:
                keep(at_s, message)
    file.save(path)
    return starts


@pytest.mark.parametrize("mpe", ["", MPE], ids=["channel bend", "mpe"])
@pytest.mark.parametrize(
    ("tuning", "expected_hz"), [("equal", EQUAL_HZ), ("just", JUST_HZ)], ids=["equal", "just"]
)
def test_the_sound_is_within_two_cents(
    tuning: str, expected_hz: list[float], mpe: str, tmp_path: Path
) -> None:
    channels = range(2, 5) if mpe else [1]
    enter = ", ".join(f"{{channel: {each}, program: {STEADY_PROGRAM}}}" for each in channels)
    play = Written(
        f"{{{mpe}tuning: {{type: {tuning}, root: C}}, enter: [{enter}],"
        " scale: {root: C4, type: major}, velocity: {from: fixed, curve: {fixed: 100}}}"
    )
    path = tmp_path / "scale.mid"
    starts = played(play, path)
    rate_hz, samples = rendered(path, tmp_path)
    for start_s, hz in zip(starts, expected_hz, strict=True):
        steady = samples[round((start_s + 0.3) * rate_hz) : round((start_s + 0.9) * rate_hz)]
        assert abs(1200 * log2(pitch_hz(rate_hz, steady) / hz)) < 2.0
