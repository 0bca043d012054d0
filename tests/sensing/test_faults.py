"""Channels that fail: found, muted without a stuck note, reported once, heard again when well."""

from __future__ import annotations

from collections.abc import Callable
from math import pi, sin
from random import Random

import pytest

from matbridge.sensing.faults import ADVICE, FaultKind
from matbridge.sensing.settings import SensingSettings
from matbridge.sensing.touch import TouchKind
from matbridge.sensing.twins import MOST_AWAKE
from tests.support.zones import FORCE, SWITCH, Heard, Mat, corners, kinds, of, press

ONE = ["onset", "lift"]
Wire = Callable[[float], int]


def noisy(level: int) -> Wire:
    rng = Random(5)
    return lambda _: max(0, round(level + rng.gauss(0.0, 0.6)))


def chatter() -> Wire:
    """A contact that makes and breaks every few milliseconds, with a foot on it."""
    rng = Random(6)
    state = [700, 0.0]

    def wire(time_s: float) -> int:
        while state[1] <= time_s:
            state[0] = 20 if state[0] == 700 else 700
            state[1] += rng.uniform(0.002, 0.015)
        return int(state[0])

    return wire


def floating() -> Wire:
    """An open input picks up the mains, as large as a light touch."""
    return lambda time_s: round(40 + 30 * sin(2 * pi * 50.0 * time_s))


def white() -> Wire:
    """An open input that hops about."""
    rng = Random(8)
    return lambda _: rng.randrange(10, 80)


def sounding(heard: Heard) -> int:
    """How many touches are still on at the end."""
    return kinds(heard).count("onset") - kinds(heard).count("lift")


# How each is made, and within how many seconds it must be found.
FAILING: dict[FaultKind, tuple[Callable[[], Wire], float]] = {
    FaultKind.DEAD: (lambda: lambda _: 0, 5.0),
    FaultKind.SHORTED: (lambda: lambda _: 1023, 2.0),
    FaultKind.CHATTERING: (chatter, 2.0),
    FaultKind.DISCONNECTED: (floating, 3.0),
}


@pytest.mark.parametrize("kind", FAILING)
def test_a_failure_at_rest_is_found_and_reported_once(kind: FaultKind) -> None:
    make, within_s = FAILING[kind]
    wire = make()
    mat = Mat(5)
    mat.play(1.0)
    heard = mat.play(within_s, wires={2: wire})
    (report,) = mat.reports()
    assert (report.kind, report.zone, report.recovered) == (kind, 2, False)
    assert mat.view(2).fault is kind
    assert mat.view(2).state.value == "muted"
    heard += mat.play(3.0, wires={2: make()})
    assert mat.reports() == []
    assert sounding(heard) == 0
    assert mat.play(2.0, wires={2: make()}) == []


@pytest.mark.parametrize("kind", FAILING)
def test_a_failure_while_held_leaves_no_stuck_note(kind: FaultKind) -> None:
    make, within_s = FAILING[kind]
    wire = make()
    mat = Mat(5)
    heard = mat.play(1.0, {2: press(0.6, at_s=0.5, hold_s=9.0)})
    assert sounding(heard) == 1
    heard += mat.play(within_s, wires={2: wire})
    assert sounding(heard) == 0
    assert [report.kind for report in mat.reports()] == [kind]


@pytest.mark.parametrize("kind", FAILING)
def test_the_others_play_on(kind: FaultKind) -> None:
    make, within_s = FAILING[kind]
    wire = make()
    mat = Mat(5)
    heard = mat.play(within_s, {zone: press(0.5, at_s=0.5) for zone in (0, 1, 3, 4)}, {2: wire})
    for zone in (0, 1, 3, 4):
        assert kinds(heard, zone) == ONE


