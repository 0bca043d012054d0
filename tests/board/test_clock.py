"""The board's clock against the bridge's."""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import pairwise
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.board.clock import COUNTED_LATE_S, MAX_LATE_S, WINDOW_S, BoardClock

Delay = Callable[[random.Random], float]


def placed(
    clock: BoardClock,
    *,
    scans: int,
    period_s: float = 0.001,
    start_s: float = 10.0,
    step: int = 1000,
    a_read: int = 1,
    delay: Delay = lambda _: 0.0,
) -> list[tuple[float, float]]:
    """(true time, placed time) of scans taken evenly and delivered late, `a_read` at a time."""
    rng = random.Random(4)
    pairs: list[tuple[float, float]] = []
    waiting: list[float] = []
    now_s = 0.0
    for number in range(scans):
        waiting.append(start_s + number * period_s)
        if len(waiting) == a_read:
            now_s = max(now_s, waiting[-1] + delay(rng))
            pairs += zip(waiting, clock.times([step] * a_read, now_s), strict=True)
            waiting = []
    return pairs


def errors_s(pairs: list[tuple[float, float]]) -> list[float]:
    return sorted(put - true for true, put in pairs)


def jittery(rng: random.Random) -> float:
    """0.2 ms at least, and a millisecond more on average, as through a busy USB link."""
    return 0.0002 + rng.expovariate(1000)


@pytest.mark.parametrize("drift", [0.0, 1e-4, -1e-4, 5e-3, -5e-3])
@pytest.mark.parametrize("a_read", [1, 16])
def test_jitter_of_the_delivery_is_taken_out(drift: float, a_read: int) -> None:
    """A crystal is off by 1e-4 at most, a ceramic resonator by 5e-3 (common practice)."""
    clock = BoardClock(1e-6)
    step = round(1000 * (1 + drift))
    pairs = placed(clock, scans=20_000, step=step, a_read=a_read, delay=jittery)
    spread = errors_s(pairs[10_000:])
    # Scans came 0 to some 8 ms late; they are placed within half a millisecond of each other.
    assert spread[-1] - spread[0] < 0.0006
    assert spread[0] > -0.0003


@pytest.mark.parametrize("period_s", [0.001, 0.004, 0.02])
def test_the_period_of_a_board_without_a_clock_is_found_out(period_s: float) -> None:
    clock = BoardClock(None)
    pairs = placed(clock, scans=3000, period_s=period_s, step=1, delay=jittery)
    spread = errors_s(pairs[1500:])
    assert spread[-1] - spread[0] < 0.001


def test_a_link_that_gathers_scans_gives_them_even_times() -> None:
    """An adapter that delivers every 16 ms: times in a read are the board's, not the adapter's."""
    clock = BoardClock(None)
    pairs = placed(clock, scans=3200, step=1, a_read=16)
    gaps = [later - put for (_, put), (_, later) in pairwise(pairs[1600:])]
    assert min(gaps) > 0.0005
    assert max(gaps) < 0.0015


def test_a_board_that_changes_its_pace_is_followed() -> None:
    clock = BoardClock(None)
    placed(clock, scans=1000, step=1)
    start_s = 11.0
    for period_s in (0.0013, 0.003, 0.001, 0.0009, 0.02):
        pairs = placed(clock, scans=1000, step=1, start_s=start_s + period_s, period_s=period_s)
        assert max(map(abs, errors_s(pairs))) < 1.1 * COUNTED_LATE_S
        settled = [pair for pair in pairs if pair[0] > start_s + 1]
        assert max(map(abs, errors_s(settled)), default=0.0) < 0.001
        start_s = pairs[-1][0]


@pytest.mark.parametrize("period", [1e-6, None])
def test_one_read_after_another(period: float | None) -> None:
    clock = BoardClock(period)
    step = 1000 if period else 1
    assert clock.times([step], 5.0) == [5.0]
    times = clock.times([step] * 3, 5.003)
    assert times == pytest.approx([5.001, 5.002, 5.003])
    assert times[-1] <= 5.003


def test_the_first_read_of_several_reaches_into_the_past() -> None:
    assert BoardClock(1e-6).times([0, 500, 1000], 5.0) == pytest.approx([4.9985, 4.999, 5.0])
    assert BoardClock(None).times([1, 1, 1], 5.0) == pytest.approx([4.998, 4.999, 5.0])


def test_a_scan_cannot_be_placed_after_its_arrival() -> None:
    clock = BoardClock(1e-6)
    assert clock.times([0], 5.0) == [5.0]
    assert clock.times([900_000], 5.001) == [5.001]
    # and the others of an early read lie evenly between.
    assert clock.times([10_000, 10_000], 5.003) == pytest.approx([5.002, 5.003])


