"""Takes of a running bridge: their names, their place, and what is told to them."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from matbridge import __version__
from matbridge.board import take_writer
from matbridge.board.take import Chunk, Event
from matbridge.board.take_reader import Take
from matbridge.errors import TakeError
from matbridge.mapping.load import load_show
from matbridge.mapping.plan import Act, Show
from matbridge.service.recorder import Recorder, all_takes, find_take, take_path
from matbridge.service.replaying import show_of
from tests.support.loop import ManualLoop
from tests.support.takes import CONFIGS, write_take

NOW = datetime(2031, 6, 1, 20, 15, 9, tzinfo=UTC)


@pytest.fixture
def loop() -> ManualLoop:
    return ManualLoop()


@pytest.fixture
def show() -> Show:
    return load_show(CONFIGS / "harbour-lights.yaml")


def test_all_that_is_told_is_kept(loop: ManualLoop, show: Show, tmp_path: Path) -> None:
    recorder = Recorder(loop, tmp_path / "takes", lambda: NOW)
    recorder.data(0, b"before", loop.now_s())
    assert recorder.status() == {"take": "", "why": ""}
    path = recorder.begin(show, None, preset="squall", transpose=-2, muted=True)
    assert path == recorder.path == tmp_path / "takes" / "harbour-lights 2031-06-01 20-15-09.take"
    told: tuple[Callable[[float], None], ...] = (
        lambda now_s: recorder.data(0, b"1,2,3\n", now_s),
        lambda now_s: recorder.found(0, now_s),
        lambda now_s: recorder.lost(0, "unplugged", now_s, silent=False),
        lambda now_s: recorder.lost(0, "silent", now_s, silent=True),
        lambda now_s: recorder.act(Act.PRESET, 1, "lamp lighters", now_s),
        lambda now_s: recorder.midi_in(b"\xc0\x05", now_s),
        lambda now_s: recorder.preset("lamp lighters", now_s),
        lambda now_s: recorder.fault("a3", "dead", False, now_s),
    )
    for tell in told:
        loop.advance(0.5)
        tell(loop.now_s())
    status = recorder.status()
    assert (status["take"], status["seconds"]) == (str(path), 4.0)
    recorder.end()
    assert recorder.path is None
    assert recorder.status() == {"take": "", "why": "stopped"}
    recorder.data(0, b"after", loop.now_s())
    take = Take(path)
    kept = [
        (each.time_s, each.data if isinstance(each, Chunk) else dict(each.facts))
        for each in take.records()
    ]
    assert kept == [
        (0.0, {"event": "preset", "name": "squall"}),
        (0.0, {"event": "act", "act": "transpose to", "argument": -2, "preset": ""}),
        (0.0, {"event": "act", "act": "mute", "argument": 0, "preset": ""}),
        (0.5, b"1,2,3\n"),
        (1.0, {"event": "found", "board": 0}),
        (1.5, {"event": "lost", "board": 0, "reason": "unplugged"}),
        (2.0, {"event": "silent", "board": 0}),
        (2.5, {"event": "act", "act": "preset", "argument": 1, "preset": "lamp lighters"}),
        (3.0, {"event": "midi", "message": "c005"}),
        (3.5, {"event": "preset", "name": "lamp lighters"}),
        (4.0, {"event": "fault", "zone": "a3", "fault": "dead", "recovered": False}),
    ]
    assert take.header.started == "2031-06-01T20:15:09+00:00"
    assert take.header.program == f"matbridge {__version__}"
    assert show_of(take).performance == show.performance
    assert take.header.boards[0].channels == 14


def test_a_second_take_ends_the_first(loop: ManualLoop, show: Show, tmp_path: Path) -> None:
    # Within the same second, as by a reload just after it was begun.
    recorder = Recorder(loop, tmp_path, lambda: NOW)
    first = recorder.begin(show, None, preset="squall")
    second = recorder.begin(show, None, preset="squall")
    assert recorder._writer is not None
    writing = recorder._writer._thread
    # The first was ended without waiting for the disk, for the show goes on.
    while "take" in (thread.name for thread in threading.enumerate() if thread is not writing):
        time.sleep(0.001)
    assert list(Take(first).records()) == [
        Event(0.0, "preset", {"event": "preset", "name": "squall"})
    ]
    recorder.end()
    assert set(all_takes(tmp_path)) == {first, second}


def test_a_take_that_cannot_begin_is_told_and_none_is_made(
    loop: ManualLoop, show: Show, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    recorder = Recorder(loop, tmp_path / "file", lambda: NOW)
    with pytest.raises(TakeError, match="cannot be written"):
        recorder.begin(show, None, preset="squall")
    assert recorder.path is None
    assert loop.pending == 0


def test_a_take_that_ends_by_itself_is_told(
    loop: ManualLoop, show: Show, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(fd: int, data: bytes) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(take_writer, "_write", fail)
    recorder = Recorder(loop, tmp_path, lambda: NOW)
    ended: list[str] = []
    recorder.on_end = ended.append
    recorder.begin(show, None, preset="squall")
    while not ended:
        loop.advance(1.0)
    assert "no space is left" in ended[0]
    assert recorder.path is None
    assert recorder.status()["why"] == ended[0]


def test_a_take_that_had_ended_by_itself_when_it_was_stopped_still_says_why(
    loop: ManualLoop, show: Show, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    failed = threading.Event()

    def fail(fd: int, data: bytes) -> None:
        failed.set()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(take_writer, "_write", fail)
    recorder = Recorder(loop, tmp_path, lambda: NOW)
    recorder.begin(show, None, preset="squall")
    assert failed.wait(5)
    for thread in threading.enumerate():
        if thread.name == "take":
            thread.join(5)
    recorder.end()
    assert "no space is left" in str(recorder.status()["why"])


@pytest.mark.parametrize(
    ("name", "file"),
    [
        ("Harbour Lights: part 2!", "harbour-lights-part-2"),
        ("../../etc/passwd", "etc-passwd"),
        ("☂", "take"),
        ("x" * 99, "x" * 40),
    ],
)
def test_the_name_of_a_take_is_a_plain_file_name(tmp_path: Path, name: str, file: str) -> None:
    path = take_path(name, tmp_path, NOW)
    assert path.parent == tmp_path
    assert path.name == f"{file} 2031-06-01 20-15-09.take"


def test_a_take_is_found_by_path_by_name_and_as_the_last(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "takes"
    folder.mkdir()
    with pytest.raises(TakeError, match="there is none in"):
        find_take("last", folder)
    early, late = (write_take(folder / f"{name}.take", []) for name in ("b", "a"))
    os.utime(early, (1000, 1000))
    os.utime(late, (2000, 2000))
    elsewhere = write_take(tmp_path / "other.take", [])
    monkeypatch.chdir(tmp_path)
    assert find_take("last", folder) == late
    assert find_take("b", folder) == early
    assert find_take("b.take", folder) == early
    assert find_take("other.take", folder) == Path("other.take")
    assert find_take(str(elsewhere), folder) == elsewhere
    with pytest.raises(TakeError, match=r"no take 'c'; the latest in .* are 'a', 'b'"):
        find_take("c", folder)
    assert all_takes(tmp_path / "none") == []