@pytest.mark.parametrize("kind", FAILING)
def test_a_zone_that_is_well_again_is_heard_again(kind: FaultKind) -> None:
    make, within_s = FAILING[kind]
    wire = make()
    mat = Mat(5)
    mat.play(within_s, wires={2: wire})
    mat.reports()
    mat.play(8.0)
    (report,) = mat.reports()
    assert (report.kind, report.zone, report.recovered) == (kind, 2, True)
    assert mat.view(2).fault is None
    assert kinds(mat.play(1.0, {2: press(0.4, at_s=0.1)}), 2) == ONE


def test_each_failure_has_to_prove_itself_well_for_longer() -> None:
    mat = Mat(5)
    waits = []
    for _ in range(3):
        mat.play(2.0, wires={2: lambda _: 1023})
        mat.reports()
        began_s = mat.time_s
        while not mat.reports():
            mat.play(0.1)
        waits.append(mat.time_s - began_s)
    assert waits[0] * 1.5 < waits[1] < waits[2] / 1.5


def test_a_shorted_divider_never_sounds() -> None:
    """No sensor reaches the supply, so even the first moment of it is no touch."""
    assert Mat(3).play(1.0, wires={1: lambda t: 1023 if t > 0.3 else 20}) == []


def test_an_input_that_hops_about_is_disconnected() -> None:
    mat = Mat(5)
    mat.play(6.0, wires={2: white()})
    assert [report.kind for report in mat.reports()] == [FaultKind.DISCONNECTED]


def test_mains_hum_on_every_channel_is_not_a_fault_of_each() -> None:
    mat = Mat(5, noise=1.5)
    heard = mat.play(20.0, wires=dict.fromkeys(range(5), floating()))
    assert mat.reports() == []
    assert heard == []


def test_a_zone_whose_converter_stands_still_is_stuck() -> None:
    mat = Mat(3, noise=1.0, rate_hz=200.0)
    mat.play(2.0)
    mat.play(12.0, wires={1: lambda _: 20})
    assert [(report.kind, report.zone) for report in mat.reports()] == [(FaultKind.STUCK, 1)]


@pytest.mark.parametrize("calibrated", [True, False])
@pytest.mark.parametrize("rest", [0.0, 12.0])
def test_a_zone_without_noise_is_neither_dead_nor_stuck(rest: float, calibrated: bool) -> None:
    """An unpressed sensor may read one value and nothing else: nothing to be told from it."""
    mat = Mat(3, rest=rest, noise=0.0, rate_hz=200.0, calibrated=calibrated)
    mat.play(30.0)
    assert mat.reports() == []
    assert kinds(mat.play(1.0, {1: press(0.5, at_s=0.1)})) == ONE


def test_a_loose_contact_that_mends_at_once_goes_on_sounding() -> None:
    mat = Mat()

    def loose(time_s: float) -> int:
        return 0 if 0.5 < time_s % 1.0 < 0.51 else 650 if 0.1 < time_s % 1.0 < 0.9 else 20

    heard = mat.play(2.0, wires={0: loose})
    assert kinds(heard) == ONE * 2


def test_fast_play_is_no_fault() -> None:
    mat = Mat(2, apart_cm=30.0)
    strokes = [press(0.7, at_s=0.1 + n * 0.09, hold_s=0.005, fall_s=0.02) for n in range(100)]
    heard = mat.play(10.0, {0: lambda t: sum(stroke(t) for stroke in strokes)})
    assert kinds(heard, 0) == ONE * 100
    assert mat.reports() == []


def test_an_object_stops_sounding_and_is_the_new_rest_until_it_is_taken_away() -> None:
    mat = Mat(rate_hz=500.0, settings=SensingSettings(object_after_s=10.0))
    creep = corners((0.0, 0.0), (0.1, 0.3), (1.0, 0.31), (60.0, 0.33))
    heard = mat.play(15.0, {0: creep})
    assert kinds(heard) == ONE
    assert 9.0 < heard[-1][0] - heard[0][0] < 13.0
    (report,) = mat.reports()
    assert (report.kind, report.recovered) == (FaultKind.OBJECT, False)
    assert mat.view().fault is FaultKind.OBJECT
    assert kinds(mat.play(1.0, {0: lambda t: 0.31 + press(0.4, at_s=0.2)(t)})) == ONE
    assert mat.play(1.0) == []
    (report,) = mat.reports()
    assert (report.kind, report.recovered) == (FaultKind.OBJECT, True)
    assert kinds(mat.play(1.0, {0: press(0.2, at_s=0.2)})) == ONE


