"""A replay into a Standard MIDI File, as fast as the machine can."""

from __future__ import annotations

import os
from pathlib import Path

from matbridge.errors import TakeError
from matbridge.mapping.plan import PerformancePlan
from matbridge.midi.messages import NOTE_ON
from matbridge.midi.smf import MARKER, TICKS_PER_QUARTER, Track, file_header, track_header
from matbridge.service.replaying import Replay

# Format 1: several tracks that sound together (Standard MIDI Files 1.0).
_TOGETHER = 1


def write_midi(
    replay: Replay,
    performance: PerformancePlan,
    path: Path,
    *,
    speed: float = 1.0,
    preset: int | None = None,
) -> int:
    """Play the whole take into `path`, one track for each output that sounds; how many notes.

    What was there is replaced, once the new file is whole. Presets are marked in the first track.
    Raises TakeError where the file cannot be written.
    """
    names = [preset.name for preset in performance.presets]
    tracks = [Track(0.0) for _ in performance.outputs]
    bodies = [
        bytearray(track.opening(output.name, performance.tempo_bpm * speed))
        for track, output in zip(tracks, performance.outputs, strict=True)
    ]
    sounding: set[int] = {0}
    pipeline, entered, bpm, notes = replay.pipeline, -1, performance.tempo_bpm, 0
    for time_s, sent in replay.steps(preset):
        at_s = time_s / speed
        if pipeline.preset != entered:
            entered = pipeline.preset
            bodies[0] += tracks[0].text(MARKER, names[entered], at_s)
        if pipeline.player.tempo_bpm != bpm:
            bpm = pipeline.player.tempo_bpm
            for output, track in enumerate(tracks):
                bodies[output] += track.tempo(bpm * speed, at_s)
        for output, message in sent:
            bodies[output] += tracks[output].message(message, at_s)
            sounding.add(output)
            notes += message[0] & 0xF0 == NOTE_ON
    end_s = replay.take.length_s / speed
    parts = [bytes(bodies[output]) + tracks[output].end(end_s) for output in sorted(sounding)]
    _write(path, parts)
    return notes


def _write(path: Path, tracks: list[bytes]) -> None:
    header = bytearray(file_header(TICKS_PER_QUARTER))
    if len(tracks) > 1:
        header[8:12] = _TOGETHER.to_bytes(2, "big") + len(tracks).to_bytes(2, "big")
    fresh = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        try:
            with fresh.open("wb") as file:
                file.write(header)
                for track in tracks:
                    file.write(track_header(len(track)) + track)
            fresh.replace(path)
        finally:
            fresh.unlink(missing_ok=True)
    except OSError as error:
        raise TakeError(f"{path} cannot be written: {error.strerror or error}") from error
