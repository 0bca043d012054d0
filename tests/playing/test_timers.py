from __future__ import annotations

from math import inf

import pytest

from matbridge.playing import timers as timers_module
from matbridge.playing.ledger import Sent
from matbridge.playing.tempo import Tempo
from matbridge.playing.timers import Timers


class Bell:
    """Notes when it is rung, and as what."""

    def __init__(self) -> None:
        self.rung: list[tuple[str, float]] = []

    def named(self, name: str) -> timers_module.Fire:
        def fire(due_s: float, out: list[Sent]) -> None:
            self.rung.append((name, round(due_s, 9)))

        return fire


def test_calls_come_in_the_order_of_their_seconds_then_of_their_making() -> None:
    timers, bell = Timers(Tempo(120.0)), Bell()
    assert timers.due_s == inf
    timers.at(3.0, bell.named("c"))
    timers.at(1.0, bell.named("a"))
    timers.at_beat(4.0, bell.named("beat 4"))  # half a second a beat: 2.0
    timers.at(2.0, bell.named("b"))
    assert (len(timers), timers.due_s) == (4, 1.0)
    timers.run(2.5, [])
    assert bell.rung == [("a", 1.0), ("beat 4", 2.0), ("b", 2.0)]
    assert (len(timers), timers.due_s) == (1, 3.0)
    timers.run(3.0, [])
    assert bell.rung[3:] == [("c", 3.0)]
    assert timers.due_s == inf


def test_a_cancelled_call_does_not_come() -> None:
    timers, bell = Timers(Tempo(120.0)), Bell()
    timer = timers.at(1.0, bell.named("a"))
    timers.cancel(timer)
    timers.cancel(timer)
    timers.cancel(None)
    assert (len(timers), timers.due_s) == (0, inf)
    timers.run(9.0, [])
    assert bell.rung == []


def test_beats_follow_the_tempo() -> None:
    tempo = Tempo(120.0)
    timers, bell = Timers(tempo), Bell()
    timers.at_beat(4.0, bell.named("beat 4"))
    tempo.set(60.0, 1.0)  # two of the four beats are over
    timers.refresh()
    assert timers.due_s == pytest.approx(3.0)


def test_forgotten_calls_take_no_room() -> None:
    timers, bell = Timers(Tempo(120.0)), Bell()
    for number in range(40):
        timers.at(2000.0 - number, bell.named(str(number)))
    for _ in range(10_000):
        timers.cancel(timers.at(1000.0, bell.named("no")))
        timers.cancel(timers.at_beat(1000.0, bell.named("no")))
    assert len(timers._seconds) + len(timers._beats) <= 2 * 40 + timers_module.SWEEP_ABOVE + 2
    timers.run(3000.0, [])
    assert [name for name, _ in bell.rung] == [str(number) for number in reversed(range(40))]


def test_over_the_limit_the_first_ones_come_early(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timers_module, "TIMER_LIMIT", 3)
    timers, bell = Timers(Tempo(120.0)), Bell()
    for number in range(5):
        timers.at(100.0 - number, bell.named(str(number)))
    assert timers.due_s == -inf
    timers.run(1.0, [])
    assert bell.rung == [("4", 1.0), ("3", 1.0)]
    assert (len(timers), timers.due_s) == (3, 98.0)


def test_what_comes_again_keeps_to_its_row() -> None:
    timers = Timers(Tempo(120.0))
    came: list[float] = []

    def fire(due_s: float, out: list[Sent]) -> None:
        came.append(round(due_s, 6))
        timers.again(due_s, 0.1, fire)

    timers.at(10.0, fire)
    timers.run(10.25, [])  # late, but not by a stall: nothing is left out
    assert came == [10.0, 10.1, 10.2]
    timers.run(110.01, [])  # a stall: what was missed long ago is
    assert came[3:] == [10.3, 109.8, 109.9, 110.0]


def test_what_comes_again_at_beats_keeps_to_its_row() -> None:
    tempo = Tempo(120.0)
    timers = Timers(tempo)
    came: list[float] = []
    due = 0.0

    def fire(due_s: float, out: list[Sent]) -> None:
        nonlocal due
        came.append(round(due_s, 6))
        due = timers.again_at_beat(due, 0.2, fire).due

    timers.at_beat(0.0, fire)
    timers.run(0.25, [])
    assert came == [0.0, 0.1, 0.2]
    timers.run(100.01, [])
    assert came[3:] == [0.3, 99.8, 99.9, 100.0]