def test_an_object_is_known_though_its_load_is_noisier_than_the_rest_and_others_strike() -> None:
    """An open sensor reads 0 without any noise; what it reads under a bag has some."""
    known_soon = SensingSettings(object_after_s=10.0)
    mat = Mat(2, rest=0.0, noise=0.0, rate_hz=500.0, apart_cm=30.0, settings=known_soon)
    shake = Random(3)
    blows = [press(0.9, at_s=0.55 + 0.5 * n, hold_s=0.2) for n in range(60)]

    def bag(time_s: float) -> int:
        leak = 0.04 * sum(blow(time_s) for blow in blows)
        return round(mat.reading(min(time_s * 20, 1.0) * 0.3 + leak) + shake.gauss(0.0, 1.2))

    heard = mat.play(20.0, {1: lambda t: sum(blow(t) for blow in blows)}, wires={0: bag})
    assert kinds(heard, 0) == ONE
    assert [report.kind for report in mat.reports()] == [FaultKind.OBJECT]


def test_a_foot_that_sways_is_no_object() -> None:
    mat = Mat(rate_hz=200.0, settings=SensingSettings(object_after_s=10.0))
    heard = mat.play(30.0, {0: lambda t: min(t * 20, 1.0) * (0.5 + 0.04 * sin(t * 2.1))})
    assert kinds(heard) == ["onset"]
    assert mat.reports() == []


def test_a_load_that_never_moves_by_a_single_step_is_a_stuck_channel_not_an_object() -> None:
    mat = Mat(rate_hz=200.0, settings=SensingSettings(object_after_s=10.0))
    mat.play(0.5)
    heard = mat.play(15.0, wires={0: lambda _: 500})
    assert kinds(heard) == ONE
    assert [report.kind for report in mat.reports()] == [FaultKind.STUCK]


def test_two_bridged_channels_are_found_and_sound_once() -> None:
    mat = Mat(4)
    for _ in range(4):
        blow = press(0.6, at_s=0.3, hold_s=0.3)
        heard = mat.play(1.0, wires=bridged(mat, blow))
    reports = mat.reports()
    assert [(r.kind, r.zone, r.other) for r in reports] == [(FaultKind.SHORTED, 2, 1)]
    assert kinds(heard, 1) == ONE
    assert kinds(heard, 2) == []
    for _ in range(3):
        heard = mat.play(1.0, {1: press(0.6, at_s=0.3, hold_s=0.3)})
    assert [(r.kind, r.zone, r.recovered) for r in mat.reports()] == [(FaultKind.SHORTED, 2, True)]
    assert kinds(mat.play(1.0, {2: press(0.5, at_s=0.3)}), 2) == ONE


def test_under_a_body_nothing_is_taken_for_a_bridge() -> None:
    """Among the many zones of one body some read alike by chance."""
    mat = Mat(MOST_AWAKE + 4)
    body = press(0.6, at_s=0.3, hold_s=0.3)
    for _ in range(6):
        mat.play(1.0, wires=dict.fromkeys(mat.zones, lambda time_s: mat.reading(body(time_s))))
    assert mat.reports() == []


def bridged(mat: Mat, blow: Callable[[float], float]) -> dict[int, Wire]:
    """Channels 1 and 2 read the same voltage, each with its own noise."""
    return {channel: lambda time_s: mat.reading(blow(time_s)) for channel in (1, 2)}


