"""What programs that are not ours make of a MIDI file: mido, midicsv, pretty_midi, music21."""

from __future__ import annotations

import io
import subprocess
import warnings
import wave
from pathlib import Path
from typing import NamedTuple

import mido
import numpy as np
import pretty_midi
from music21 import midi as music21_midi
from numpy.typing import NDArray

SOUND_FONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")


class Note(NamedTuple):
    """A note as a whole. channel: 1-16."""

    channel: int
    pitch: int
    velocity: int
    start_tick: int
    end_tick: int


def events_by_mido(data: bytes) -> list[bytes]:
    """The messages of the track, without their times."""
    return [message for _, message in _timed(data)]


def by_mido(data: bytes) -> list[Note]:
    return _paired(_timed(data))


def _timed(data: bytes) -> list[tuple[int, bytes]]:
    file = mido.MidiFile(file=io.BytesIO(data))
    events: list[tuple[int, bytes]] = []
    tick = 0
    for message in file.tracks[0]:
        tick += message.time
        if not message.is_meta:
            events.append((tick, bytes(message.bytes())))
    return events


def by_midicsv(data: bytes) -> list[Note]:
    events = []
    for fields in csv_of(data):
        if fields[2] in ("Note_on_c", "Note_off_c"):
            channel, pitch, velocity = map(int, fields[3:6])
            status = (0x90 if fields[2] == "Note_on_c" else 0x80) | channel
            events.append((int(fields[1]), bytes((status, pitch, velocity))))
    return _paired(events)


def by_music21(data: bytes) -> list[Note]:
    file = music21_midi.MidiFile()
    file.openFileLike(io.BytesIO(data))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        file.read()
    events: list[tuple[int, bytes]] = []
    tick = 0
    for event in file.tracks[0].events:
        if isinstance(event, music21_midi.DeltaTime):
            tick += event.time
        elif event.isNoteOn() or event.isNoteOff():
            status = (0x90 if event.isNoteOn() else 0x80) | (event.channel - 1)
            assert event.pitch is not None
            assert event.velocity is not None
            events.append((tick, bytes((status, event.pitch, event.velocity))))
    return _paired(events)


def by_pretty_midi(data: bytes) -> list[Note]:
    """It keeps no channels: they are told from the program, which the caller sets to the same."""
    reader = pretty_midi.PrettyMIDI(io.BytesIO(data))
    return sorted(
        Note(
            instrument.program + 1,
            note.pitch,
            note.velocity,
            reader.time_to_tick(note.start),
            reader.time_to_tick(note.end),
        )
        for instrument in reader.instruments
        for note in instrument.notes
    )


def csv_of(data: bytes) -> list[list[str]]:
    """The file as midicsv tells it: track, tick, kind, then what the kind has."""
    told = subprocess.run(("midicsv", "-"), input=data, capture_output=True, check=True)
    assert told.stderr == b""
    return [line.split(", ") for line in told.stdout.decode("latin-1").splitlines()]


def from_csv(lines: list[str]) -> bytes:
    """The file that csvmidi writes."""
    made = subprocess.run(
        ("csvmidi", "-", "-"), input="\n".join(lines).encode(), capture_output=True, check=True
    )
    return made.stdout


def length_s(data: bytes) -> float:
    """The time of the end of the track, by mido."""
    return float(mido.MidiFile(file=io.BytesIO(data)).length)


def rendered(path: Path, folder: Path) -> tuple[int, NDArray[np.float64]]:
    """What FluidSynth plays: samples a second, and the left channel."""
    sound = folder / "rendered.wav"
    subprocess.run(
        (
            *("fluidsynth", "-n", "-i", "-q", "-R", "0", "-C", "0", "-g", "1"),
            *("-F", str(sound), "-r", "44100", str(SOUND_FONT), str(path)),
        ),
        check=True,
        capture_output=True,
    )
    with wave.open(str(sound)) as reader:
        rate_hz, channels = reader.getframerate(), reader.getnchannels()
        assert reader.getsampwidth() == 2
        samples = np.frombuffer(reader.readframes(reader.getnframes()), "<i2")
    return rate_hz, samples[::channels].astype(np.float64)


def pitch_hz(rate_hz: int, samples: NDArray[np.float64]) -> float:
    """The fundamental of a steady sound: the first strong peak of its autocorrelation."""
    samples = samples - samples.mean()
    size = 2 ** int(np.ceil(np.log2(2 * len(samples))))
    spectrum = np.abs(np.fft.rfft(samples, size)) ** 2
    correlation = np.fft.irfft(spectrum)[: len(samples)]
    lowest, highest = rate_hz // 2000, rate_hz // 40
    window = correlation[lowest:highest]
    strong = np.flatnonzero(
        (window[1:-1] > window[:-2])
        & (window[1:-1] >= window[2:])
        & (window[1:-1] > 0.9 * window.max())
    )
    lag = lowest + 1 + int(strong[0])
    before, at, after = correlation[lag - 1 : lag + 2]
    offset = 0.5 * (before - after) / (before - 2 * at + after)
    return float(rate_hz / (lag + offset))


def _paired(events: list[tuple[int, bytes]]) -> list[Note]:
    """Notes of the events; each note-off ends the oldest note that sounds on its key."""
    sounding: dict[tuple[int, int], list[tuple[int, int]]] = {}
    notes = []
    for tick, message in events:
        kind, key = message[0] & 0xF0, (message[0] & 0x0F, message[1])
        if kind == 0x90 and message[2]:
            sounding.setdefault(key, []).append((tick, message[2]))
        elif kind in (0x80, 0x90):
            start, velocity = sounding[key].pop(0)
            notes.append(Note(key[0] + 1, key[1], velocity, start, tick))
    assert not any(sounding.values())
    return sorted(notes)
