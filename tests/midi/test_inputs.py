"""MIDI coming in through a real JACK server; a process of its own plays the controller."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import pytest

from matbridge.board.packed import PackedDecoder
from matbridge.board.reader_link import ReaderLink
from matbridge.midi import messages as midi
from matbridge.midi.inputs import Input
from matbridge.midi.midi_board import MidiBoard
from tests.support.jack import JackServer, wait_until
from tests.support.loop import ManualLoop

CONTROLLER = """
import sys, time, rtmidi
out = rtmidi.MidiOut(rtapi=rtmidi.API_UNIX_JACK, name="pads")
out.open_virtual_port("pads")
for line in sys.stdin:
    out.send_message(bytes.fromhex(line))
out.delete()
"""


class Controller:
    """A controller with a port "pads"."""

    def __init__(self, server: JackServer) -> None:
        self._server = server
        self._process: subprocess.Popen[str] | None = None

    def plug(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", CONTROLLER],
            stdin=subprocess.PIPE,
            text=True,
            env={**os.environ, **self._server.env},
        )
        wait_until(lambda: any("pads:" in port for port in self._server.ports()), "the controller")

    def send(self, message: bytes) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        self._process.stdin.write(message.hex() + "\n")
        self._process.stdin.flush()

    def pull(self) -> None:
        if self._process is not None:
            assert self._process.stdin is not None
            self._process.stdin.close()
            self._process.wait(10)
            self._process = None


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[JackServer]:
    with JackServer() as running:
        for name, value in running.env.items():
            monkeypatch.setenv(name, value)
        yield running


@pytest.fixture
def controller(server: JackServer) -> Iterator[Controller]:
    made = Controller(server)
    yield made
    made.pull()


def turn_until(loop: ManualLoop, met: Callable[[], bool], what: str) -> None:
    end_s = time.monotonic() + 30
    while not met():
        assert time.monotonic() < end_s, f"waited in vain for {what}"
        loop.poll(0.02)
        loop.advance(0.02)


def ask_until(
    loop: ManualLoop, controller: Controller, probe: bytes, met: Callable[[], bool]
) -> None:
    """Send `probe` again and again: JACK takes up a connection later than it says."""

    def asked() -> bool:
        controller.send(probe)
        return met()

    turn_until(loop, asked, "the connection")


def test_messages_arrive_whole_and_the_port_may_come_and_go(controller: Controller) -> None:
    loop, heard = ManualLoop(), list[bytes]()
    states = list[bool]()
    port = Input("pads*", "jack")
    port.on_message = lambda message, now_s: heard.append(message)
    port.on_change = states.append
    port.open(loop)
    try:
        turn_until(loop, lambda: "pads*" in str(port.status().get("why")), "the reason")
        controller.plug()
        for _ in range(2):
            turn_until(loop, lambda: bool(states) and states[-1], "the port")
            ask_until(loop, controller, midi.control_change(16, 3, 1), lambda: bool(heard))
            sent = [midi.program_change(1, 5), midi.control_change(2, 20, 64), midi.CLOCK]
            for message in sent:
                controller.send(message)
            turn_until(loop, lambda: heard[-3:] == sent, "the messages")  # noqa: B023
            controller.pull()
            turn_until(loop, lambda: not states[-1], "the loss")
            heard.clear()
            controller.plug()
    finally:
        port.close()
    assert states[:4] == [True, False, True, False]
    assert loop.pending == 0


def test_a_controller_is_a_board(controller: Controller) -> None:
    loop, decoder = ManualLoop(), PackedDecoder(4, 8)
    seen: list[list[int]] = []
    arguments = ["--port", "pads*", "--driver", "jack", "--note", "36", "--note", "38"]
    link = ReaderLink(
        "board", [*arguments, "--control", "20", "--control", "21"], "matbridge.midi.listening"
    )
    link.on_found = link.on_lost = lambda: None
    link.on_data = lambda data, now_s: seen.extend(
        list(scan.readings) for scan in decoder.feed(data, now_s)
    )
    controller.plug()
    link.open(loop)
    try:
        turn_until(loop, lambda: bool(seen), "idle scans")
        assert seen[0] == [0, 0, 0, 0]
        ask_until(loop, controller, midi.control_change(1, 21, 1), lambda: seen[-1][3] == 1)
        for message, readings in (
            (midi.note_on(1, 36, 90), [90, 0, 0, 1]),
            (midi.poly_pressure(1, 36, 40), [40, 0, 0, 1]),
            (midi.control_change(1, 20, 127), [40, 0, 127, 1]),
            (midi.note_off(1, 36), [0, 0, 127, 1]),
        ):
            controller.send(message)
            turn_until(loop, lambda: seen[-1] == readings, str(readings))  # noqa: B023
    finally:
        link.close()


@pytest.mark.parametrize(
    ("messages", "readings"),
    [
        ([midi.note_on(3, 38, 7)], [0, 7, 0]),
        ([midi.note_on(3, 38, 7), b"\x92\x26\x00"], [0, 0, 0]),
        ([midi.note_on(3, 60, 7)], [0, 0, 0]),
        ([midi.note_on(4, 38, 7)], [0, 0, 0]),
        ([midi.poly_pressure(3, 38, 9)], [0, 0, 0]),
        ([midi.note_on(3, 38, 7), midi.poly_pressure(3, 38, 0)], [0, 1, 0]),
        ([midi.note_on(3, 36, 9), midi.channel_pressure(3, 50)], [50, 0, 0]),
        ([midi.control_change(3, 1, 77), midi.CLOCK], [0, 0, 77]),
    ],
)
def test_what_a_message_means(messages: list[bytes], readings: list[int]) -> None:
    source, sink = os.pipe()
    board = MidiBoard(sink, [36, 38], [1], 3)
    for message in messages:
        board.change(message)
    assert board.readings == readings
    os.close(source)
    os.close(sink)


def test_a_scan_for_every_change_and_now_and_then_one_for_none() -> None:
    source, sink = os.pipe()
    board = MidiBoard(sink, [36], [], 0)
    board.announce()
    decoder = PackedDecoder(1, 8)
    board.take([midi.note_on(1, 36, 5), midi.note_off(1, 36), midi.note_on(1, 36, 6)], 10.0)
    for tick in range(100):
        board.take([], 10.0 + tick / 1000)
    scans = decoder.feed(os.read(source, 65536), 100.0)
    assert [scan.readings[0] for scan in scans[:3]] == [5, 0, 6]
    assert 5 <= len(scans) <= 8
    os.close(source)
    os.close(sink)
