"""The loop, with real descriptors and the real clock."""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Iterator

import pytest

from matbridge.loop import Loop
from matbridge.service.loop import ServiceLoop
from matbridge.service.signals import Signals


class Rig:
    def __init__(self) -> None:
        self.errors: list[Exception] = []
        self.loop = ServiceLoop(self.errors.append)
        self._watchdog = self.loop.call_at(self.loop.now_s() + 20, self._too_long)

    def _too_long(self) -> None:
        self.errors.append(TimeoutError("the loop was not stopped"))
        self.loop.stop()

    def run(self) -> None:
        """Until the test's own callbacks stop it."""
        self.loop.run()


@pytest.fixture
def rig() -> Rig:
    return Rig()


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    read_fd, write_fd = os.pipe()
    yield read_fd, write_fd
    for fd in (read_fd, write_fd):
        with contextlib.suppress(OSError):
            os.close(fd)


def test_keeps_the_contract(rig: Rig) -> None:
    loop: Loop = rig.loop
    assert loop.now_s() <= loop.now_s()


def test_timers_fire_in_order_of_their_time_and_of_their_making_within_one_time(rig: Rig) -> None:
    now_s, seen = rig.loop.now_s(), []
    for name, delay_s in (("c", 0.002), ("a", 0.0), ("b", 0.0), ("d", 0.003)):
        rig.loop.call_at(now_s + delay_s, lambda name=name: seen.append(name))  # type: ignore[misc]
    rig.loop.call_at(now_s + 0.004, rig.loop.stop)
    rig.run()
    assert seen == ["a", "b", "c", "d"]


def test_a_timer_never_fires_early(rig: Rig) -> None:
    late_s: list[float] = []

    def arm(count: int) -> None:
        if count == 0:
            rig.loop.stop()
            return
        due_s = rig.loop.now_s() + 0.0003

        def fire() -> None:
            late_s.append(rig.loop.now_s() - due_s)
            arm(count - 1)

        rig.loop.call_at(due_s, fire)

    arm(50)
    rig.run()
    assert len(late_s) == 50
    assert min(late_s) >= 0


def test_a_cancelled_timer_is_not_called_even_by_one_of_the_same_moment(rig: Rig) -> None:
    now_s, seen = rig.loop.now_s(), []
    second = None

    def first() -> None:
        seen.append("first")
        assert second is not None
        second.cancel()
        second.cancel()

    rig.loop.call_at(now_s, first)
    second = rig.loop.call_at(now_s, lambda: seen.append("second"))
    rig.loop.call_at(now_s + 0.001, rig.loop.stop)
    rig.run()
    assert seen == ["first"]
    assert rig.loop.pending == 1  # the rig's own


def test_cancelling_many_timers_keeps_none_of_them(rig: Rig) -> None:
    for _ in range(10_000):
        rig.loop.call_at(rig.loop.now_s() + 1e6, rig.loop.stop).cancel()
    assert rig.loop.pending == 1
    assert len(rig.loop._timers) < 200  # the point of the sweep: memory


def test_a_timer_that_rearms_itself_at_once_starves_nobody(rig: Rig, pipe: tuple[int, int]) -> None:
    turns = 0

    def again() -> None:
        nonlocal turns
        turns += 1
        if turns == 3:
            os.write(pipe[1], b"x")
        rig.loop.call_at(rig.loop.now_s() - 1, again)

    rig.loop.add_reader(pipe[0], rig.loop.stop)
    again()
    rig.run()
    assert not rig.errors
    assert turns < 100


def test_every_ready_descriptor_is_served_once_a_turn(rig: Rig) -> None:
    pipes = [os.pipe() for _ in range(3)]
    seen: list[int] = []

    def serve(index: int) -> None:
        seen.append(index)  # and leaves its byte unread: it stays ready
        if len(seen) == 9:
            rig.loop.stop()

    try:
        for index, (read_fd, write_fd) in enumerate(pipes):
            os.write(write_fd, b"x")
            rig.loop.add_reader(read_fd, lambda index=index: serve(index))  # type: ignore[misc]
        rig.run()
    finally:
        for ends in pipes:
            for fd in ends:
                os.close(fd)
    assert [sorted(seen[at : at + 3]) for at in (0, 3, 6)] == [[0, 1, 2]] * 3


