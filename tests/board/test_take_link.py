"""A take played as if its board were there."""

from __future__ import annotations

from pathlib import Path

import pytest

from matbridge.board.take import TakeHeader
from matbridge.board.take_link import TakeLink
from matbridge.board.take_reader import Take
from matbridge.board.take_writer import TakeWriter
from tests.support.loop import ManualLoop
from tests.support.takes import HEADER, PACKED_BOARD, TEXT_BOARD, write_take

CHUNKS = [(number / 100, number % 2, b"%d" % number) for number in range(300)]


class Heard:
    def __init__(self, link: TakeLink, loop: ManualLoop) -> None:
        self.loop = loop
        self.events: list[tuple[float, str | bytes]] = []
        self.late_s: list[float] = []
        link.on_data = self.take
        link.on_found = lambda: self.events.append((self.at_s(), "found"))
        link.on_lost = lambda: self.events.append((self.at_s(), "lost"))
        link.on_end = lambda: self.events.append((self.at_s(), "end"))

    def at_s(self) -> float:
        return round(self.loop.now_s() - 1000.0, 6)

    def take(self, data: bytes, now_s: float) -> None:
        self.events.append((round(now_s - 1000.0, 6), data))
        self.late_s.append(self.loop.now_s() - now_s)


@pytest.fixture
def loop() -> ManualLoop:
    return ManualLoop(1000.0)


@pytest.mark.parametrize("board", [0, 1])
def test_each_chunk_comes_at_its_time_and_says_so(
    loop: ManualLoop, tmp_path: Path, board: int
) -> None:
    link = TakeLink(Take(write_take(tmp_path / "a.take", CHUNKS)), board)
    heard = Heard(link, loop)
    link.open(loop)
    loop.advance(10)
    mine = [(time_s, data) for time_s, number, data in CHUNKS if number == board]
    assert heard.events == [(0.0, "found"), *mine, (2.99, "lost"), (2.99, "end")]
    assert max(map(abs, heard.late_s)) < 1e-9
    assert loop.pending == 0


def test_a_loop_that_comes_late_makes_no_chunk_late_for_good(
    loop: ManualLoop, tmp_path: Path
) -> None:
    """The loop wakes every 70 ms; every chunk is still said to be read at its own time."""
    link = TakeLink(Take(write_take(tmp_path / "a.take", CHUNKS)))
    heard = Heard(link, loop)
    link.open(loop)
    for _ in range(50):
        loop._now_s += 0.07
        loop.advance(0)
    assert [each for each in heard.events if isinstance(each[1], bytes)] == [
        (time_s, data) for time_s, number, data in CHUNKS if number == 0
    ]
    assert min(heard.late_s) >= 0
    assert max(heard.late_s) < 0.0701


def test_a_board_comes_and_goes_as_it_did(loop: ManualLoop, tmp_path: Path) -> None:
    recording = ManualLoop(0.0)
    writer = TakeWriter(tmp_path / "a.take", HEADER, recording)
    events: tuple[tuple[str, dict[str, object]], ...] = (
        ("lost", {"board": 1}),  # another one's
        ("lost", {"board": 0, "reason": "unplugged"}),
        ("found", {"board": 0}),
        ("silent", {"board": 0}),  # whoever hears it finds that out
        ("found", {"board": 0}),  # opened anew, though nobody saw it go
        ("preset", {"name": "low tide"}),
        ("lost", {"board": "0"}),
        ("lost", {}),
    )
    for name, facts in events:
        recording.advance(1)
        writer.event(name, recording.now_s(), **facts)
    writer.close("stopped")
    link = TakeLink(Take(tmp_path / "a.take"))
    heard = Heard(link, loop)
    link.open(loop)
    loop.advance(2.5)
    assert link.status() == {
        "port": TEXT_BOARD.port, "found": False, "take": str(tmp_path / "a.take"),
        "played_s": 3.0, "why": "unplugged",
    }  # fmt: skip
    loop.advance(10)
    assert heard.events == [
        (0.0, "found"), (2.0, "lost"), (3.0, "found"), (5.0, "lost"), (5.0, "found"),
        (8.0, "lost"), (8.0, "end"),
    ]  # fmt: skip
    assert link.status()["why"] == "the take is over"


def test_a_damaged_part_lets_go_what_was_touched(loop: ManualLoop, tmp_path: Path) -> None:
    path = write_take(tmp_path / "a.take", CHUNKS)
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    link = TakeLink(Take(path))
    heard = Heard(link, loop)
    link.open(loop)
    loop.advance(10)
    kinds = [what for _, what in heard.events if isinstance(what, str)]
    assert kinds == ["found", "lost", "found", "lost", "end"]


def test_it_begins_again_each_time_it_is_opened(loop: ManualLoop, tmp_path: Path) -> None:
    link = TakeLink(Take(write_take(tmp_path / "a.take", CHUNKS)))
    heard = Heard(link, loop)
    link.open(loop)
    loop.advance(0.5)
    link.close()
    link.close()
    assert link.status()["why"] == "not open"
    loop.advance(5)
    before = len(heard.events)
    link.open(loop)
    loop.advance(10)
    again = [what for _, what in heard.events[before:]]
    assert again[:3] == ["found", b"0", b"2"]
    assert again[-2:] == ["lost", "end"]
    link.write(b"?")


def test_it_may_be_closed_by_whoever_takes_the_data(loop: ManualLoop, tmp_path: Path) -> None:
    link = TakeLink(Take(write_take(tmp_path / "a.take", CHUNKS)))
    heard = Heard(link, loop)
    link.on_data = lambda data, now_s: link.close()
    link.open(loop)
    loop.advance(10)
    assert [what for _, what in heard.events] == ["found"]
    assert loop.pending == 0


def test_a_board_that_is_not_in_the_take_is_refused(tmp_path: Path) -> None:
    path = write_take(tmp_path / "a.take", [], TakeHeader("", (PACKED_BOARD,)))
    with pytest.raises(IndexError):
        TakeLink(Take(path), 1)
