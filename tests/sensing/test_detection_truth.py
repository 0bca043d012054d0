"""The detector on labelled scenes: every figure that a performer relies on, on a short while each.

`python -m tests.bench.detection` plays the same scenes for hours and prints every figure.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from random import Random
from statistics import median

import pytest

from matbridge.board.simulated.gestures import HAND_NEWTON, hand, stomp
from matbridge.board.simulated.mat import Flaws, grid
from matbridge.board.simulated.render import render
from matbridge.board.simulated.score import Press
from matbridge.sensing.touch import TouchKind, VelocitySource
from tests.bench.fixed_threshold import FixedThreshold
from tests.support.judging import Verdict, detector_for, judge, listen, scans_of
from tests.support.players import limbs
from tests.support.scenarios import BY_NAME, MAT, SCENARIOS, SOUND, Scenario
from tests.support.targets import misses_of

SECONDS = 20.0

# No scene of the bench is played from this seed.
SEED = 1001

# Long enough for each of its faults to come, and for bags to become known.
LONGER = {"faults": 75.0, "things": 75.0}


@cache
def heard(scenario: Scenario, seconds: float, rate_hz: float = 1000.0) -> Verdict:
    """One playing of a scene. Kept: several tests look at the same one."""
    scans, truth = scans_of(scenario, seconds, SEED, rate_hz)
    (said,) = listen([detector_for(scenario, SEED)], scans)
    return judge(said, truth, scenario, seconds)


@pytest.mark.parametrize("scenario", [pytest.param(s, id=s.name) for s in SCENARIOS])
def test_a_scene_is_heard_as_it_was_played(scenario: Scenario) -> None:
    verdict = heard(scenario, LONGER.get(scenario.name, SECONDS))
    assert misses_of(scenario, verdict) == []


def test_a_failing_channel_makes_no_more_than_a_few_touches() -> None:
    verdict = heard(BY_NAME["faults"], LONGER["faults"])
    assert verdict.touches > 100
    assert verdict.faulty <= 6 * 6


def test_the_judge_finds_the_plain_detector_wanting() -> None:
    """What the scenes are for: they are hard enough that a fixed threshold fails on them."""
    scenario = BY_NAME["stomps"]
    plain = FixedThreshold(scenario.mat.zone_of_channel, scenario.mat.bits)
    scans, truth = scans_of(scenario, 40.0, SEED)
    (said,) = listen([plain], scans)
    missed = " ".join(misses_of(scenario, judge(said, truth, scenario, 40.0)))
    for what in ("recall", "false", "of a neighbour", "lifts"):
        assert what in missed


def test_four_hours_of_drift_and_warming_up_make_no_touch_and_lose_none() -> None:
    """20 degrees: 5 % of resistance by the data sheet of the FSR 400 series (-15 % at +85 C)."""
    flaws = replace(
        SOUND, rest_newton=3.0, warm_up_c=20.0, warm_up_s=1800.0, drift=0.02, drift_s=3600.0
    )
    # Four zones and 40 scans a second do for slow things, and four hours pass in seconds.
    scenario = Scenario(
        "drift", "", 240, limbs(hand, (4.0, HAND_NEWTON[1]), 1 / 80, (0.5, 1.5)),
        mat=replace(MAT, places_cm=grid(2, 2, 30.0), flaws=flaws), hands=True,
    )  # fmt: skip
    verdict = heard(scenario, 4 * 3600.0, rate_hz=40.0)
    assert verdict.touches > 300
    assert (verdict.misses, verdict.false, verdict.doubles) == (0, 0, 0)


@pytest.mark.parametrize("source", [VelocitySource.PEAK, VelocitySource.RISE, VelocitySource.BOTH])
@pytest.mark.parametrize("newton", [6.0, 15.0, 40.0])
def test_parts_that_differ_by_a_quarter_differ_by_no_more_than_ten_of_127(
    newton: float, source: VelocitySource
) -> None:
    mat = replace(MAT, flaws=Flaws(spread=0.25))
    scenario = Scenario("", "", 1, limbs(hand, HAND_NEWTON, 1.0, (0.1, 0.2)), mat=mat, hands=True)
    values = struck_alike(replace(scenario, source=source), newton)
    velocities = [127 * value for value in values]
    middle = median(velocities)
    assert middle > 1
    assert max(abs(velocity - middle) for velocity in velocities) <= 10


def struck_alike(scenario: Scenario, newton: float) -> list[float]:
    """The onset's value of every zone, each struck by the same hand, after a calibration."""
    places = scenario.mat.places_cm
    presses: list[Press] = [
        # A whole number of scans apart, so that all are met at the same phase.
        hand(zone, 1.0 + 0.5 * zone, newton, 0.2, Random(5))
        for zone in range(len(places))
    ]
    detector = detector_for(scenario, SEED, alike=True)
    scans = render(presses, scenario.mat, 1000.0, SEED)
    (said,) = listen([detector], scans)
    onsets = [touch for _, touch in said if touch.kind is TouchKind.ONSET]
    assert [touch.zone for touch in onsets] == list(range(len(places)))
    return [touch.value for touch in onsets]


def test_feet_that_saturate_every_sensor_still_play_soft_and_hard() -> None:
    scenario = BY_NAME["stomps, 10 kohm"]
    rng = Random(3)
    presses = [stomp(0, 1.0 + k, 150.0 + 50.0 * k, 0.3, rng) for k in range(10)]
    detector = detector_for(scenario, SEED)
    (said,) = listen([detector], render(presses, scenario.mat, 1000.0, SEED))
    values = [touch.value for _, touch in said if touch.kind is TouchKind.ONSET]
    assert len(values) == 10
    assert len(set(values)) == 10
    assert max(values) - min(values) > 0.1
