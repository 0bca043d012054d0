"""Writing a take while the show goes on: slow, full and vanishing disks."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from matbridge.board import take_writer
from matbridge.board.take import Chunk, on_grid
from matbridge.board.take_reader import Take
from matbridge.board.take_writer import MAX_WAITING, MEMBER_BYTES, MEMBER_S, TakeWriter
from matbridge.errors import TakeError
from tests.support.loop import ManualLoop
from tests.support.takes import HEADER


def eventually(condition: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 5
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.002)


@pytest.fixture
def loop() -> ManualLoop:
    return ManualLoop()


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    yield
    eventually(lambda: not [each for each in threading.enumerate() if each.name == "take"])


def chunks_of(path: Path) -> list[bytes]:
    """What a take that may still be written holds by now."""
    try:
        take = Take(path)
    except TakeError:
        return []
    return [each.data for each in take.records() if isinstance(each, Chunk)]


def test_a_take_never_replaces_another(loop: ManualLoop, tmp_path: Path) -> None:
    path = tmp_path / "new" / "folder" / "a.take"
    TakeWriter(path, HEADER, loop).close("stopped")
    before = path.read_bytes()
    with pytest.raises(TakeError, match="File exists"):
        TakeWriter(path, HEADER, loop)
    assert path.read_bytes() == before


def test_times_on_its_grid_are_kept_to_the_last_bit_that_counts(tmp_path: Path) -> None:
    """A replay then decides every tie as the play did."""
    loop = ManualLoop(5000.1234567)
    writer = TakeWriter(tmp_path / "a.take", HEADER, loop)
    times_s = [on_grid(5000.2 + n * 0.0019997) for n in range(500)]
    for time_s in times_s:
        writer.data(0, b"x", time_s)
    writer.close("stopped")
    kept = [each.time_s for each in Take(writer.path).records() if isinstance(each, Chunk)]
    assert kept == pytest.approx([time_s - writer.start_s for time_s in times_s], abs=1e-10)


def test_a_folder_that_cannot_be_made_is_a_take_error(loop: ManualLoop, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(TakeError, match="cannot be written"):
        TakeWriter(tmp_path / "file" / "a.take", HEADER, loop)
    assert loop.pending == 0


def test_what_is_a_second_old_is_on_the_disk(loop: ManualLoop, tmp_path: Path) -> None:
    path = tmp_path / "a.take"
    writer = TakeWriter(path, HEADER, loop)
    writer.data(0, b"one", loop.now_s())
    loop.advance(MEMBER_S)
    writer.data(0, b"two", loop.now_s())
    eventually(lambda: writer.bytes_written == path.stat().st_size and chunks_of(path) == [b"one"])
    loop.advance(MEMBER_S)
    eventually(lambda: chunks_of(path) == [b"one", b"two"])
    writer.close("stopped")
    assert loop.pending == 0


def test_a_second_without_a_word_writes_nothing(loop: ManualLoop, tmp_path: Path) -> None:
    writer = TakeWriter(tmp_path / "a.take", HEADER, loop)
    eventually(lambda: writer.bytes_written > 0)
    before = writer.bytes_written
    loop.advance(60)
    writer.close("stopped")
    assert writer.bytes_written - before < 150  # the end alone
    assert Take(tmp_path / "a.take").whole_length_s() == 60.0


def test_a_wide_mat_is_not_gathered_for_a_whole_second(loop: ManualLoop, tmp_path: Path) -> None:
    writer = TakeWriter(tmp_path / "a.take", HEADER, loop)
    for _ in range(2 * MEMBER_BYTES // 1000):
        writer.data(0, os.urandom(1000), loop.now_s())
        assert len(writer._pending) < MEMBER_BYTES + 1100
    eventually(lambda: writer.bytes_written > MEMBER_BYTES)
    writer.close("stopped")


def test_closing_twice_and_writing_after_it_are_harmless(loop: ManualLoop, tmp_path: Path) -> None:
    path = tmp_path / "a.take"
    writer = TakeWriter(path, HEADER, loop)
    writer.data(0, b"kept", loop.now_s())
    writer.close("stopped")
    data = path.read_bytes()
    writer.data(0, b"late", loop.now_s())
    writer.event("late", loop.now_s())
    writer.close("again")
    assert writer.reason == "stopped"
    assert path.read_bytes() == data
    assert chunks_of(path) == [b"kept"]


class Disk:
    """What os.write does on the writer's thread: it takes what there is room for, then nothing."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.room = sys.maxsize
        self.moves = threading.Event()
        self.moves.set()
        self._write = os.write
        monkeypatch.setattr(os, "write", self.write)

    def write(self, fd: int, data: bytes) -> int:
        if threading.current_thread().name != "take":
            return self._write(fd, data)
        self.moves.wait(10)
        if not self.room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        written = self._write(fd, data[: self.room])
        self.room -= written
        return written


