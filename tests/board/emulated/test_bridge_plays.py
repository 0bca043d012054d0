"""A board program's machine code, the real bridge behind it, and MIDI judged by libasound.

The emulated board's line is relayed to the bridge byte for byte, so that it can be disturbed on
the way: babble, and the line read at the wrong baud.
"""

from __future__ import annotations

import json
import os
import select
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.bench.rig import Pty
from tests.board.emulated.rig import Board, running
from tests.support.asound import parse
from tests.support.bridge import Bridge
from tests.support.jack import wait_until

Built = Callable[..., Path]
# See test_board_programs.py for why the emulated board scans no faster.
RATE_HZ = "100"
FIRST_NOTE = 48


def unchanged(data: bytes) -> bytes:
    return data


def read_at_wrong_baud(data: bytes, sent: float = 500_000, read: float = 115_200) -> bytes:
    """What a UART set to `read` baud makes of bytes sent at `sent` baud, one after another.

    8N1: a start bit of 0, eight bits with the lowest first, a stop bit of 1; the receiver waits
    for a fall and looks at the middle of each of its own bits.
    """
    levels = [bit for byte in data for bit in (0, *(byte >> n & 1 for n in range(8)), 1)]
    made, at = bytearray(), 0.0
    step = sent / read
    while at + 10 * step < len(levels):
        if levels[int(at)]:
            at += 1
            continue
        bits = [levels[int(at + step * (n + 1.5))] for n in range(8)]
        made.append(sum(bit << n for n, bit in enumerate(bits)))
        at += 9.5 * step
    return bytes(made)


class Relay(threading.Thread):
    """Carries the board's bytes to a pty of its own, through `disturb`."""

    def __init__(self, board: Board) -> None:
        super().__init__(daemon=True)
        self._board = board
        self.pty = Pty()
        self.disturb: Callable[[bytes], bytes] = unchanged
        self._ended = threading.Event()

    def run(self) -> None:
        while not self._ended.is_set():
            ready = select.select([self._board.fd, self.pty.fd], [], [], 0.05)[0]
            if self._board.fd in ready and (data := self.disturb(os.read(self._board.fd, 4096))):
                self.pty.write(data)
            if self.pty.fd in ready:
                self._board.write(os.read(self.pty.fd, 4096))

    def end(self) -> None:
        self._ended.set()
        self.join()
        self.pty.close()


class Stage:
    """The bridge between a relayed board and a serial line that is read."""

    def __init__(self, board: Board, relay: Relay, bridge: Bridge, line: Pty) -> None:
        self.board, self.relay, self.bridge, self._line = board, relay, bridge, line
        self._received = b""

    def heard(self) -> list[bytes]:
        while select.select([self._line.fd], [], [], 0)[0]:
            self._received += os.read(self._line.fd, 4096)
        return parse(self._received)

    def press(self, zone: int, reading: int) -> None:
        self.board.order(f"set {zone} {reading}")

    def until_heard(self) -> None:
        """What is pressed when scans begin is taken for something that lies there."""

        def heard() -> bool:
            (board,) = json.loads(self.bridge.ask("status", "--json"))["boards"]
            return bool(board["heard"])

        wait_until(heard, "scans", 20)

    def until_on(self, zone: int, times: int = 1) -> None:
        wait_until(
            lambda: sum(m[0] == 0x90 and m[1] == FIRST_NOTE + zone for m in self.heard()) == times,
            f"note-on {times} of zone {zone}",
            20,
        )

    def until_off(self, zone: int, times: int = 1) -> None:
        wait_until(
            lambda: sum(m[0] == 0x80 and m[1] == FIRST_NOTE + zone for m in self.heard()) == times,
            f"note-off {times} of zone {zone}",
            20,
        )


