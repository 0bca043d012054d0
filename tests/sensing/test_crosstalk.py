"""A neighbour's touch is told from a touch."""

from __future__ import annotations

from dataclasses import replace

import pytest

from matbridge.sensing.crosstalk import is_beside_a_touch
from matbridge.sensing.law import load_table
from matbridge.sensing.rules import Rules
from matbridge.sensing.settings import SensingSettings
from matbridge.sensing.touch import TouchKind, VelocitySource
from matbridge.sensing.zone import Shared, State, Zone
from tests.support.zones import FORCE, LEVEL, Curve, Heard, Mat, corners, kinds, of, press

ONE = ["onset", "lift"]
NEAR_CM = 20.0


def scaled(curve: Curve, share: float) -> Curve:
    return lambda time_s: share * curve(time_s)


def struck(heard: Heard) -> list[int]:
    return sorted(touch.zone for _, touch in of(heard, TouchKind.ONSET))


BLOW = press(0.9, at_s=0.1, rise_s=0.012, hold_s=0.3, fall_s=0.05)


@pytest.mark.parametrize("share", [0.03, 0.06, 0.1])
def test_a_small_copy_of_a_blow_beside_it_is_leakage(share: float) -> None:
    heard = Mat(2, apart_cm=NEAR_CM).play(1.0, {0: BLOW, 1: scaled(BLOW, share)})
    assert struck(heard) == [0]
    assert kinds(heard) == ONE


def test_far_away_the_same_is_a_touch() -> None:
    heard = Mat(2, apart_cm=200.0).play(1.0, {0: BLOW, 1: scaled(BLOW, 0.1)})
    assert struck(heard) == [0, 1]


def test_without_crosstalk_everything_sounds() -> None:
    settings = SensingSettings(crosstalk=0.0)
    mat = Mat(2, apart_cm=NEAR_CM, settings=settings, leak=0.3)
    assert struck(mat.play(1.0, {0: BLOW, 1: scaled(BLOW, 0.06)})) == [0, 1]


@pytest.mark.parametrize("share", [0.4, 0.6, 1.0])
def test_two_blows_at_once_are_two_touches(share: float) -> None:
    heard = Mat(2, apart_cm=NEAR_CM).play(1.0, {0: BLOW, 1: scaled(BLOW, share)})
    assert struck(heard) == [0, 1]


@pytest.mark.parametrize("share", [0.9, 1.0])
def test_what_is_as_strong_as_all_beside_it_is_a_touch_whatever_they_leak(share: float) -> None:
    mat = Mat(5, apart_cm=NEAR_CM, settings=SensingSettings(crosstalk=0.5))
    blows = {zone: BLOW if zone != 2 else scaled(BLOW, share) for zone in range(5)}
    assert struck(mat.play(1.0, blows)) == [0, 1, 2, 3, 4]


@pytest.mark.parametrize("later_s", [0.06, 0.15, 0.25])
def test_a_soft_touch_beside_a_foot_that_stands_is_a_touch(later_s: float) -> None:
    stand = press(0.9, at_s=0.1, rise_s=0.02, hold_s=1.0)
    tap = press(0.06, at_s=0.12 + later_s, hold_s=0.1)
    heard = Mat(2, apart_cm=NEAR_CM).play(2.0, {0: stand, 1: tap})
    assert kinds(heard, 1) == ONE


def test_a_touch_on_top_of_a_standing_neighbours_leak_is_a_touch() -> None:
    stand = press(0.9, at_s=0.1, rise_s=0.02, hold_s=1.0)
    leak, tap = scaled(stand, 0.06), press(0.15, at_s=0.6, hold_s=0.1)
    heard = Mat(2, apart_cm=NEAR_CM).play(2.0, {0: stand, 1: lambda t: leak(t) + tap(t)})
    assert kinds(heard, 1) == ONE
    assert of(heard, TouchKind.ONSET)[-1][0] - 100.6 < 0.008


