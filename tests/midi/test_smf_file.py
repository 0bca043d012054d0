"""A file that is whole after every single write."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matbridge.midi import messages as m
from matbridge.midi.smf import TICKS_PER_QUARTER, Track
from matbridge.midi.smf_file import BLOCK, TrackFile
from tests.support.midi_judges import Note, by_midicsv, by_mido, by_music21, csv_of


class Writes:
    """Stands in for the system's writes, and keeps the file as it stood after each of them.

    due: how many notes are in the file by now, to be set by the test.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.due = 0
        self.states: list[tuple[bytes, int]] = []
        self._write = os.pwrite

    def pwrite(self, fd: int, data: bytes, offset: int) -> int:
        written = self._write(fd, data, offset)
        self.states.append((self.path.read_bytes(), self.due))
        return written


def notes(track: Track, first: int, count: int) -> bytes:
    return b"".join(
        track.message(m.note_on(1, 60, 1 + n % 127), n * 0.1)
        + track.message(m.note_off(1, 60), n * 0.1 + 0.05)
        for n in range(first, first + count)
    )


@pytest.mark.parametrize("judge", [by_mido, by_midicsv, by_music21])
def test_a_crash_after_any_write_leaves_a_file_with_everything_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, judge: Callable[[bytes], list[Note]]
) -> None:
    writes = Writes(tmp_path / "set.mid")
    monkeypatch.setattr("os.pwrite", writes.pwrite)
    track = Track(0.0)
    file = TrackFile(writes.path, track.opening("set", 120.0), TICKS_PER_QUARTER, replace=False)
    for batch in range(60):
        file.append(notes(track, batch * 22, 22))
        writes.due += 22
    file.finish(track.end(99.0))
    # One write a batch, and three for each of the blocks.
    assert len(writes.states) > 60 + 3 * 3
    for state, due in writes.states:
        found = sorted(judge(state), key=lambda note: note.start_tick)
        assert len(found) >= due
        assert [note.velocity for note in found] == [1 + n % 127 for n in range(len(found))]
    assert len(judge(writes.path.read_bytes())) == 1320


@settings(max_examples=12)
@given(st.lists(st.integers(1, 3 * BLOCK // 16), min_size=1, max_size=4))
def test_batches_of_any_size_make_the_same_file(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int]
) -> None:
    path = tmp_path_factory.mktemp("set") / "set.mid"
    track = Track(0.0)
    file = TrackFile(path, track.opening("set", 120.0), TICKS_PER_QUARTER, replace=False)
    first = 0
    for size in sizes:
        file.append(notes(track, first, size))
        first += size
        assert len(by_mido(path.read_bytes())) == first
    end_s = first * 0.1
    file.finish(track.end(end_s))
    again = Track(0.0)
    opening = again.opening("set", 120.0)
    whole = TrackFile(path.with_name("b.mid"), opening, TICKS_PER_QUARTER, replace=False)
    whole.append(notes(again, 0, first))
    whole.finish(again.end(end_s))
    data = path.read_bytes()
    assert data == path.with_name("b.mid").read_bytes()
    # Nothing of the filler is left.
    assert not [fields for fields in csv_of(data) if fields[2] == "Sequencer_specific"]
    assert csv_of(data)[-2][2] == "End_track"


def test_a_full_disk_leaves_what_stands_and_takes_the_rest_when_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "set.mid"
    track = Track(0.0)
    file = TrackFile(path, track.opening("set", 120.0), TICKS_PER_QUARTER, replace=False)
    limit = path.stat().st_size + 100
    real = os.pwrite

    def short(fd: int, data: bytes, offset: int) -> int:
        room = limit - offset
        if room <= 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(fd, data[:room], offset)

    monkeypatch.setattr("os.pwrite", short)
    whole, batch = 0, notes(track, 0, 100)
    refusal: OSError | None = None
    while refusal is None:
        try:
            file.append(batch)
        except OSError as error:
            refusal = error
        else:
            whole += 100
            batch = notes(track, whole, 100)
    assert refusal.errno == errno.ENOSPC
    assert whole > 0
    assert len(by_mido(path.read_bytes())) == whole
    monkeypatch.setattr("os.pwrite", real)
    file.append(batch)
    file.finish(track.end(1000.0))
    assert len(by_midicsv(path.read_bytes())) == whole + 100


def test_an_earlier_file_is_only_replaced_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "set.mid"
    TrackFile(path, b"", TICKS_PER_QUARTER, replace=False).close()
    path.write_bytes(path.read_bytes() + bytes(99))
    with pytest.raises(FileExistsError):
        TrackFile(path, b"", TICKS_PER_QUARTER, replace=False)
    assert path.read_bytes()[-99:] == bytes(99)
    TrackFile(path, b"", TICKS_PER_QUARTER, replace=True).close()
    assert path.read_bytes()[-99:] != bytes(99)


@pytest.mark.parametrize("content", [b"dear", b"MTh", b"MTrk" + bytes(99)])
def test_what_is_no_midi_file_is_never_replaced(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "letter"
    path.write_bytes(content)
    with pytest.raises(FileExistsError):
        TrackFile(path, b"", TICKS_PER_QUARTER, replace=True)
    assert path.read_bytes() == content


def test_what_is_no_file_is_never_written_to(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(FileExistsError):
        TrackFile(pipe, b"", TICKS_PER_QUARTER, replace=True)
    with pytest.raises(FileExistsError):
        TrackFile(Path("/dev/null"), b"", TICKS_PER_QUARTER, replace=True)