def test_a_full_disk_ends_the_take_and_not_the_show(
    loop: ManualLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(monkeypatch)
    path = tmp_path / "a.take"
    ended: list[str] = []
    writer = TakeWriter(path, HEADER, loop, ended.append)
    writer.data(0, b"kept", loop.now_s())
    loop.advance(MEMBER_S)
    eventually(lambda: chunks_of(path) == [b"kept"])
    whole = path.stat().st_size
    disk.room = 20
    writer.data(0, b"lost", loop.now_s())
    loop.advance(MEMBER_S)
    eventually(lambda: bool(writer._failure))
    assert ended == []  # it is told from the loop
    loop.advance(MEMBER_S)
    assert ended == [f"{path} cannot be written: no space is left"]
    assert writer.reason == ended[0]
    assert loop.pending == 0
    eventually(lambda: path.stat().st_size == whole)  # no half member stays
    writer.data(0, b"after", loop.now_s())
    writer.close("stopped")
    assert writer.reason == ended[0]
    assert len(ended) == 1
    assert Take(path).damage == ""
    assert chunks_of(path) == [b"kept"]


def test_a_disk_that_is_full_at_the_end_is_told_too(
    loop: ManualLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(monkeypatch)
    writer = TakeWriter(tmp_path / "a.take", HEADER, loop)
    eventually(lambda: writer.bytes_written > 0)
    disk.room = 0
    writer.close("stopped")
    assert "no space is left" in writer.reason


def test_what_is_told_late_stands_after_what_was_told_before(
    loop: ManualLoop, tmp_path: Path
) -> None:
    path = tmp_path / "a.take"
    writer = TakeWriter(path, HEADER, loop)
    loop.advance(0.5)
    writer.event("preset", loop.now_s())
    writer.data(0, b"read a little earlier", loop.now_s() - 0.01)
    writer.data(0, b"and now", loop.now_s() + 0.01)
    writer.close("stopped")
    assert [each.time_s for each in Take(path).records()] == [0.5, 0.5, 0.51]


def test_a_disk_full_from_the_start(loop: ManualLoop) -> None:
    """The real thing: /dev/full takes nothing, with the error of a full disk."""
    fd = os.open("/dev/full", os.O_WRONLY)
    with pytest.raises(OSError, match="No space left"):
        take_writer._write(fd, b"x")
    os.close(fd)


def test_a_disk_that_stands_still_holds_nobody_up_and_ends_the_take(
    loop: ManualLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(monkeypatch)
    path = tmp_path / "a.take"
    ended: list[str] = []
    writer = TakeWriter(path, HEADER, loop, ended.append)
    eventually(lambda: writer.bytes_written > 0)
    disk.moves.clear()
    began_s = time.monotonic()
    for _ in range(MAX_WAITING + 3):
        writer.data(0, os.urandom(2000), loop.now_s())
        loop.advance(MEMBER_S)
    assert time.monotonic() - began_s < 2
    assert ended == [f"the disk is too slow for {path}"]
    assert loop.pending == 0
    disk.moves.set()
    eventually(lambda: not [each for each in threading.enumerate() if each.name == "take"])
    assert Take(path).damage == ""


def test_closing_waits_for_a_slow_disk_but_not_for_ever(
    loop: ManualLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(monkeypatch)
    writer = TakeWriter(tmp_path / "a.take", HEADER, loop)
    disk.moves.clear()
    writer.data(0, b"x", loop.now_s())
    began_s = time.monotonic()
    writer.close("stopped", 0.1)
    assert 0.1 <= time.monotonic() - began_s < 1.0
    disk.moves.set()


def test_ended_in_the_middle_of_a_show_it_waits_for_nothing(
    loop: ManualLoop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    disk = Disk(monkeypatch)
    path = tmp_path / "a.take"
    writer = TakeWriter(path, HEADER, loop)
    disk.moves.clear()
    for _ in range(3):
        writer.data(0, b"x", loop.now_s())
        loop.advance(MEMBER_S)
    began_s = time.monotonic()
    writer.close("stopped", 0.0)
    assert time.monotonic() - began_s < 0.5
    assert (writer.reason, chunks_of(path)) == ("stopped", [])
    disk.moves.set()
    eventually(lambda: chunks_of(path) == [b"x"] * 3)
    eventually(lambda: not [each for each in threading.enumerate() if each.name == "take"])
    take = Take(path)
    list(take.records())
    assert take.reason == "stopped"


def test_a_process_that_is_killed_loses_the_last_second_at_the_most(tmp_path: Path) -> None:
    path = tmp_path / "a.take"
    program = """
import sys, time
from pathlib import Path
from matbridge.board.take_writer import TakeWriter
from matbridge.service.loop import ServiceLoop
from tests.support.takes import HEADER
loop = ServiceLoop(print)
writer = TakeWriter(Path(sys.argv[1]), HEADER, loop)
def more(number=[0]):
    writer.data(0, b"%d\\n" % number[0], loop.now_s())
    print(number[0], flush=True)
    number[0] += 1
    loop.call_at(loop.now_s() + 0.01, more)
loop.call_at(0, more)
loop.run()
"""
    running = subprocess.Popen(
        [sys.executable, "-c", program, str(path)],
        stdout=subprocess.PIPE,
        cwd=Path.cwd(),
        text=True,
    )
    assert running.stdout is not None
    try:
        last = -1
        for line in running.stdout:
            last = int(line)
            if last == 230:
                break
    finally:
        running.send_signal(signal.SIGKILL)
        running.communicate()
    kept = [int(data) for data in chunks_of(path)]
    assert kept == list(range(len(kept)))
    assert len(kept) > last - 150  # a second is 100 of them; the machine may be busy