def test_two_feet_that_land_together_are_no_bridge() -> None:
    mat = Mat(4)
    rng = Random(9)
    for _ in range(30):
        blows = {
            zone: press(rng.uniform(0.4, 0.9), at_s=0.3, hold_s=rng.uniform(0.2, 0.4))
            for zone in (1, 2)
        }
        assert kinds(mat.play(1.0, blows)).count("onset") == 2
    assert mat.reports() == []


def bouncing(edge: list[int]) -> Wire:
    """A switch that is closed for 0.2 s, after some milliseconds of indecision."""
    return lambda time_s: edge[int(time_s * 1000)] if time_s < 0.006 else int(time_s < 0.2)


def test_a_switch_that_chatters_is_muted_and_one_that_bounces_is_not() -> None:
    rng = Random(4)
    bounces = Mat(2, sensor=SWITCH)
    bounces.play(0.1)
    for _ in range(40):
        heard = bounces.play(0.4, wires={0: bouncing([rng.randrange(2) for _ in range(6)])})
        assert kinds(heard) == ONE
    assert bounces.reports() == []
    chatters = Mat(2, sensor=SWITCH)
    chatters.play(5.0, wires={0: lambda t: int(t % 0.06 < 0.012)})
    assert [report.kind for report in chatters.reports()] == [FaultKind.CHATTERING]


def test_every_kind_of_fault_says_what_to_do() -> None:
    assert set(ADVICE) == set(FaultKind)


def test_a_board_that_comes_back_does_not_clear_a_fault() -> None:
    mat = Mat(3)
    mat.play(2.0, wires={1: lambda _: 1023})
    assert mat.detector.silence(mat.time_s) == ()
    mat.time_s += 5.0
    mat.play(1.0, wires={1: lambda _: 1023})
    assert len(mat.reports()) == 1
    assert mat.view(1).fault is FaultKind.SHORTED


def test_a_board_that_goes_away_lifts_what_is_held() -> None:
    mat = Mat(3)
    heard = mat.play(0.5, {0: press(0.5, hold_s=9.0), 2: press(0.7, hold_s=9.0)})
    assert sounding(heard) == 2
    lifts = mat.detector.silence(mat.time_s)
    assert sorted(touch.zone for touch in lifts) == [0, 2]
    assert {touch.kind for touch in lifts} == {TouchKind.LIFT}
    assert mat.detector.silence(mat.time_s) == ()
    mat.time_s += 3.0
    assert kinds(mat.play(1.0, {0: press(0.5, at_s=0.2)})) == ONE
    assert of(heard, TouchKind.ONSET)
    assert mat.sensor is FORCE


@pytest.mark.parametrize("brushed", [(), (0,), (0, 1)])
def test_what_a_muted_zone_read_last_leaks_into_nobody(brushed: tuple[int, ...]) -> None:
    mat = Mat(4, apart_cm=15.0)
    for _ in range(4):
        mat.play(1.0, wires=bridged(mat, press(0.6, at_s=0.3, hold_s=0.3)))
    assert [report.zone for report in mat.reports()] == [2]
    slowly = press(0.05, at_s=0.3, rise_s=0.06, hold_s=0.4)
    brush = press(0.012, at_s=0.2, rise_s=0.02, hold_s=0.6)
    assert kinds(mat.play(1.0, dict.fromkeys(brushed, brush) | {3: slowly}), 3) == ONE


def test_faults_are_found_however_busy_the_others_are() -> None:
    mat = Mat(3, pressure={0}, settings=SensingSettings(pressure_step=0.0))
    busy = corners((0.3, 0.0), (0.32, 0.5), (10.0, 0.6))
    heard = mat.play(6.0, {0: busy}, {1: lambda _: 0})
    assert len(of(heard, TouchKind.PRESSURE)) > 5500
    assert [(report.kind, report.zone) for report in mat.reports()] == [(FaultKind.DEAD, 1)]
