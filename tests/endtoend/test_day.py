"""Minutes of the day that `tests.bench.soak` plays: what it must find, and what it must not."""

from __future__ import annotations

import pytest

from tests.bench.soak import Day, day, recorded, shows

MINUTES = 8.0


def played(made: Day) -> Day:
    made.play(recorded(shows()[0], 60.0), MINUTES * 60)
    return made


@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_is_left_when_everything_has_happened(seed: int) -> None:
    with day(seed, event_s=1.0) as made:
        played(made).end()
        assert made.notes > 100
        assert len(made.happened) == 10


def test_a_timer_that_is_left_is_found() -> None:
    with day(3) as made:
        made.stage.loop.call_at(1e9, lambda: None)
        with pytest.raises(AssertionError, match="1 timers left on the loop"):
            made.end()


def test_a_timer_of_the_player_that_is_left_is_found() -> None:
    with day(4) as made:
        made.bridge.pipeline.player._stage.timers.at(1e9, lambda due_s, out: None)
        with pytest.raises(AssertionError, match="the player waits"):
            made.end()


def test_a_note_that_is_left_is_found() -> None:
    with day(5) as made:
        made.stage.ports["matbridge"].send([bytes((0x90, 60, 1))])
        with pytest.raises(AssertionError, match="still heard"):
            made.end()
