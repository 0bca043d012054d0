"""Builds board programs to AVR machine code and runs them on an emulated board."""

from __future__ import annotations

import os
import re
import select
import subprocess
import time
import tty
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

from matbridge.board.scan import Decoder, Scan

HERE = Path(__file__).parent
CORE = Path("/usr/share/arduino/hardware/arduino/avr")


def with_options(source: str, options: Mapping[str, str]) -> str:
    """The program as its user would edit it: other values behind the #define lines at its top."""
    for name, value in options.items():
        source, count = re.subn(rf"(?m)^(#define {name}) [^/\n]+", rf"\1 {value} ", source)
        assert count == 1, name
    return source


def build(written: Path, name: str, options: Mapping[str, str], folder: Path) -> Path:
    """Machine code of a program that `matbridge board-program` wrote into `written`."""
    label = "-".join([name, *(f"{key}{value}" for key, value in options.items())])
    sketch = folder / re.sub(r"\W", "_", label) / f"{name}.ino"
    sketch.parent.mkdir()
    sketch.write_text(with_options((written / name / f"{name}.ino").read_text(), options))
    sketch.with_name("board_wire.h").write_bytes((written / name / "board_wire.h").read_bytes())
    program = sketch.with_suffix(".elf")
    done = subprocess.run(
        ["sh", str(HERE / "build.sh"), str(sketch), str(program)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert "warning" not in done.stderr, done.stderr
    return program


def build_emulator(folder: Path) -> Path:
    """The emulated board, compiled."""
    program = folder / "emulator"
    command = ["gcc", "-O2", "-o", str(program), str(HERE / "emulator.c")]
    libraries = ["-I/usr/include/simavr", "-lsimavr", "-lelf", "-lm"]
    subprocess.run([*command, *libraries], check=True)
    return program


class Board:
    """One emulated board: its serial line, and orders to the parts around it."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        assert process.stdout
        self.path = process.stdout.readline().strip()
        self.fd = -1
        self._waiting: deque[Scan] = deque()

    def order(self, text: str) -> list[str]:
        """Give one order; the lines of its answer before the "ok"."""
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.write(text + "\n")
        self._process.stdin.flush()
        lines = []
        while (line := self._process.stdout.readline().strip()) != "ok":
            assert line, f"the emulator ended at {text!r}"
            lines.append(line)
        return lines

    def set_readings(self, readings: Sequence[int]) -> None:
        for channel, reading in enumerate(readings):
            self.order(f"set {channel} {reading}")

    def plug_in(self) -> None:
        self.fd = os.open(self.path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        tty.setraw(self.fd)

    def write(self, data: bytes) -> None:
        os.write(self.fd, data)

    def read(self) -> bytes:
        """What the board has sent, waiting a little for it; empty when it sent nothing."""
        if not select.select([self.fd], [], [], 0.1)[0]:
            return b""
        return os.read(self.fd, 4096)

    def until(
        self, decoder: Decoder, wanted: Callable[[Scan], bool], limit_s: float = 20.0
    ) -> list[Scan]:
        """Scans up to and with the first wanted one."""
        seen: list[Scan] = []
        end_s = time.monotonic() + limit_s
        while time.monotonic() < end_s:
            while self._waiting:
                seen.append(self._waiting.popleft())
                if wanted(seen[-1]):
                    return seen
            self._waiting.extend(decoder.feed(self.read(), time.monotonic()))
        raise AssertionError(f"not among {len(seen)} scans; last {seen[-1:]} {decoder.counts}")


@contextmanager
def running(emulator: Path, program: Path) -> Iterator[Board]:
    """An emulated board that runs `program`, its line not yet opened."""
    process = subprocess.Popen(
        [str(emulator), str(program)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    board = Board(process)
    try:
        yield board
    finally:
        if board.fd >= 0:
            os.close(board.fd)
        assert process.stdin
        assert process.stdout
        process.stdin.close()
        process.wait(10)
        process.stdout.close()
