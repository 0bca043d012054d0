"""A set that is played through the real process, recorded by command, and heard again."""

from __future__ import annotations

import signal
import subprocess
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import mido
import pytest

from matbridge.board.hello import Hello
from matbridge.board.packed import encode_hello, encode_scan
from matbridge.board.take import Event
from matbridge.board.take_reader import Take
from tests.support.bridge import PROGRAM, Bridge
from tests.support.din import DinPeer
from tests.support.pty_board import PtyBoard

RATE_HZ = 500
ZONES = 4

MAT = """
mat: breakwater
board: {port: BOARD, format: packed}
sensor: {type: level, bits: 10}
zones:
  - {name: a, at: [0, 0]}
  - {name: b, at: [60, 0]}
  - {name: c, at: [120, 0]}
  - {name: d, at: [180, 0]}
"""

SHOW = """
performance: breakwater
mat: breakwater.mat.yaml
outputs: {jack: {serial: JACK}}
defaults: {output: jack, velocity: {from: rise}}
presets:
  calm:
    channel: 1
    pressure: {send: channel pressure}
    zones: {a: 60, b: {note: 62, hold: toggle}, c: {note: 64, hold: {seconds: 0.3}}, d: 65}
  gale:
    channel: 2
    zones: {a: 72, b: {sequence: [74, 75, 76]}, c: {chord: {root: C5, type: major}}, d: 77}
"""


class Hall:
    """A bridge with a board that is not plugged in yet, and somebody at its MIDI jack."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.place = root / "board"
        self.jack = DinPeer(root / "jack", paced=False)
        (root / "breakwater.mat.yaml").write_text(MAT.replace("BOARD", str(self.place)))
        show = root / "breakwater.yaml"
        show.write_text(SHOW.replace("JACK", str(root / "jack")))
        self.bridge = Bridge(show, root)

    def take(self) -> Path:
        (path,) = (self.root / "state" / "matbridge" / "takes").iterdir()
        return path

    def replay(self, *argv: str) -> list[tuple[int, ...]]:
        """Note-ons and note-offs of the take, in order."""
        out = self.root / "again.mid"
        subprocess.run(
            [PROGRAM, "replay", "last", "--midi-file", str(out), *argv],
            env=self.bridge.env, check=True, capture_output=True,
        )  # fmt: skip
        return notes(each.bytes() for each in mido.MidiFile(out) if not each.is_meta)


@pytest.fixture
def hall(tmp_path: Path) -> Iterator[Hall]:
    made = Hall(tmp_path)
    with made.jack, made.bridge:
        made.bridge.until_logged("playing")
        yield made


def notes(messages: Iterable[Sequence[int]]) -> list[tuple[int, ...]]:
    return [tuple(each) for each in messages if each[0] & 0xF0 in (0x80, 0x90)]


def walk(seconds: float) -> list[list[int]]:
    """A second of rest, then a step every 0.2 s on one zone after another, each harder."""
    scans = []
    for number in range(round(seconds * RATE_HZ)):
        row = [20 + (number * 7 + zone * 3) % 3 for zone in range(ZONES)]
        at_s = number / RATE_HZ - 1.0
        if at_s >= 0:
            step, within_s = int(at_s / 0.2), at_s % 0.2
            if within_s < 0.12:
                top = 400 + step * 37 % 500
                row[step % ZONES] = min(top, 20 + round(within_s * RATE_HZ) * (30 + step * 11 % 90))
        scans.append(row)
    return scans


def send(board: PtyBoard, rows: Sequence[Sequence[int]]) -> None:
    """The scans of a board that was just switched on, at their times."""
    hello = Hello(ZONES, 10, RATE_HZ, "packed", "1", "breakwater")
    board.send(b"\0" + encode_hello(hello))
    start_s = time.monotonic()
    for number, row in enumerate(rows):
        wait_s = start_s + number / RATE_HZ - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        board.send(encode_scan(number, round(number * 1e6 / RATE_HZ), row, 10))


def test_what_was_heard_is_heard_again(hall: Hall) -> None:
    """Also what was asked for from outside, and what was held when the board was unplugged."""
    bridge = hall.bridge
    assert bridge.ask("record").strip() == str(hall.take())
    with PtyBoard(hall.place) as board:
        time.sleep(1.2)  # until it is looked for again
        playing = threading.Thread(target=send, args=(board, walk(5.05)))
        playing.start()
        time.sleep(2.5)
        bridge.ask("preset", "gale")
        bridge.ask("transpose", "1")
        playing.join()
    bridge.until_logged("board lost")
    assert bridge.ask("record", "--stop").strip() == str(hall.take())
    assert bridge.ask("record", "--stop").strip() == "no take was being made"
    bridge.signal(signal.SIGTERM)
    bridge.wait()
    hall.jack.unplug()
    heard = notes(hall.jack.messages())
    assert len(heard) > 30
    assert {each[0] for each in heard} == {0x80, 0x81, 0x90, 0x91}
    assert hall.replay() == heard
    take = Take(hall.take())
    names = [each.name for each in take.records() if isinstance(each, Event)]
    assert names[0] == "preset"
    assert [name for name in names if name in ("found", "lost", "act")] == [
        "found", "act", "act", "lost",
    ]  # fmt: skip
    assert take.reason == "stopped"


def test_a_bridge_that_is_killed_leaves_a_take_up_to_its_last_second(hall: Hall) -> None:
    hall.bridge.ask("record")
    with PtyBoard(hall.place) as board:
        time.sleep(1.2)
        send(board, walk(4.0))
        hall.bridge.signal(signal.SIGKILL)
        hall.bridge.wait()
    hall.jack.unplug()
    heard = notes(hall.jack.messages())
    again = hall.replay()
    take = Take(hall.take())
    list(take.records())
    assert take.reason == ""
    assert take.length_s > 3.0
    ons = [each for each in again if each[0] & 0xF0 == 0x90]
    assert ons == [each for each in heard if each[0] & 0xF0 == 0x90][: len(ons)]
    assert len(ons) >= len([each for each in heard if each[0] & 0xF0 == 0x90]) - 8
    assert len(ons) * 2 == len(again)  # what was held at the end has ended
