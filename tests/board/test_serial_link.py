"""A board on a serial port that comes and goes, on real pseudo-terminals."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace

import pytest
from serial.tools import list_ports

from matbridge.board.backoff import FIRST_DELAY_S, LONGEST_DELAY_S
from matbridge.board.packed import PackedDecoder, encode_scan
from matbridge.board.serial_link import SerialLink
from matbridge.board.serial_port import SerialPort
from tests.support.loop import ManualLoop
from tests.support.pty_board import PtyBoard


class Heard:
    """A link under test, and all it said."""

    def __init__(self, path: str, loop: ManualLoop) -> None:
        self.loop = loop
        self.events: list[str] = []
        self.data = b""
        self.times: list[float] = []
        self.link = SerialLink(path, 115_200)
        self.link.on_data = self._take
        self.link.on_found = lambda: self.events.append("found")
        self.link.on_lost = lambda: self.events.append("lost")

    def _take(self, data: bytes, now_s: float) -> None:
        self.data += data
        self.times.append(now_s)

    def until(self, count: int) -> None:
        """Serve the loop until so many bytes have come."""
        end_s = time.monotonic() + 5
        while len(self.data) < count and time.monotonic() < end_s:
            self.loop.poll(0.1)
        assert len(self.data) >= count

    def until_lost(self) -> None:
        end_s = time.monotonic() + 5
        while self.events[-1:] != ["lost"] and time.monotonic() < end_s:
            self.loop.poll(0.1)
        assert self.events[-1] == "lost"


@pytest.fixture
def loop() -> ManualLoop:
    return ManualLoop()


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """Where the by-id link of the board is, when it is plugged in."""
    return tmp_path / "usb-harbour-board"


@pytest.fixture
def heard(loop: ManualLoop, place: Path) -> Iterator[Heard]:
    made = Heard(str(place), loop)
    yield made
    made.link.close()
    assert loop.readers == {}
    assert loop.pending == 0


def test_a_board_that_is_there_is_found_and_heard(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    with PtyBoard(place) as board:
        heard.link.open(loop)
        loop.advance(0)
        assert heard.events == ["found"]
        assert heard.link.status() == {
            "port": str(place), "found": True, "times_found": 1, "device": board.terminal,
            "baud": 115_200,
        }  # fmt: skip
        loop.advance(0.5)
        board.send(b"1,2,3\n")
        heard.until(6)
        assert (heard.data, heard.times) == (b"1,2,3\n", [1000.5])
        heard.link.write(b"?")
        assert board.received() == b"?"


def test_a_board_that_is_not_there_is_waited_for(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    heard.link.open(loop)
    loop.advance(600)
    assert heard.events == []
    status = heard.link.status()
    assert status["found"] is False
    assert f"no board at {place}" in str(status["why"])
    heard.link.write(b"?")  # and is dropped
    with PtyBoard(place):
        loop.advance(LONGEST_DELAY_S)
        assert heard.events == ["found"]


def test_a_board_that_goes_away_is_found_again(heard: Heard, loop: ManualLoop, place: Path) -> None:
    heard.link.open(loop)
    sent = 0
    for times in (1, 2, 3):
        with PtyBoard(place) as board:
            loop.advance(LONGEST_DELAY_S)
            assert heard.events == ["found", "lost"] * (times - 1) + ["found"]
            board.send(b"4,5,6\n")
            sent += 6
            heard.until(sent)
        heard.until_lost()
        assert loop.readers == {}
        status = heard.link.status()
        assert status["found"] is False
        assert "went away" in str(status["why"])
    loop.advance(5)
    assert heard.events == ["found", "lost"] * 3


def test_after_a_long_wait_and_a_sign_of_life_it_is_looked_for_quickly_again(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    heard.link.open(loop)
    loop.advance(60)
    with PtyBoard(place) as board:
        loop.advance(LONGEST_DELAY_S)
        board.send(b"x")
        heard.until(1)
    heard.until_lost()
    with PtyBoard(place):
        loop.advance(FIRST_DELAY_S)
        assert heard.events == ["found", "lost", "found"]


def test_a_board_that_is_held_by_another_is_taken_when_it_is_free(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    with PtyBoard(place) as board:
        holder = SerialPort(board.path, 115_200)
        heard.link.open(loop)
        loop.advance(3)
        assert heard.events == []
        assert "held by another program" in str(heard.link.status()["why"])
        holder.close()
        loop.advance(LONGEST_DELAY_S)
        assert heard.events == ["found"]


def test_a_port_that_opens_and_fails_is_asked_less_and_less_often(
    heard: Heard, loop: ManualLoop, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.read

    def read(fd: int, size: int) -> bytes:
        if fd in loop.readers:
            raise OSError(errno.EIO, "wedged")
        return real(fd, size)

    found_s: list[float] = []
    heard.link.on_found = lambda: found_s.append(loop.now_s())
    with PtyBoard(place) as board:
        board.send(b"x")
        monkeypatch.setattr(os, "read", read)
        heard.link.open(loop)
        for _ in range(380):
            loop.advance(0.01)
            for callback in list(loop.readers.values()):
                callback()
    gaps_s = [later - at for at, later in pairwise(found_s)]
    assert gaps_s == pytest.approx([0.1, 0.2, 0.4, 0.8, 1.0, 1.0], abs=0.02)
    assert "wedged" in str(heard.link.status()["why"])


@pytest.mark.parametrize("error", [OSError(errno.EIO, "io"), TypeError("closed"), ValueError("x")])
def test_whatever_reading_raises_is_a_board_that_went_away(
    heard: Heard, loop: ManualLoop, place: Path, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    with PtyBoard(place):
        heard.link.open(loop)
        loop.advance(0)
        (callback,) = loop.readers.values()
        with monkeypatch.context() as patched:
            patched.setattr(os, "read", lambda fd, size: (_ for _ in ()).throw(error))
            callback()
        assert heard.events == ["found", "lost"]
        callback()  # once more, from the same turn of the loop: nobody is there to read
        loop.advance(LONGEST_DELAY_S)
        assert heard.events == ["found", "lost", "found"]


def test_a_device_that_goes_while_all_are_listed_does_not_end_the_search(
    loop: ManualLoop, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # What pyserial 3.5 raises where a file of the device is gone between two looks.
    failures = [TypeError("int() can't convert non-string with explicit base")]
    found: list[str] = []

    def comports() -> list[SimpleNamespace]:
        if failures:
            raise failures.pop()
        return [SimpleNamespace(device=str(place), vid=0x2E8A, pid=5, usb_device_path="1-1")]

    monkeypatch.setattr(list_ports, "comports", comports)
    link = SerialLink("usb:2e8a:0005", 115_200)
    link.on_found = lambda: found.append("found")
    with PtyBoard(place):
        link.open(loop)
        loop.advance(0)
        assert "went away while" in str(link.status()["why"])
        loop.advance(LONGEST_DELAY_S)
        assert found == ["found"]
        link.close()


def test_a_reader_called_for_nothing_loses_nothing(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    with PtyBoard(place) as board:
        heard.link.open(loop)
        loop.advance(0)
        for callback in list(loop.readers.values()):
            callback()
        assert heard.events == ["found"]
        board.send(b"7")
        heard.until(1)


def test_a_query_to_a_board_that_just_left_is_no_error(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    with PtyBoard(place) as board:
        heard.link.open(loop)
        loop.advance(0)
        board.unplug()
        heard.link.write(b"?")
        assert heard.events == ["found", "lost"]


def test_a_board_that_takes_nothing_does_not_hold_us_up(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    with PtyBoard(place):
        heard.link.open(loop)
        loop.advance(0)
        for _ in range(100):
            heard.link.write(b"?" * 4096)
        assert heard.events == ["found"]


def test_closing_is_final_and_may_be_done_twice_or_from_a_callback(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    with PtyBoard(place) as board:
        heard.link.open(loop)
        heard.link.on_data = lambda data, now_s: heard.link.close()
        loop.advance(0)
        board.send(b"x")
        loop.poll(1.0)
        assert heard.link.status() == {
            "port": str(place), "found": False, "times_found": 1, "why": "not open",
        }  # fmt: skip
        heard.link.close()
        loop.advance(10)
        assert heard.events == ["found"]
        heard.link.open(loop)
        loop.advance(0)
        assert heard.events == ["found", "found"]


def test_a_link_closed_when_it_is_lost_stays_closed(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    with PtyBoard(place) as board:
        heard.link.open(loop)
        heard.link.on_lost = heard.link.close
        loop.advance(0)
        board.unplug()
        loop.poll(1.0)
    with PtyBoard(place):
        loop.advance(10)
        assert heard.events == ["found"]


def test_from_the_boards_bytes_to_scans_over_a_cable_that_is_pulled(
    heard: Heard, loop: ManualLoop, place: Path
) -> None:
    """Junk, a frame cut by the hang-up, and the board back again: not one wrong reading."""
    decoder = PackedDecoder(24, 10)
    scans: list[tuple[int, ...]] = []
    heard.link.on_found = decoder.reset
    sent = [tuple((7 * n + zone) % 1024 for zone in range(24)) for n in range(380)]
    frames = [encode_scan(n, n * 1000, row, 10) for n, row in enumerate(sent)]

    def take(data: bytes, now_s: float) -> None:
        heard.data += data
        scans.extend(tuple(scan.readings) for scan in decoder.feed(data, now_s))

    heard.link.on_data = take
    heard.link.open(loop)
    total = 0
    for half in (frames[:200], frames[200:]):
        with PtyBoard(place) as board:
            loop.advance(LONGEST_DELAY_S)
            wire = b"boot\r\n\0" + b"".join(half) + half[0][:20]
            board.send(wire)
            total += len(wire)
            heard.until(total)
        while heard.link.status()["found"]:
            loop.poll(0.1)
    assert scans == sent
    assert (decoder.counts.damaged, decoder.counts.lost) == (0, 0)
