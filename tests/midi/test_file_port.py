"""The file output: what a crash, a full disk and an earlier recording do to it."""

from __future__ import annotations

import errno
import os
import resource
import signal
import subprocess
import sys
import textwrap
import threading
from pathlib import Path

import mido
import pytest

from matbridge.errors import OutputClosed
from matbridge.midi import file_port
from matbridge.midi import messages as m
from matbridge.midi.file_port import FilePort
from tests.midi.conftest import Turning
from tests.support.jack import wait_until
from tests.support.loop import ManualLoop
from tests.support.midi_judges import by_mido, csv_of, length_s


def test_what_is_played_stands_in_the_file_with_its_names_and_tempi(tmp_path: Path) -> None:
    loop = ManualLoop()
    port = FilePort("tape", str(tmp_path / "set.mid"), tempo_bpm=90.0, title="harbour lights")
    port.open(loop)
    port.mark("low tide")
    loop.advance(1.0)
    port.send([m.note_on(1, 60, 100)])
    loop.advance(0.25)
    port.send([m.note_off(1, 60), m.CLOCK])
    port.tempo(60.0)
    loop.advance(2.0)
    port.mark("high tide")
    port.close()
    data = (tmp_path / "set.mid").read_bytes()
    told = [fields[1:] for fields in csv_of(data)]
    # 3 840 ticks a quarter: 5 760 a second at 90, 3 840 at 60.
    assert told[2:] == [
        ["0", "Title_t", '"harbour lights"'],
        ["0", "Tempo", "666667"],
        ["0", "Time_signature", "4", "2", "24", "8"],
        ["0", "Marker_t", '"low tide"'],
        ["5760", "Note_on_c", "0", "60", "100"],
        ["7200", "Note_off_c", "0", "60", "64"],
        ["7200", "Tempo", "1000000"],
        ["14880", "Marker_t", '"high tide"'],
        ["14880", "End_track"],
        ["0", "End_of_file"],
    ]
    assert length_s(data) == pytest.approx(3.25, abs=0.001)


def test_a_killed_process_loses_no_more_than_a_second(tmp_path: Path) -> None:
    path = tmp_path / "set.mid"
    playing = subprocess.Popen(
        (
            sys.executable,
            "-c",
            textwrap.dedent("""
                import sys
                from matbridge.midi import messages as m
                from matbridge.midi.file_port import FilePort
                from matbridge.service.loop import ServiceLoop
                loop = ServiceLoop(print)
                port = FilePort("tape", sys.argv[1])
                port.open(loop)
                def play(number):
                    port.send([m.note_on(1, 60, 1 + number % 127), m.note_off(1, 60)])
                    print(loop.now_s(), flush=True)
                    loop.call_at(loop.now_s() + 0.01, lambda: play(number + 1))
                play(0)
                loop.run()
            """),
            str(path),
        ),
        stdout=subprocess.PIPE,
        text=True,
    )
    assert playing.stdout is not None
    played_s = [float(playing.stdout.readline()) for _ in range(250)]
    playing.send_signal(signal.SIGKILL)
    playing.wait()
    rest = playing.stdout.read().split()
    playing.stdout.close()
    played_s += [float(line) for line in rest]
    kept = len(by_mido(path.read_bytes()))
    assert 0 < kept <= len(played_s)
    # A second between two flushes, and what a busy machine takes for one.
    assert played_s[-1] - played_s[kept - 1] < file_port.FLUSH_S + 0.5


def test_an_earlier_recording_is_kept(tmp_path: Path) -> None:
    loop = ManualLoop()
    names = []
    for _ in range(3):
        port = FilePort("tape", str(tmp_path / "set.mid"))
        port.open(loop)
        names.append(Path(str(port.status()["path"])).name)
        port.close()
    assert names == ["set.mid", "set-2.mid", "set-3.mid"]
    port = FilePort("tape", str(tmp_path / "set.mid"), replace=True)
    port.open(loop)
    port.send([m.note_on(1, 60, 1), m.note_off(1, 60)])
    port.close()
    assert len(by_mido((tmp_path / "set.mid").read_bytes())) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(names)


def test_a_letter_of_that_name_is_kept_even_when_recordings_are_replaced(tmp_path: Path) -> None:
    letter = tmp_path / "set.mid"
    letter.write_text("dear")
    port = FilePort("tape", str(letter), replace=True)
    port.open(ManualLoop())
    port.close()
    assert letter.read_text() == "dear"
    assert (tmp_path / "set-2.mid").read_bytes()[:4] == b"MThd"


def test_a_folder_that_comes_later_is_waited_for(tmp_path: Path) -> None:
    loop = ManualLoop()
    events: list[str] = []
    port = FilePort("tape", str(tmp_path / "stick" / "set.mid"))
    port.on_up = lambda: events.append("up")
    port.open(loop)
    assert not port.up
    assert "cannot be written: No such file or directory" in str(port.status()["why"])
    port.send([m.note_on(1, 60, 1)])
    (tmp_path / "stick").mkdir()
    loop.advance(3.0)
    assert port.up
    assert events == ["up"]
    assert port.status()["dropped"] == 1
    port.close()
    assert loop.pending == 0