@pytest.fixture
def staged(emulator: Path, tmp_path: Path) -> Iterator[Callable[[Path, str, int, str], Stage]]:
    with ExitStack() as stack:

        def start(program: Path, wire: str, zones: int, sensor: str) -> Stage:
            board = stack.enter_context(running(emulator, program))
            board.plug_in()
            relay = Relay(board)
            relay.start()
            stack.callback(relay.end)
            line = Pty()
            stack.callback(line.close)
            show = write_show(tmp_path, relay.pty.path, line.path, wire, zones, sensor)
            bridge = stack.enter_context(Bridge(show, tmp_path))
            bridge.until_logged("playing")
            made = Stage(board, relay, bridge, line)
            made.until_heard()
            return made

        yield start


def write_show(folder: Path, board: str, out: str, wire: str, zones: int, sensor: str) -> Path:
    places = "\n".join(
        f"  - {{name: z{zone}, at: [{zone % 8 * 50}, {zone // 8 * 50}]}}" for zone in range(zones)
    )
    (folder / "quay.mat.yaml").write_text(
        f"mat: quay\nboard: {{port: {board}, format: {wire}}}\nsensor: {sensor}\nzones:\n{places}\n"
    )
    plays = "\n".join(f"      z{zone}: {{note: {FIRST_NOTE + zone}}}" for zone in range(zones))
    show = folder / "quay.yaml"
    show.write_text(
        f"performance: quay\nmat: quay.mat.yaml\noutputs: {{line: {{serial: {out}}}}}\n"
        f"presets:\n  all:\n    output: line\n    velocity: {{from: peak}}\n    zones:\n{plays}\n"
    )
    return show


FORCE = "{type: force, bits: 10, fixed_resistor_ohm: 1000}"
LEVEL = "{type: level, bits: 10}"


@pytest.mark.parametrize("wire", ["text", "packed"])
def test_a_pressed_sensor_is_a_note_and_a_lifted_one_its_end(
    staged: Callable[[Path, str, int, str], Stage], built: Built, wire: str
) -> None:
    program = built("mat_board", PACKED=str(int(wire == "packed")), RATE_HZ=RATE_HZ)
    stage = staged(program, wire, 24, FORCE)
    for zone in (0, 7, 8, 23):
        stage.press(zone, 600)
        stage.until_on(zone)
        stage.press(zone, 0)
        stage.until_off(zone)
    stage.bridge.signal(signal.SIGTERM)
    stage.bridge.wait()
    assert len([m for m in stage.heard() if m[0] in (0x80, 0x90)]) == 8


def test_a_reset_ends_what_was_held_and_the_board_plays_again(
    staged: Callable[[Path, str, int, str], Stage], built: Built
) -> None:
    stage = staged(built("mat_board", RATE_HZ=RATE_HZ), "packed", 24, FORCE)
    stage.press(3, 600)
    stage.until_on(3)
    stage.board.order("hang")  # silent until its watchdog bites, half a second later
    stage.until_off(3)
    stage.press(3, 0)
    stage.until_heard()
    stage.press(5, 600)
    stage.until_on(5)


def test_babble_and_a_wrong_baud_sound_nothing_and_are_recovered(
    staged: Callable[[Path, str, int, str], Stage], built: Built
) -> None:
    stage = staged(built("mat_board", RATE_HZ=RATE_HZ), "packed", 24, FORCE)
    stage.press(3, 600)
    stage.until_on(3)
    stage.relay.disturb = read_at_wrong_baud
    stage.until_off(3)  # what cannot be read is as good as silent
    wait_until(lambda: "baud" in stage.bridge.ask("status"), "the advice to look at the baud", 20)
    stage.relay.disturb = lambda data: os.urandom(len(data))
    stage.press(3, 0)
    stage.relay.disturb = unchanged
    stage.until_heard()
    stage.press(4, 600)
    stage.until_on(4)
    assert {m[1] for m in stage.heard() if m[0] == 0x90} == {FIRST_NOTE + 3, FIRST_NOTE + 4}


def test_touch_electrodes_play(
    staged: Callable[[Path, str, int, str], Stage], built: Built
) -> None:
    program = built("touch_board", ZONES="12")
    stage = staged(program, "packed", 12, LEVEL)
    for zone in (0, 11):
        stage.press(zone, 300)
        stage.until_on(zone)
        stage.press(zone, 0)
        stage.until_off(zone)
