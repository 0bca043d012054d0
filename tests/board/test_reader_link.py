"""Readers as processes of the bridge: started, read, ended, started again."""

from __future__ import annotations

import errno
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from matbridge.board.packed import PackedDecoder
from matbridge.board.reader_link import ReaderLink
from tests.support.loop import ManualLoop

LIMIT_S = 30.0


class Heard:
    """A link on a manual loop, and what it told."""

    def __init__(self, link: ReaderLink) -> None:
        self.link, self.loop = link, ManualLoop()
        self.decoder = PackedDecoder(8, 10)
        self.readings: list[list[int]] = []
        self.found = self.lost = 0
        link.on_data, link.on_found, link.on_lost = self._data, self._found, self._lost
        link.open(self.loop)

    def _data(self, data: bytes, now_s: float) -> None:
        self.readings += [list(scan.readings) for scan in self.decoder.feed(data, now_s)]

    def _found(self) -> None:
        self.found += 1

    def _lost(self) -> None:
        self.lost += 1

    def until(self, wanted: Callable[[], bool]) -> None:
        end_s = time.monotonic() + LIMIT_S
        while not wanted():
            assert time.monotonic() < end_s, (self.link.status(), self.readings[-1:])
            self.loop.poll(0.02)
            self.loop.advance(0.02)


@pytest.fixture
def heard() -> Iterator[Callable[[ReaderLink], Heard]]:
    opened: list[Heard] = []

    def open_one(link: ReaderLink) -> Heard:
        opened.append(Heard(link))
        return opened[-1]

    yield open_one
    for one in opened:
        one.link.close()
        one.link.close()
        assert not one.loop.readers
        assert one.loop.pending == 0


def a_converter(folder: Path, readings: list[int]) -> Path:
    folder.mkdir(exist_ok=True)
    for number, value in enumerate(readings):
        (folder / f"in_voltage{number}_raw").write_text(f"{value}\n")
    return folder


def iio(folder: Path) -> ReaderLink:
    return ReaderLink("iio", ["--channels", "8", "--rate-hz", "200", "--at", str(folder)])


def test_a_real_reader_process_brings_scans(
    tmp_path: Path, heard: Callable[[ReaderLink], Heard]
) -> None:
    readings = [7, 100, 1023, 0, 512, 3, 4, 5]
    one = heard(iio(a_converter(tmp_path / "adc", readings)))
    assert one.link.status()["found"] is False
    one.until(lambda: len(one.readings) > 20)
    assert one.found == 1
    assert one.link.status() == {"port": "iio", "found": True}
    assert all(row == readings for row in one.readings)


def test_a_reader_that_its_bus_does_not_let_go_holds_nobody_up(
    tmp_path: Path, heard: Callable[[ReaderLink], Heard], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = heard(iio(a_converter(tmp_path / "adc", [1] * 8)))
    one.until(lambda: bool(one.readings))
    really_wait = subprocess.Popen.wait
    held: list[subprocess.Popen[bytes]] = []

    def wait(process: subprocess.Popen[bytes], timeout: float | None = None) -> int:
        held.append(process)
        if timeout is None:
            raise AssertionError("waits without end")
        raise subprocess.TimeoutExpired(process.args, timeout)

    monkeypatch.setattr(subprocess.Popen, "wait", wait)
    one.link.close()
    assert one.link.status()["found"] is False
    for process in held:
        really_wait(process)


def test_what_is_not_there_is_said_and_looked_for_again(
    tmp_path: Path, heard: Callable[[ReaderLink], Heard]
) -> None:
    one = heard(iio(tmp_path / "adc"))
    one.until(lambda: "in_voltage0_raw" in str(one.link.status().get("why")))
    assert (one.found, one.lost) == (0, 0)
    a_converter(tmp_path / "adc", [1] * 8)
    one.until(lambda: bool(one.readings))
    assert one.found == 1


def test_a_system_that_has_no_process_to_spare_is_asked_again(
    tmp_path: Path, heard: Callable[[ReaderLink], Heard], monkeypatch: pytest.MonkeyPatch
) -> None:
    def opened() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    before = opened()

    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EAGAIN, "Resource temporarily unavailable")

    with monkeypatch.context() as patched:
        patched.setattr(subprocess, "Popen", refuse)
        one = heard(iio(a_converter(tmp_path / "adc", [1] * 8)))
        one.loop.advance(1.0)
        assert one.link.status()["why"] == (
            "no process to read it: Resource temporarily unavailable"
        )
        assert opened() == before
    one.until(lambda: bool(one.readings))
    assert (one.found, one.lost) == (1, 0)


def test_a_reader_that_ends_is_lost_once_and_comes_back(
    tmp_path: Path, heard: Callable[[ReaderLink], Heard]
) -> None:
    folder = a_converter(tmp_path / "adc", [1] * 8)
    one = heard(iio(folder))
    one.until(lambda: bool(one.readings))
    (folder / "in_voltage3_raw").write_text("broken\n")
    one.until(lambda: one.lost == 1)
    (folder / "in_voltage3_raw").write_text("9\n")
    one.until(lambda: [1, 1, 1, 9, 1, 1, 1, 1] in one.readings)
    assert (one.found, one.lost) == (2, 1)