def test_after_a_gap_the_line_is_taken_up_anew() -> None:
    clock = BoardClock(1e-6)
    placed(clock, scans=2500, delay=jittery)
    late_s = 12.5 + MAX_LATE_S + 0.1
    assert clock.times([1000], late_s) == [late_s]
    assert clock.times([1000, 1000], late_s + 0.002) == pytest.approx(
        [late_s + 0.001, late_s + 0.002], abs=1e-5
    )


def test_a_gap_does_not_take_away_what_was_learned_of_a_boards_clock() -> None:
    clock = BoardClock(1e-6)
    placed(clock, scans=20_000, step=995)
    pairs = placed(clock, scans=900, step=995, start_s=40.0)
    assert max(map(abs, errors_s(pairs))) < 1e-4


def test_an_early_scan_takes_the_place_of_the_least_late_one() -> None:
    clock = BoardClock(1e-6)
    clock.times([0], 5.0)
    assert clock.times([498_000], 5.5) == pytest.approx([5.498])  # 2 ms late
    assert clock.times([10_000], 5.505) == [5.505]  # 3 ms early
    assert clock.times([500_000], 6.1) == pytest.approx([6.005])  # and the window ends
    assert clock.times([1000], 6.2) == pytest.approx([6.006], abs=1e-4)


def test_a_longer_delay_that_stays_is_taken_in_within_a_window_or_two() -> None:
    clock = BoardClock(1e-6)
    placed(clock, scans=2500)
    pairs = placed(clock, scans=4000, start_s=12.5, delay=lambda _: 0.1)
    assert errors_s(pairs[: int(WINDOW_S * 500)]) == pytest.approx([0.0] * 500, abs=1e-3)
    assert errors_s(pairs[3000:]) == pytest.approx([0.1] * 1000, abs=1e-3)


def test_a_restart_forgets_the_pace_but_not_the_last_time() -> None:
    clock = BoardClock(1e-6)
    assert clock.times([0], 5.0) == [5.0]
    clock.restart()
    assert clock.times([0, 50_000, 50_000], 5.03) == pytest.approx([5.0, 5.015, 5.03])
    clock.restart()
    assert clock.times([0, 0], 5.03) == [5.03, 5.03]


@pytest.mark.parametrize("period_s", [1e-6, None])
def test_a_restart_takes_the_line_up_anew(period_s: float | None) -> None:
    clock = BoardClock(period_s)
    step = 1000 if period_s else 1
    placed(clock, scans=2500, step=step, delay=jittery)
    clock.restart()
    assert clock.times([step], 12.6) == [12.6]
    assert clock.times([step], 12.601) == pytest.approx([12.601])
    pairs = placed(clock, scans=2500, step=step, start_s=12.602)
    assert max(map(abs, errors_s(pairs))) < 1e-4


@given(
    st.sampled_from([1e-6, None]),
    st.lists(
        st.tuples(
            st.lists(
                st.one_of(st.integers(0, 3), st.integers(900, 1100), st.integers(0, 1 << 32)),
                min_size=1,
                max_size=5,
            ),
            st.one_of(st.just(0.0), st.floats(0, 0.01), st.floats(0, 1e5)),
            st.booleans(),
        ),
        max_size=60,
    ),
)
def test_never_back_and_never_later_than_the_arrival(
    period_s: float | None, reads: list[tuple[list[int], float, bool]]
) -> None:
    clock = BoardClock(period_s)
    now_s, last_s = 50.0, -inf
    for steps, passed_s, restart in reads:
        now_s += passed_s
        if restart:
            clock.restart()
        for time_s in clock.times(steps, now_s):
            assert last_s <= time_s <= now_s
            last_s = time_s


@given(
    st.sampled_from([1e-6, None]),
    st.lists(st.tuples(st.integers(1, 40), st.floats(0.0005, 0.05)), min_size=1, max_size=60),
)
def test_scans_of_one_read_are_distinct_and_even(
    period_s: float | None, reads: list[tuple[int, float]]
) -> None:
    clock = BoardClock(period_s)
    now_s, last_s = 50.0, 0.0
    for count, passed_s in reads:
        now_s += passed_s
        times = clock.times([1000 if period_s else 1] * count, now_s)
        gaps = [later - time_s for time_s, later in pairwise(times)]
        assert all(gap > 0 for gap in gaps)
        assert gaps == pytest.approx([max(gaps, default=0.0)] * len(gaps), rel=1e-3, abs=1e-9)
        assert times[0] > last_s
        last_s = times[-1]