def test_a_reader_removed_by_another_in_the_same_turn_is_not_called(rig: Rig) -> None:
    one, two = os.pipe(), os.pipe()
    seen: list[str] = []

    def take(name: str, other: int) -> None:
        seen.append(name)
        rig.loop.remove_reader(other)
        rig.loop.remove_reader(other)
        rig.loop.stop()

    try:
        os.write(one[1], b"x")
        os.write(two[1], b"x")
        rig.loop.add_reader(one[0], lambda: take("one", two[0]))
        rig.loop.add_reader(two[0], lambda: take("two", one[0]))
        rig.run()
    finally:
        for fd in (*one, *two):
            os.close(fd)
    assert len(seen) == 1


def test_a_writer_is_called_when_there_is_room(rig: Rig, pipe: tuple[int, int]) -> None:
    os.set_blocking(pipe[1], False)
    written = 0
    try:
        while True:
            written += os.write(pipe[1], b"x" * 4096)
    except BlockingIOError:
        pass
    room: list[int] = []

    def ready() -> None:
        room.append(os.write(pipe[1], b"y"))
        rig.loop.remove_writer(pipe[1])
        rig.loop.stop()

    rig.loop.add_writer(pipe[1], ready)

    def drain() -> None:
        os.read(pipe[0], written)

    rig.loop.call_at(rig.loop.now_s() + 0.01, drain)
    rig.run()
    assert room == [1]
    assert not rig.errors


def test_a_callback_that_raises_is_reported_and_the_others_go_on(
    rig: Rig, pipe: tuple[int, int]
) -> None:
    def fail() -> None:
        os.read(pipe[0], 1)
        raise RuntimeError("a mistake")

    def fail_too() -> None:
        raise ZeroDivisionError

    os.write(pipe[1], b"x")
    rig.loop.add_reader(pipe[0], fail)
    rig.loop.call_at(rig.loop.now_s(), fail_too)
    rig.loop.call_at(rig.loop.now_s() + 0.01, rig.loop.stop)
    rig.run()
    assert sorted(type(error).__name__ for error in rig.errors) == [
        "RuntimeError",
        "ZeroDivisionError",
    ]


def test_a_descriptor_closed_behind_its_back_is_dropped_and_reported_once(
    rig: Rig, pipe: tuple[int, int]
) -> None:
    rig.loop.add_reader(pipe[0], lambda: None)
    os.close(pipe[0])
    rig.loop.call_at(rig.loop.now_s() + 0.01, rig.loop.stop)
    rig.run()
    assert len(rig.errors) == 1
    assert isinstance(rig.errors[0], OSError)


def test_a_descriptor_that_select_cannot_watch_is_refused(rig: Rig) -> None:
    with pytest.raises(ValueError, match="1024"):
        rig.loop.add_reader(1024, rig.loop.stop)


def test_signals_arrive_in_the_loop_and_the_old_handlers_come_back(rig: Rig) -> None:
    before = signal.getsignal(signal.SIGUSR1), signal.getsignal(signal.SIGUSR2)
    seen: list[str] = []

    def second() -> None:
        seen.append("two")
        rig.loop.stop()

    signals = Signals(
        rig.loop, {signal.SIGUSR1: lambda: seen.append("one"), signal.SIGUSR2: second}
    )
    try:
        os.kill(os.getpid(), signal.SIGUSR1)
        os.kill(os.getpid(), signal.SIGUSR1)
        assert seen == []  # the handler itself does nothing
        rig.loop.call_at(rig.loop.now_s() + 0.005, lambda: os.kill(os.getpid(), signal.SIGUSR2))
        rig.run()
    finally:
        signals.close()
        signals.close()
    assert seen == ["one", "two"]
    assert (signal.getsignal(signal.SIGUSR1), signal.getsignal(signal.SIGUSR2)) == before
    assert signal.set_wakeup_fd(-1) == -1


def test_a_flood_of_signals_blocks_nothing(rig: Rig) -> None:
    seen: list[int] = []
    signals = Signals(rig.loop, {signal.SIGUSR1: lambda: seen.append(1)})
    try:
        for _ in range(70_000):  # a pipe holds 65 536
            os.kill(os.getpid(), signal.SIGUSR1)
        rig.loop.call_at(rig.loop.now_s() + 0.05, rig.loop.stop)
        rig.run()
    finally:
        signals.close()
    assert 1 <= len(seen) <= 70_000
    assert not rig.errors
