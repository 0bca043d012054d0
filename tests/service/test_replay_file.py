"""A replay into a Standard MIDI File, read back by others."""

from __future__ import annotations

from pathlib import Path

import mido
import pretty_midi
import pytest

from matbridge.board.take_reader import Take
from matbridge.errors import TakeError
from matbridge.mapping.load import show_from
from matbridge.mapping.plan import Show
from matbridge.service.replay_file import write_midi
from matbridge.service.replaying import Replay
from tests.support.takes import show_texts, simulated_take

SECONDS = 20.0


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Take:
    path = tmp_path_factory.mktemp("takes") / "a.take"
    events = [(6.0, "act", {"act": "preset", "preset": "lamp lighters"})]
    return Take(simulated_take(path, seconds=SECONDS, events=events))


def show(outputs: str = "", tempo: int = 84) -> Show:
    performance, mat = show_texts("text")
    performance = performance.replace("tempo: 84", f"tempo: {tempo}")
    if outputs:
        performance = performance.replace("  synth: {virtual: matbridge}", outputs)
        performance = performance.replace("    channel: 2\n", "    channel: 2\n    output: rack\n")
    return show_from(performance.encode(), mat.encode(), ("p", "m"))


def steps(take: Take, show: Show) -> list[tuple[float, int, bytes]]:
    return [(at, out, each) for at, sent in Replay(take, show, None).steps() for out, each in sent]


@pytest.mark.parametrize("speed", [1.0, 2.0, 0.5])
@pytest.mark.parametrize("tempo", [84, 133])
def test_two_readers_find_every_message_at_its_time(
    take: Take, tmp_path: Path, speed: float, tempo: int
) -> None:
    played = show(tempo=tempo)
    path = tmp_path / "out.mid"
    notes = write_midi(Replay(take, played, None), played.performance, path, speed=speed)
    expected = steps(take, played)
    read = mido.MidiFile(path)
    assert read.type == 0
    now_s = 0.0
    got = []
    for message in read:
        now_s += message.time
        if not message.is_meta:
            got.append((now_s, bytes(message.bytes())))
    assert [each for _, each in got] == [each for _, _, each in expected]
    late = [
        abs(at_s - time_s / speed) for (at_s, _), (time_s, _, _) in zip(got, expected, strict=True)
    ]
    assert max(late) < 0.001
    assert read.length == pytest.approx(SECONDS / speed, abs=0.001)
    (first, *_) = (each.tempo for each in read.tracks[0] if each.type == "set_tempo")
    assert mido.tempo2bpm(first) == pytest.approx(tempo * speed, rel=1e-4)
    pretty = pretty_midi.PrettyMIDI(str(path))
    assert sum(len(each.notes) for each in pretty.instruments) == notes
    assert notes == sum(each[0] & 0xF0 == 0x90 for _, _, each in expected) > 15


def test_presets_are_marked_where_they_are_entered(take: Take, tmp_path: Path) -> None:
    path = tmp_path / "out.mid"
    write_midi(Replay(take, show(), None), show().performance, path)
    replay = Replay(take, show(), None)
    names = [preset.name for preset in show().performance.presets]
    entered: list[tuple[float, str]] = []
    for time_s, _ in replay.steps():
        name = names[replay.pipeline.preset]
        if not entered or entered[-1][1] != name:
            entered.append((round(time_s, 2), name))
    assert (6.0, "lamp lighters") in entered
    assert len(entered) > 3
    now_s, marks = 0.0, []
    for message in mido.MidiFile(path):
        now_s += message.time
        if message.type == "marker":
            marks.append((round(now_s, 2), message.text))
    assert marks == entered


def test_each_output_that_sounds_has_a_track(take: Take, tmp_path: Path) -> None:
    played = show("  synth: {virtual: a}\n  rack: {virtual: b}\n  idle: {virtual: c}")
    path = tmp_path / "out.mid"
    write_midi(Replay(take, played, None), played.performance, path)
    read = mido.MidiFile(path)
    assert (read.type, [track.name for track in read.tracks]) == (1, ["synth", "rack"])
    for output, track in enumerate(read.tracks):
        got = [bytes(each.bytes()) for each in track if not each.is_meta]
        assert got == [each for _, out, each in steps(take, played) if out == output]
        assert got


def test_what_was_there_stays_until_the_new_file_is_whole(take: Take, tmp_path: Path) -> None:
    path = tmp_path / "out.mid"
    path.write_bytes(b"before")
    write_midi(Replay(take, show(), None), show().performance, path)
    assert path.read_bytes()[:4] == b"MThd"
    assert list(tmp_path.iterdir()) == [path]
    folder = tmp_path / "folder"
    folder.mkdir()
    with pytest.raises(TakeError, match="cannot be written"):
        write_midi(Replay(take, show(), None), show().performance, folder)
    with pytest.raises(TakeError, match="cannot be written"):
        write_midi(Replay(take, show(), None), show().performance, folder / "none" / "a.mid")
    assert sorted(tmp_path.iterdir()) == [folder, path]
