"""MIDI files against whole files and tables printed elsewhere, and against four readers.

Sources: Standard MIDI Files 1.0 (the table of variable-length quantities, from memory; mido gives
the same); a byte walk-through published by a maker of keyboards for developers; csvmidi's output.
"""

from __future__ import annotations

import io
import math
import random
from pathlib import Path

import mido
import pretty_midi
import pytest
from mido.midifiles.meta import encode_variable_int

from matbridge.midi import messages as m
from matbridge.midi.smf import Track, file_header, track_header, variable_length
from tests.support.midi_judges import (
    Note,
    by_midicsv,
    by_mido,
    by_music21,
    by_pretty_midi,
    from_csv,
    length_s,
    pitch_hz,
    rendered,
)

QUANTITIES = {
    0x0: "00",
    0x40: "40",
    0x7F: "7F",
    0x80: "8100",
    0x2000: "C000",
    0x3FFF: "FF7F",
    0x4000: "818000",
    0x100000: "C08000",
    0x1FFFFF: "FFFF7F",
    0x200000: "81808000",
    0x8000000: "C0808000",
    0xFFFFFFF: "FFFFFF7F",
}

# A whole file: 480 ticks in a quarter note, 120 a minute, C4 for 1 918 ticks.
WALK_THROUGH = bytes.fromhex(
    "4D546864 00000006 0000 0001 01E0 4D54726B 00000025 00 FF0305B2E2CAD430 00 FF510307A120"
    "00 FF580404021808 00 903C64 8E7E 803C40 00 FF2F00"
)

# What csvmidi makes of a quarter note.
QUARTER_NOTE = bytes.fromhex(
    "4D546864 00000006 0000 0001 01E0 4D54726B 00000013 00 FF510307A120 00 903C64 8360 3C00"
    "00 FF2F00"
)


def whole(events: bytes, ticks_per_quarter: int) -> bytes:
    return file_header(ticks_per_quarter) + track_header(len(events)) + events


@pytest.mark.parametrize(("value", "encoded"), QUANTITIES.items())
def test_variable_length_quantities(value: int, encoded: str) -> None:
    assert variable_length(value) == bytes.fromhex(encoded)
    assert variable_length(value) == bytes(encode_variable_int(value))


def test_the_walk_through_is_written_to_the_byte() -> None:
    track = Track(7.0, 480)
    name = bytes.fromhex("B2E2CAD430").decode("latin-1")
    events = track.opening(name, 120.0)
    events += track.message(m.note_on(1, 60, 100), 7.0)
    events += track.message(m.note_off(1, 60, 64), 7.0 + 1918 / 960)
    events += track.end(7.0 + 1918 / 960)
    assert whole(events, 480) == WALK_THROUGH
    assert length_s(WALK_THROUGH) == pytest.approx(1.9979167)


def test_a_quarter_note_is_the_one_csvmidi_writes() -> None:
    made = from_csv(
        [
            "0, 0, Header, 0, 1, 480",
            "1, 0, Start_track",
            "1, 0, Tempo, 500000",
            "1, 0, Note_on_c, 0, 60, 100",
            "1, 480, Note_on_c, 0, 60, 0",
            "1, 480, End_track",
            "0, 0, End_of_file",
        ]
    )
    assert made == QUARTER_NOTE
    track = Track(0.0, 480)
    events = track.opening("t", 120.0)
    events += track.message(m.note_on(1, 60, 100), 0.0) + track.message(m.note_off(1, 60), 0.5)
    ours = whole(events + track.end(0.5), 480)
    assert by_midicsv(ours) == by_midicsv(QUARTER_NOTE) == [Note(1, 60, 100, 0, 480)]
    assert length_s(ours) == length_s(QUARTER_NOTE) == 0.5


def test_four_readers_agree_on_every_note_to_a_tick() -> None:
    # Readers differ on notes that overlap on one key, so these follow each other on each channel.
    rng = random.Random(3)
    events = []
    for channel in range(1, 9):
        now_s = 0.0
        for n in range(63):
            now_s += rng.uniform(0.001, 6)
            events.append((now_s, m.note_on(channel, 20 + n, 1 + n)))
            now_s += rng.uniform(0.02, 3)
            events.append((now_s, m.note_off(channel, 20 + n)))
    track = Track(0.0)
    data = track.opening("low tide", 97.3)
    for channel in range(1, 9):
        data += track.message(m.program_change(channel, channel - 1), 0.0)
    for now_s, message in sorted(events):
        data += track.message(message, now_s)
    data = whole(data + track.end(700.0), track.ticks_per_quarter)

    notes = by_mido(data)
    assert len(notes) == 504
    assert by_midicsv(data) == notes
    assert by_music21(data) == notes
    seen = by_pretty_midi(data)
    assert len(seen) == 504
    for theirs, note in zip(seen, notes, strict=True):
        assert theirs[:3] == note[:3]
        assert abs(theirs.start_tick - note.start_tick) <= 1
        assert abs(theirs.end_tick - note.end_tick) <= 1
    # And on seconds: half a tick of our rounding.
    half_tick_s = 60 / 97.3 / track.ticks_per_quarter / 2 + 1e-6
    starts_s = sorted(
        note.start
        for instrument in pretty_midi.PrettyMIDI(io.BytesIO(data)).instruments
        for note in instrument.notes
    )
    given_s = sorted(now_s for now_s, message in events if message[0] & 0xF0 == m.NOTE_ON)
    assert all(abs(a - b) <= half_tick_s for a, b in zip(starts_s, given_s, strict=True))


def test_the_name_and_the_tempo_are_read_by_mido() -> None:
    track = Track(0.0)
    data = track.opening("harbour lights", 90.0) + track.end(1.0)
    read = mido.MidiFile(file=io.BytesIO(whole(data, track.ticks_per_quarter)))
    assert read.tracks[0].name == "harbour lights"
    tempo = next(message for message in read.tracks[0] if message.type == "set_tempo")
    assert tempo.tempo == mido.bpm2tempo(90.0)


@pytest.mark.parametrize(("note", "hertz"), [(69, 440.0), (60, 261.6256), (45, 110.0)])
def test_fluidsynth_plays_what_was_written_at_its_pitch(
    note: int, hertz: float, tmp_path: Path
) -> None:
    # f = 440 Hz * 2 ** ((note - 69) / 12), as pretty_midi has it.
    assert pretty_midi.note_number_to_hz(note) == pytest.approx(hertz)
    track = Track(0.0)
    events = track.opening("tone", 120.0)
    # An organ: steady, with a clear fundamental (General MIDI program 20, "Church Organ").
    events += track.message(m.program_change(1, 19), 0.0)
    events += track.message(m.note_on(1, note, 100), 0.1)
    events += track.message(m.note_off(1, note), 2.1)
    path = tmp_path / "tone.mid"
    path.write_bytes(whole(events + track.end(2.5), track.ticks_per_quarter))
    rate_hz, samples = rendered(path, tmp_path)
    heard = pitch_hz(rate_hz, samples[rate_hz // 2 : rate_hz * 3 // 2])
    cents = 1200 * math.log2(heard / hertz)
    assert abs(cents) < 10
