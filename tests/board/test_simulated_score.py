"""Forces over time: smooth, exactly within the press, and the same sampled as asked one by one."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matbridge.board.simulated import gestures
from matbridge.board.simulated.score import Curve, Press, force_at, sample, truths

CURVE: Curve = ((0.0, 0.0), (0.01, 20.0), (0.03, 8.0), (0.2, 8.0), (0.25, 0.0))


def every_gesture(seed: int) -> list[Press]:
    rng = Random(seed)
    return [
        gestures.hand(0, 1.0, rng.uniform(*gestures.HAND_NEWTON), rng.uniform(0.0, 1.0), rng),
        gestures.step(1, 1.0, rng.uniform(*gestures.STEP_NEWTON), rng.uniform(0.0, 1.0), rng),
        gestures.stomp(2, 1.0, rng.uniform(*gestures.STOMP_NEWTON), rng.uniform(0.0, 1.0), rng),
        gestures.heel_toe(3, 1.0, 100.0, rng.uniform(0.0, 1.0), rng),
        gestures.lean(4, 1.0, 10.0, rng.uniform(0.0, 4.0), rng),
        *gestures.strike_again(5, 1.0, 300.0, rng.uniform(0.0, 1.0), rng),
        gestures.thing(6, 1.0, 12.0, rng.uniform(1.0, 9.0), rng),
        *gestures.roll(7, 1.0, 20.0, 8, rng.uniform(6.0, 12.0), rng),
        *gestures.stand(8, 9, 1.0, 150.0, rng.uniform(2.0, 20.0), rng),
        *gestures.jump(10, 11, 1.0, 500.0, 0.4, rng),
        *gestures.slide((12, 13, 14), 1.0, 60.0, rng),
        *gestures.body((15, 16, 17), 1.0, rng.uniform(3.0, 20.0), rng),
    ]


@given(first_s=st.floats(-0.3, 0.3), step_s=st.floats(0.0005, 0.02), count=st.integers(1, 40))
def test_sampled_forces_are_the_forces_one_by_one(
    first_s: float, step_s: float, count: int
) -> None:
    one_by_one = [force_at(CURVE, first_s + index * step_s) for index in range(count)]
    assert sample(CURVE, first_s, step_s, count) == pytest.approx(one_by_one, abs=1e-6)


@pytest.mark.parametrize("step_s", [0.001, 0.002, 0.0007])
def test_no_force_before_the_press_nor_after_it(step_s: float) -> None:
    forces = sample(CURVE, -0.01, step_s, 600)
    times_s = [-0.01 + index * step_s for index in range(600)]
    for time_s, force in zip(times_s, forces, strict=True):
        if time_s < 0.0 or time_s > 0.25:
            assert force == 0.0
    assert max(forces) == pytest.approx(20.0, rel=0.03)


@settings(max_examples=50)
@given(seed=st.integers(0, 10_000))
def test_every_gesture_is_a_sound_press_and_says_what_it_was(seed: int) -> None:
    for press in every_gesture(seed):
        offsets = [offset_s for offset_s, _ in press.curve]
        assert offsets[0] == 0.0
        assert offsets == sorted(set(offsets)), press
        assert press.curve[0][1] == press.curve[-1][1] == 0.0
        assert all(force >= 0.0 for _, force in press.curve)
        touch = press.touch
        assert touch.zone == press.zone
        assert touch.start_s == press.start_s < touch.end_s <= press.end_s
        rise_s, peak_newton = press.curve[1]
        assert peak_newton == touch.peak_newton
        assert rise_s == pytest.approx(touch.peak_newton / touch.rise_newton_per_s)


def test_a_second_strike_begins_where_the_first_one_ends() -> None:
    presses = gestures.strike_again(0, 2.0, 300.0, 0.5, Random(1))
    first, second = truths(presses)
    assert first.end_s == second.start_s

    def load(time_s: float) -> float:
        return sum(force_at(press.curve, time_s - press.start_s) for press in presses)

    toes = load(second.start_s)
    assert 0.0 < toes < 0.3 * 160.0
    assert max(load(second.start_s + ms / 1000) for ms in range(30)) == pytest.approx(
        second.peak_newton + toes, rel=0.02
    )
    assert presses[0].end_s == pytest.approx(presses[1].end_s), "heel and toes leave together"


def test_an_impact_begins_as_hertz_says() -> None:
    # Force goes with the 3/2 power of compression, and compression with time at the beginning.
    early = force_at(CURVE, 0.0004) / force_at(CURVE, 0.0001)
    assert early == pytest.approx(4**1.5, rel=0.01)


def test_a_harder_hand_is_a_faster_one_as_hertz_says() -> None:
    soft = [gestures.hand(0, 0.0, 4.0, 0.1, Random(seed)).curve[1][0] for seed in range(200)]
    hard = [gestures.hand(0, 0.0, 40.0, 0.1, Random(seed)).curve[1][0] for seed in range(200)]
    # Time of contact goes as speed^(-1/5) and peak force as speed^(6/5) (Hertz's law of impact).
    assert sum(soft) / sum(hard) == pytest.approx(10 ** (1 / 6), rel=0.01)
