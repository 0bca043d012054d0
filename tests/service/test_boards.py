"""From the plan of a board to its link, its decoder and its detector."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace

import pytest

from matbridge.board.packed import PackedDecoder
from matbridge.board.reader_link import ReaderLink
from matbridge.board.readers import __main__ as reader
from matbridge.board.serial_link import SerialLink
from matbridge.board.simulated import SimulatedLink
from matbridge.board.text import TextDecoder
from matbridge.mapping.plan import BoardPlan, MatPlan, ZonePlace
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.service.boards import (
    LOOK_S,
    SILENCE_S,
    SILENT,
    Board,
    make_decoder,
    make_detector,
    make_link,
)
from tests.service.stage import FakeLink
from tests.support.loop import ManualLoop

BOARD = BoardPlan("/dev/mat", 115200, "text", 3, (2, -1, 0), (("dtr", False), ("rts", True)))
MAT = MatPlan(
    "quay",
    (ZonePlace("a", 0, 0), ZonePlace("b", 10, 0), ZonePlace("c", 20, 0)),
    (BOARD,),
    SensorSpec(SensorType.LEVEL, 10, 1000.0),
    SensingSettings(),
)


@pytest.mark.parametrize(
    ("plan", "kind"),
    [
        (BOARD, SerialLink),
        (replace(BOARD, port="usb:2e8a:0005"), SerialLink),
        (replace(BOARD, port="simulated", options=()), SimulatedLink),
        (replace(BOARD, port="midi", options=(("pattern", "pads"),)), ReaderLink),
        (replace(BOARD, port="spi", options=(("at", ("/dev/spidev0.0",)),)), ReaderLink),
    ],
)
def test_every_way_in_has_its_link(plan: BoardPlan, kind: type) -> None:
    assert isinstance(make_link(plan, MAT), kind)


@pytest.mark.parametrize(
    ("port", "options", "expected"),
    [
        (
            "spi",
            (("rate_hz", 500), ("at", ("/dev/spidev0.0", "/dev/spidev0.1")), ("clock_hz", 1000000)),
            {"rate_hz": 500, "at": ["/dev/spidev0.0", "/dev/spidev0.1"], "clock_hz": 1000000},
        ),
        ("iio", (("rate_hz", 200), ("at", ("/sys/x",))), {"rate_hz": 200, "at": ["/sys/x"]}),
        (
            "i2c",
            (("rate_hz", 100), ("at", ("0x5a",)), ("bus", 1), ("pressure", True)),
            {"bus": 1, "pressure": True},
        ),
        (
            "i2c",
            (("rate_hz", 100), ("at", ("0x5a",)), ("bus", 2), ("pressure", False)),
            {"bus": 2, "pressure": False},
        ),
    ],
)
def test_a_readers_own_command_line_takes_its_options(
    port: str,
    options: tuple[tuple[str, object], ...],
    expected: dict[str, object],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    given: list[str] = []

    def note(_: ReaderLink, kind: str, arguments: Sequence[str]) -> None:
        given.extend((kind, *arguments))

    monkeypatch.setattr(ReaderLink, "__init__", note)
    make_link(replace(BOARD, port=port, options=options), MAT)
    read: dict[str, object] = {}

    def source(options: argparse.Namespace) -> None:
        read.update(vars(options))
        raise ValueError("no pins here")

    monkeypatch.setattr(reader, "_source", source)
    assert reader.main(given) == 1
    assert read["channels"] == 3
    assert {name: read[name] for name in expected} == expected


def test_a_midi_boards_listener_takes_its_options(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[str] = []

    def note(_: ReaderLink, kind: str, arguments: Sequence[str], module: str) -> None:
        given.extend((module, kind, *arguments))

    monkeypatch.setattr(ReaderLink, "__init__", note)
    options = (
        ("pattern", "-pads"), ("driver", "jack"), ("channel", 10), ("notes", (36, 38)),
        ("controls", (64,)),
    )  # fmt: skip
    make_link(replace(BOARD, port="midi", options=options), MAT)
    assert given == [
        "matbridge.midi.listening", "board", "--port=-pads", "--driver=jack", "--midi-channel=10",
        "--note=36", "--note=38", "--control=64",
    ]  # fmt: skip


def test_the_format_chooses_the_decoder() -> None:
    assert isinstance(make_decoder(BOARD, MAT), TextDecoder)
    assert isinstance(make_decoder(replace(BOARD, format="packed"), MAT), PackedDecoder)


def test_a_detector_knows_the_zones_of_its_board() -> None:
    detector = make_detector(BOARD, MAT, None)
    detector.scan(1.0, [1, 2, 3])
    assert sorted((view.zone, view.channel) for view in detector.view()) == [(0, 2), (2, 0)]


def test_a_simulated_board_of_several_plays_its_own_zones() -> None:
    board = replace(BOARD, port="simulated", options=())
    loop = ManualLoop()
    link = make_link(board, MAT, seconds=1.0)
    decoder = make_decoder(board, MAT)
    scans: list[Sequence[int]] = []
    link.on_found = decoder.reset
    link.on_data = lambda data, now_s: scans.extend(
        scan.readings for scan in decoder.feed(data, now_s)
    )
    link.on_lost = lambda: None
    link.open(loop)
    loop.advance(0.5)
    assert len(scans) > 100
    assert {len(readings) for readings in scans} == {3}
    link.close()


class Ears:
    """A board and what it reports."""

    def __init__(self) -> None:
        self.loop = ManualLoop()
        self.link = FakeLink(BOARD)
        self.board = Board(BOARD, self.link, make_decoder(BOARD, MAT), is_open=False)
        self.changes: list[tuple[bool, str]] = []
        self.found = 0
        self.board.open(self.loop, self._take, self._found, self._change)

    def _take(self, data: bytes, now_s: float) -> None:
        self.board.decoder.feed(data, now_s)

    def _found(self) -> None:
        self.found += 1

    def _change(self, reason: str) -> None:
        self.changes.append((self.board.heard, reason))

    def scan(self, seconds: float, line: bytes = b"1,2,3\n") -> None:
        for _ in range(round(seconds * 100)):
            self.loop.advance(0.01)
            self.link.on_data(line, self.loop.now_s())


def test_a_board_is_heard_from_its_first_scans_until_it_is_silent_or_lost() -> None:
    ears = Ears()
    assert ears.board.trouble() == "not there"
    ears.link.plug()
    assert ears.found == 1
    ears.scan(0.2)
    assert ears.changes == [(True, "")]
    assert ears.board.trouble() == ""
    ears.loop.advance(SILENCE_S + 3 * LOOK_S)
    assert ears.changes[1:] == [(False, SILENT)]
    ears.scan(0.2)
    ears.link.unplug()
    assert ears.changes[2:] == [(True, ""), (False, "not there")]
    assert ears.loop.pending == 0
    ears.board.close()
    ears.board.close()


def test_a_lost_board_that_was_never_heard_is_no_change() -> None:
    ears = Ears()
    ears.link.plug()
    ears.link.unplug()
    assert ears.changes == []
    assert ears.loop.pending == 0


def test_a_board_that_is_back_is_not_heard_before_it_has_sent_a_scan() -> None:
    ears = Ears()
    ears.link.plug()
    ears.scan(0.2)
    ears.scan(0.01)  # one more, and nobody looked since
    ears.link.unplug()
    ears.link.plug()
    ears.loop.advance(0.1)
    assert ears.changes == [(True, ""), (False, "not there")]
    assert ears.board.trouble() == "it sends nothing"
    ears.scan(0.1)
    assert ears.changes[2:] == [(True, "")]


def test_what_troubles_a_board_is_told_apart() -> None:
    ears = Ears()
    ears.link.plug()
    ears.loop.advance(1.0)
    assert ears.board.trouble() == "it sends nothing"
    ears.scan(0.2)
    ears.loop.advance(1.0)
    ears.scan(1.0, b"x,y,z\n")
    assert "no scan of format text" in ears.board.trouble()
    for line, words in (
        (b"1,2,3,4\n", "its scans have 4 readings, and the mat file says 3; 'matbridge doctor'"),
        (b"1,2\n", "its scans have 2 readings, and the mat file says 3; 'matbridge doctor'"),
        (b"1,2,4095\n", "its readings go to 12 bits, and the mat file says another number"),
    ):
        ears.scan(0.1, line)
        assert words in ears.board.trouble()


def test_another_board_takes_an_open_link_over() -> None:
    ears = Ears()
    ears.link.plug()
    ears.scan(0.2)
    heir = Board(BOARD, ears.board.leave(), make_decoder(BOARD, MAT), is_open=True)
    heard: list[str] = []
    found: list[int] = []

    def take(data: bytes, now_s: float) -> None:
        heir.decoder.feed(data, now_s)

    heir.open(ears.loop, take, lambda: found.append(1), heard.append)
    assert (found, ears.link.opened) == ([1], 1)
    ears.scan(0.2)
    assert heard == [""]
    assert len(ears.changes) == 1


def test_the_rate_is_that_of_the_time_between_two_looks() -> None:
    ears = Ears()
    ears.link.plug()
    ears.board.measure(ears.loop.now_s())
    assert ears.board.rate_hz is None
    ears.scan(2.0)
    ears.board.measure(ears.loop.now_s())
    assert ears.board.rate_hz == pytest.approx(100, rel=0.02)
