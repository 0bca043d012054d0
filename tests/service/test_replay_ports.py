"""A replay to ports, in real time."""

from __future__ import annotations

import pytest

from matbridge.board.take_reader import Take
from matbridge.midi.memory_port import MemoryPort
from matbridge.service import outlets
from matbridge.service.log import Format, Log
from matbridge.service.replay_ports import PortReplay
from matbridge.service.replaying import Replay, show_of
from tests.support.loop import ManualLoop
from tests.support.takes import simulated_take

SECONDS = 12.0


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Take:
    return Take(simulated_take(tmp_path_factory.mktemp("takes") / "a.take", seconds=SECONDS))


class Hall:
    """A replay under test, with the port that it plays to."""

    def __init__(self, take: Take, speed: float) -> None:
        self.loop = ManualLoop(1000.0)
        self.log = Log(lambda line: None, Format.TEXT)
        show = show_of(take)
        self.player = PortReplay(
            self.loop, self.log, Replay(take, show, None), show.performance, speed
        )
        self.ended: list[float] = []
        self.player.on_end = lambda: self.ended.append(self.loop.now_s() - 1000.0)

    @property
    def port(self) -> MemoryPort:
        port = self.player._outlets.outputs[0]
        assert isinstance(port, MemoryPort)
        return port

    def sounding(self) -> set[bytes]:
        keys: set[bytes] = set()
        for message in self.port.messages:
            key = bytes((message[0] & 0x0F, message[1]))
            if message[0] & 0xF0 == 0x90:
                keys.add(key)
            elif message[0] & 0xF0 == 0x80:
                keys.discard(key)
        return keys


@pytest.fixture(autouse=True)
def memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        outlets, "make_output", lambda name, kind, target, options: MemoryPort(name, target)
    )


@pytest.mark.parametrize("speed", [1.0, 2.0, 0.5])
def test_every_message_goes_out_at_its_time_over_the_speed(take: Take, speed: float) -> None:
    hall = Hall(take, speed)
    hall.player.open()
    hall.loop.advance(SECONDS / speed + 1)
    expected = [
        (1000.0 + time_s / speed, message)
        for time_s, sent in Replay(take, show_of(take), None).steps()
        for _, message in sent
    ]
    assert [each for _, each in hall.port.sent] == [each for _, each in expected]
    for (at_s, _), (due_s, _) in zip(hall.port.sent, expected, strict=True):
        assert at_s == pytest.approx(due_s, abs=1e-6)
    assert hall.ended == [pytest.approx(SECONDS / speed)]
    assert hall.player.time_s == SECONDS
    assert hall.player.notes == sum(each[0] & 0xF0 == 0x90 for each in hall.port.messages) > 8
    assert hall.port.marks[0][1] == "low tide"
    hall.player.close()


def test_a_loop_that_comes_late_makes_nothing_late_for_good(take: Take) -> None:
    hall = Hall(take, 1.0)
    hall.player.open()
    for _ in range(int(SECONDS / 0.07) + 3):
        hall.loop._now_s += 0.07
        hall.loop.advance(0)
    expected = [
        1000.0 + time_s for time_s, sent in Replay(take, show_of(take), None).steps() for _ in sent
    ]
    for (at_s, _), due_s in zip(hall.port.sent, expected, strict=True):
        assert -1e-6 <= at_s - due_s < 0.0701


def test_left_early_it_ends_every_note(take: Take) -> None:
    hall = Hall(take, 1.0)
    hall.player.open()
    while not hall.sounding():
        hall.loop.advance(0.01)
    port = hall.port
    hall.player.close()
    hall.player.close()
    assert hall.sounding() == set()
    assert not port.up
    hall.loop.advance(30)
    assert hall.ended == []
    assert hall.loop.pending == 0


def test_left_just_before_a_note_off_it_goes_out_all_the_same(take: Take) -> None:
    """The step that waits for its second is reckoned with already: its note-off is owed."""
    hall = Hall(take, 1.0)
    hall.player.open()

    def ends_a_note() -> bool:
        step = hall.player._next
        return step is not None and any(each[0] & 0xF0 == 0x80 for _, each in step.sent)

    while not ends_a_note():
        hall.loop.advance(0.0001)
    assert hall.sounding()
    hall.player.close()
    assert hall.sounding() == set()


def test_an_output_that_was_away_gets_what_it_is_owed(take: Take) -> None:
    hall = Hall(take, 1.0)
    hall.player.open()
    while not hall.sounding():
        hall.loop.advance(0.01)
    held = hall.sounding()
    hall.port.lose()
    hall.loop.advance(3)
    before = len(hall.port.sent)
    hall.port.find()
    back = [bytes((each[0] & 0x0F, each[1])) for each in hall.port.messages[before:]
            if each[0] & 0xF0 == 0x80]  # fmt: skip
    assert held <= set(back)
    hall.loop.advance(SECONDS)
    assert hall.sounding() == set()