def test_such_a_touch_ends_though_the_leak_remains() -> None:
    stand = press(0.9, at_s=0.3, rise_s=0.05, hold_s=2.0)
    leak, tap = scaled(stand, 0.06), press(0.15, at_s=0.1, hold_s=0.5)
    heard = Mat(2, apart_cm=NEAR_CM).play(3.0, {0: stand, 1: lambda t: leak(t) + tap(t)})
    lifted = next(at_s for at_s, touch in of(heard, TouchKind.LIFT) if touch.zone == 1)
    assert lifted - 100.0 == pytest.approx(0.63, abs=0.06)


def test_a_leak_that_grows_slowly_as_a_neighbour_leans_is_no_touch() -> None:
    lean = corners((0.0, 0.0), (0.1, 0.0), (0.15, 0.3), (1.5, 1.0), (3.0, 1.0), (3.1, 0.0))
    heard = Mat(2, apart_cm=NEAR_CM).play(4.0, {0: lean, 1: scaled(lean, 0.08)})
    assert struck(heard) == [0]


def test_a_foot_that_glides_over_is_a_touch_once_it_has_arrived() -> None:
    leaves = corners((0.0, 0.0), (0.1, 0.0), (0.15, 0.8), (0.6, 0.8), (0.8, 0.0))
    comes = corners((0.0, 0.0), (0.6, 0.0), (0.85, 0.8), (1.5, 0.8), (1.6, 0.0))
    heard = Mat(2, apart_cm=NEAR_CM).play(2.0, {0: leaves, 1: comes})
    assert kinds(heard, 1) == ONE


def test_a_mat_that_was_measured_to_leak_more_is_allowed_more() -> None:
    leaks = scaled(BLOW, 0.3)
    usual, stiff = Mat(2, apart_cm=NEAR_CM), Mat(2, apart_cm=NEAR_CM, leak=0.3)
    assert struck(usual.play(1.0, {0: BLOW, 1: leaks})) == [0, 1]
    assert struck(stiff.play(1.0, {0: BLOW, 1: leaks})) == [0]


def test_leads_of_electrodes_leak_at_any_distance() -> None:
    heard = Mat(2, sensor=LEVEL, full=700.0, apart_cm=200.0, leak=0.12).play(
        1.0, {0: BLOW, 1: scaled(BLOW, 0.12)}
    )
    assert struck(heard) == [0]


def test_a_trace_on_the_next_channel_of_a_converter_is_no_touch() -> None:
    """3 % of a reading, as a converter's sampling capacitor carries it over."""
    mat = Mat(2, sensor=LEVEL, full=980.0, rest=40.0, settings=SensingSettings(threshold=0.02))
    heard = mat.play(1.0, {0: press(1.0, at_s=0.1), 1: press(0.03, at_s=0.1)})
    assert struck(heard) == [0]


def test_many_small_zones_know_only_their_nearest() -> None:
    mat = Mat(400, apart_cm=1.0)
    neighbours = [one.zone.leaks for one in mat.detector._channels]
    assert max(map(len, neighbours)) <= 32
    assert {other.index for other in neighbours[200]} >= {199, 201}


@pytest.mark.parametrize("source", VelocitySource)
def test_whatever_the_source_leakage_is_leakage(source: VelocitySource) -> None:
    heard = Mat(2, apart_cm=NEAR_CM, source=source).play(1.0, {0: BLOW, 1: scaled(BLOW, 0.05)})
    assert struck(heard) == [0]


def test_the_reach_says_how_far() -> None:
    far = replace(SensingSettings(), crosstalk_reach_cm=200.0)
    leak = {0: BLOW, 1: scaled(BLOW, 0.08)}
    assert struck(Mat(2, apart_cm=80.0).play(1.0, leak)) == [0, 1]
    assert struck(Mat(2, apart_cm=80.0, settings=far).play(1.0, leak)) == [0]


@pytest.mark.parametrize("state", State)
def test_a_neighbour_counts_as_touched_from_its_first_rise_to_its_lift(state: State) -> None:
    rules, table = Rules(SensingSettings(), FORCE), load_table(FORCE)
    zone, other = (Zone(index, index, rules, table, Shared()) for index in range(2))
    zone.leaks = {other: 0.1}
    other.state = state
    assert is_beside_a_touch(zone) == (state in (State.RISING, State.HELD, State.AGAIN))