def test_a_full_disk_is_told_and_survived(
    turning: Turning, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(file_port, "FLUSH_S", 0.02)
    monkeypatch.setattr(file_port, "RETRY_S", 0.02)
    events: list[str] = []
    path = tmp_path / "set.mid"
    port = FilePort("tape", str(path))
    port.on_up = lambda: events.append("up")
    port.on_down = events.append
    port.open(turning.loop)
    full = threading.Event()
    real = os.pwrite

    def write(fd: int, data: bytes, offset: int) -> int:
        if full.is_set():
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(fd, data, offset)

    monkeypatch.setattr("os.pwrite", write)
    full.set()
    port.send([m.note_on(1, 60, 1), m.note_off(1, 60)])
    turning.until(lambda: not port.up, "the loss")
    assert events == [f"{path}: No space left on device"]
    port.send([m.note_on(1, 61, 1), m.note_off(1, 61)])
    full.clear()
    turning.until(lambda: port.up, "the return")
    port.send([m.note_on(1, 62, 1), m.note_off(1, 62)])
    port.close()
    # What was under way when the disk was full is kept; what came after was refused, and counted.
    assert [note.pitch for note in by_mido(path.read_bytes())] == [60, 62]
    assert port.status()["dropped"] == 2


def test_a_limit_of_the_system_on_files_is_survived_by_a_real_process(tmp_path: Path) -> None:
    path = tmp_path / "set.mid"
    limit = 8192
    done = subprocess.run(
        (
            sys.executable,
            "-c",
            textwrap.dedent("""
                import sys
                from matbridge.midi import messages as m
                from matbridge.midi.file_port import FilePort
                from tests.support.jack import wait_until
                from tests.support.loop import ManualLoop
                loop = ManualLoop()
                port = FilePort("tape", sys.argv[1])
                port.open(loop)
                while port.up:
                    port.send([m.note_on(1, 60, 1), m.note_off(1, 60)] * 50)
                    before = port.status()["bytes"]
                    loop.advance(1.0)
                    wait_until(
                        lambda: port.status()["bytes"] > before or port._writer.trouble, "a write"
                    )
                    loop.advance(1.0)
                print(port.status()["why"])
                port.close()
            """),
            str(path),
        ),
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout == f"{path}: File too large\n", done.stderr
    assert path.stat().st_size <= limit
    assert len(by_mido(path.read_bytes())) > 0


def test_a_disk_that_does_not_answer_holds_nobody_up(
    turning: Turning, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(file_port, "FLUSH_S", 0.02)
    monkeypatch.setattr(file_port, "MAX_WAITING", 10_000)
    monkeypatch.setattr(file_port, "CLOSE_WAIT_S", 0.1)
    path = tmp_path / "set.mid"
    port = FilePort("tape", str(path))
    port.open(turning.loop)
    stuck, going_on = threading.Event(), threading.Event()
    real = os.pwrite

    def write(fd: int, data: bytes, offset: int) -> int:
        stuck.set()
        going_on.wait()
        return real(fd, data, offset)

    monkeypatch.setattr("os.pwrite", write)
    port.send([m.note_on(1, 60, 1), m.note_off(1, 60)])
    turning.until(stuck.is_set, "the writer")
    while port.up:
        port.send([m.note_on(1, 60, 1), m.note_off(1, 60)] * 100)
        turning.turn(0.03)
    assert port.status()["why"] == f"{path}: the disk does not take what is written"
    going_on.set()
    turning.until(lambda: port.up, "the return")
    going_on.clear()
    port.close()
    going_on.set()
    wait_until(lambda: "midi file" not in map(_name, threading.enumerate()), "the thread's end")
    assert len(by_mido(path.read_bytes())) > 100


def test_a_closed_file_refuses(tmp_path: Path) -> None:
    port = FilePort("tape", str(tmp_path / "set.mid"))
    with pytest.raises(OutputClosed, match="output 'tape' is not open"):
        port.send([])
    with pytest.raises(OutputClosed, match="output 'tape' is not open"):
        port.mark("x")
    with pytest.raises(OutputClosed, match="output 'tape' is not open"):
        port.tempo(1.0)
    port.close()
    assert not list(tmp_path.iterdir())


def test_mido_reads_a_file_that_nobody_closed(tmp_path: Path) -> None:
    port = FilePort("tape", str(tmp_path / "set.mid"))
    loop = ManualLoop()
    port.open(loop)
    assert mido.MidiFile(tmp_path / "set.mid").length == 0
    port.close()


def _name(thread: threading.Thread) -> str:
    return thread.name
