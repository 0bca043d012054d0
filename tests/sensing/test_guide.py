"""The guided calibration, lived through on the simulated mat: people, slips, failing parts."""

from collections.abc import Iterable, Iterator, Sequence
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from matbridge.board.scan import Scan
from matbridge.board.simulated import SimulatedMat, render
from matbridge.board.simulated.faults import Fault, FaultKind
from matbridge.board.simulated.gestures import hand, step, stomp
from matbridge.board.simulated.mat import Flaws, grid
from matbridge.board.simulated.score import Press
from matbridge.errors import CalibrationError
from matbridge.sensing.advice import advise
from matbridge.sensing.calibration import Calibration, Wiring, ZoneWire
from matbridge.sensing.guide import Guide, RemarkKind, Stage, Step, Strength, walked_range
from matbridge.sensing.law import reading
from matbridge.sensing.settings import SensorSpec, SensorType

RATE_HZ = 500.0
REST_END_S = 4.0
STEP_S = 1.0

SOFT_NEWTON = 5.0
HARD_NEWTON = 300.0


def mat_of(zones: int, **changes: object) -> SimulatedMat:
    return SimulatedMat(grid(zones, 1, 40.0), **changes)  # type: ignore[arg-type]


def wiring_of(mat: SimulatedMat) -> Wiring:
    sensor = SensorSpec(SensorType(mat.sensor), mat.bits, mat.fixed_resistor_ohm)
    channel_of = {zone: channel for channel, zone in enumerate(mat.zone_of_channel)}
    zones = tuple(ZoneWire(f"z{zone}", 0, channel_of[zone]) for zone in range(len(mat.places_cm)))
    return Wiring("quay", sensor, zones)


def guide_for(mat: SimulatedMat, *, walk: bool = False, step_s: float | None = None) -> Guide:
    return Guide(wiring_of(mat), [mat.zone_of_channel], walk=walk, step_s=step_s)


def stage_of(guide: Guide) -> Stage:
    """The stage, for a type checker that thinks it is what it was before."""
    return guide.stage


def as_asked(zones: Sequence[int], start_s: float = REST_END_S) -> Iterator[Press]:
    """Each zone soft, then hard, a second each: a performer who does what the guide says."""
    rng = Random(5)
    for zone in zones:
        yield hand(zone, start_s, SOFT_NEWTON, 0.3, rng)
        yield stomp(zone, start_s + STEP_S, HARD_NEWTON, 0.4, rng)
        start_s += 2 * STEP_S


def feed(guide: Guide, scans: Iterable[Scan]) -> list[tuple[float, RemarkKind, tuple[int, ...]]]:
    """Feed until it is done; what it remarked, each once, with the second of it."""
    remarks: list[tuple[float, RemarkKind, tuple[int, ...]]] = []
    for scan in scans:
        before = guide.remark
        guide.feed(0, scan)
        if guide.remark != before and guide.remark.kind is not RemarkKind.NONE:
            remarks.append((scan.time_s, *guide.remark))
        if guide.stage is Stage.DONE:
            break
    return remarks


def calibrated(
    mat: SimulatedMat,
    presses: Iterable[Press],
    *,
    walk: bool = False,
    faults: Sequence[Fault] = (),
    seconds: float | None = None,
    step_s: float | None = None,
) -> tuple[Guide, Calibration]:
    guide = guide_for(mat, walk=walk, step_s=step_s)
    guide.go_on()
    feed(guide, render(presses, mat, RATE_HZ, 7, faults=faults, seconds=seconds))
    return guide, guide.result("2025-06-01T19:30:00")


def words(guide: Guide, calibration: Calibration) -> list[list[str]]:
    rests = [finding.rest for finding in guide.findings]
    companions = [finding.companion for finding in guide.findings]
    return [[item.word for item in zone] for zone in advise(calibration, (), rests, companions)]


def test_a_performer_who_does_as_asked_gets_a_calibration_of_every_zone() -> None:
    mat = mat_of(6)
    guide, calibration = calibrated(mat, as_asked(range(6)))
    assert guide.stage is Stage.DONE
    assert [zone.name for zone in calibration.zones] == [f"z{zone}" for zone in range(6)]
    # What the parts would read without their flaws, by the law of the circuit: 5 N and 300 N on
    # 1 kohm. Parts differ by 15 %, and a hard press is deep in saturation of the sensor itself.
    for zone in calibration.zones:
        assert zone.rest < 30
        assert 0.0 < zone.noise < 3.0
        assert zone.soft is not None
        assert zone.full is not None
        assert 100 < zone.soft < 450
        assert 700 < zone.full < 1010
    assert words(guide, calibration) == [[]] * 6


def test_channels_in_another_order_than_zones_are_measured_for_their_zone() -> None:
    straight, crossed = mat_of(4), mat_of(4, channels=(2, 3, -1, 0, 1))
    _, plain = calibrated(straight, as_asked([0, 1, 2, 3]))
    _, turned = calibrated(crossed, as_asked([0, 1, 2, 3]))
    assert [zone.channel for zone in turned.zones] == [3, 4, 0, 1]
    for one, other in zip(plain.zones, turned.zones, strict=True):
        assert other.full == pytest.approx(one.full, abs=5)
        assert other.soft == pytest.approx(one.soft, abs=5)


def test_nothing_is_measured_before_the_mat_is_said_to_be_clear() -> None:
    mat = mat_of(2)
    guide = guide_for(mat)
    feed(guide, render((), mat, RATE_HZ, 7, seconds=5.0))
    assert guide.stage is Stage.READY
    with pytest.raises(CalibrationError, match="never kept still"):
        guide.result("2025-06-01")


def test_someone_on_the_mat_at_rest_is_named_and_waited_for() -> None:
    mat = mat_of(4)
    rng = Random(1)
    early = [hand(2, 0.5, 20.0, 0.4, rng), hand(2, 2.0, 20.0, 0.4, rng), hand(1, 4.0, 20.0, 1, rng)]
    guide = guide_for(mat)
    guide.go_on()
    remarks = feed(guide, render(early, mat, RATE_HZ, 7, seconds=20.0))
    assert [kind for _, kind, _ in remarks] == [RemarkKind.MOVED] * 2
    assert 2 in remarks[0][2]
    assert 1 in remarks[1][2]
    assert guide.stage is Stage.PRESS
    assert all(finding.rest.still for finding in guide.findings)


def test_the_wrong_zone_is_named_and_the_right_one_still_waited_for() -> None:
    mat = mat_of(3)
    rng = Random(1)
    wrong_first = [hand(2, REST_END_S, 20.0, 0.3, rng), *as_asked([0, 1, 2], REST_END_S + 1.0)]
    guide = guide_for(mat)
    guide.go_on()
    remarks = feed(guide, render(wrong_first, mat, RATE_HZ, 7))
    assert remarks[0][1:] == (RemarkKind.OTHER, (2,))
    assert guide.stage is Stage.DONE
    assert all(zone.full is not None for zone in guide.result("2025-06-01").zones)


def test_leakage_into_neighbours_is_no_press_of_theirs() -> None:
    leaky = mat_of(4, flaws=Flaws(leakage=0.3, leakage_half_cm=60.0))
    guide = guide_for(leaky)
    guide.go_on()
    remarks = feed(guide, render(as_asked([0, 1, 2, 3]), leaky, RATE_HZ, 7))
    assert guide.stage is Stage.DONE
    assert {kind for _, kind, _ in remarks} == {RemarkKind.TAKEN}
    for finding, zone in zip(guide.findings, guide.result("2025-06-01").zones, strict=True):
        assert finding.companion is not None
        assert zone.leak == finding.companion.share
        assert 0.1 < zone.leak < 0.6


def test_the_next_zone_may_be_stepped_on_while_the_last_still_feels_it() -> None:
    """Feet on a leaky mat, one step after the other with 0.3 s between them."""
    mat = SimulatedMat(grid(4, 2, 25.0), flaws=Flaws(leakage=0.06))
    rng = Random(3)
    presses = []
    start_s = REST_END_S
    for zone in range(8):
        presses.append(step(zone, start_s, 80.0, 0.4, rng))
        presses.append(stomp(zone, start_s + 0.7, 500.0, 0.3, rng))
        start_s = presses[-1].end_s + 0.3
    guide, calibration = calibrated(mat, presses)
    assert guide.stage is Stage.DONE
    for zone_found in calibration.zones:
        assert zone_found.soft is not None
        assert zone_found.full is not None
        assert zone_found.soft < zone_found.full


def test_shorted_leads_are_twins() -> None:
    mat = mat_of(3)
    guide = guide_for(mat)
    guide.go_on()
    # Channels 0 and 1 carry the same voltage, but for a reading of converter noise.
    for scan in render(as_asked([0, 1, 2]), mat, RATE_HZ, 7):
        first, second, third = scan.readings
        both = max(first, second)
        guide.feed(0, Scan(scan.time_s, (both, min(1023, both + 1), third)))
    assert guide.stage is Stage.DONE
    assert words(guide, guide.result("2025-06-01")) == [["twin"], ["twin"], []]


@pytest.mark.parametrize(
    ("kind", "word"),
    [
        (FaultKind.DEAD, "silent"),
        (FaultKind.STUCK, "silent"),
        (FaultKind.SHORTED, "shorted"),
        (FaultKind.CHATTER, "jumps"),
    ],
)
def test_a_failed_channel_is_left_out_after_a_while_and_told(kind: FaultKind, word: str) -> None:
    mat = mat_of(3)
    patient = [*as_asked([0], 11.0), *as_asked([1], 13.0), *as_asked([2], 36.0)]
    guide, calibration = calibrated(mat, patient, faults=[Fault(1, kind)], step_s=10.0)
    assert guide.stage is Stage.DONE
    found = words(guide, calibration)
    assert found[0] == found[2] == []
    assert word in found[1]


def test_saturation_is_told_with_a_smaller_resistor() -> None:
    mat = mat_of(2, fixed_resistor_ohm=47_000.0)
    _, calibration = calibrated(mat, as_asked([0, 1]))
    advice = advise(calibration)[0][0]
    assert advice.word in ("saturates", "saturates early")
    assert "smaller fixed resistor" in advice.sentence
    assert "rise" in advice.sentence


def test_hum_and_noise_are_told() -> None:
    humming = mat_of(2, flaws=Flaws(noise=0.003, hum=0.06, rest_newton=3.0))
    guide, calibration = calibrated(humming, as_asked([0, 1]))
    assert "hum" in words(guide, calibration)[0]
    noisy = mat_of(2, flaws=Flaws(noise=0.02, rest_newton=3.0))
    guide, calibration = calibrated(noisy, as_asked([0, 1]))
    assert "noisy" in words(guide, calibration)[0]
    assert "hum" not in words(guide, calibration)[0]


def test_switches_are_asked_for_one_press_each() -> None:
    mat = mat_of(3, sensor="switch", bits=1)
    rng = Random(2)
    presses = [hand(zone, REST_END_S + zone, 20.0, 0.4, rng) for zone in range(3)]
    guide, calibration = calibrated(mat, presses)
    assert guide.stage is Stage.DONE
    assert [(zone.rest, zone.soft, zone.full) for zone in calibration.zones] == [(0, None, 1)] * 3
    assert words(guide, calibration) == [[], [], []]


def test_a_level_that_falls_when_pressed_is_measured_downwards() -> None:
    mat = mat_of(2, sensor="level")
    guide = guide_for(mat)
    guide.go_on()
    for scan in render(as_asked([0, 1]), mat, RATE_HZ, 7):
        guide.feed(0, Scan(scan.time_s, [1023 - reading for reading in scan.readings]))
    for zone in guide.result("2025-06-01").zones:
        assert zone.full is not None
        assert zone.soft is not None
        assert zone.full < zone.soft < zone.rest - 50


def test_walking_gives_what_guiding_gives() -> None:
    mat = mat_of(5)
    _, guided = calibrated(mat, as_asked(range(5)))
    any_order = as_asked([3, 0, 4, 1, 2])
    guide, walked = calibrated(mat, any_order, walk=True, step_s=3.0, seconds=30.0)
    assert guide.stage is Stage.DONE
    for one, other in zip(guided.zones, walked.zones, strict=True):
        assert other.rest == pytest.approx(one.rest, abs=2.0)
        assert other.soft == pytest.approx(one.soft, rel=0.1)
        assert other.full == pytest.approx(one.full, rel=0.02)


def test_a_walk_takes_neither_the_slip_nor_the_stomp_of_many_presses() -> None:
    usual = [100.0 + 10 * number for number in range(16)]
    assert walked_range([*usual, 12.0, 990.0]) == (110.0, 240.0)
    assert walked_range([40.0]) == (None, 40.0)
    assert walked_range([-40.0, -90.0]) == (-40.0, -90.0)
    assert walked_range([]) == (None, None)


def test_back_forgets_a_press_and_asks_for_it_again() -> None:
    mat = mat_of(2)
    guide = guide_for(mat)
    guide.go_on()
    scans = render(as_asked([0, 0, 1]), mat, RATE_HZ, 7)
    for scan in scans:
        guide.feed(0, scan)
        if guide.done_steps == 2:
            break
    assert guide.pressed_as(0, Strength.HARD) is not None
    guide.back()
    assert guide.step == Step(0, Strength.HARD)
    assert guide.pressed_as(0, Strength.HARD) is None
    guide.back()
    assert guide.step == Step(0, Strength.SOFT)
    feed(guide, scans)
    assert guide.stage is Stage.DONE
    guide.back()
    assert stage_of(guide) is Stage.PRESS
    assert guide.step == Step(1, Strength.HARD)


def test_going_on_leaves_one_press_out_and_skipping_the_whole_zone() -> None:
    mat = mat_of(3)
    guide = guide_for(mat)
    guide.go_on()
    feed(guide, render((), mat, RATE_HZ, 7, seconds=REST_END_S))
    guide.go_on()
    assert guide.step == Step(0, Strength.HARD)
    guide.skip()
    assert guide.step == Step(1, Strength.SOFT)
    guide.skip()
    assert guide.step == Step(2, Strength.SOFT)
    guide.skip()
    assert guide.stage is Stage.DONE
    zones = guide.result("2025-06-01").zones
    assert [zone.full for zone in zones] == [None, None, None]


def test_a_rest_may_be_taken_early_but_not_from_a_handful_of_readings() -> None:
    mat = mat_of(2)
    scans = render((), mat, RATE_HZ, 7)
    guide = guide_for(mat)
    guide.go_on()
    guide.go_on()
    assert guide.stage is Stage.REST
    for _ in range(100):
        guide.feed(0, next(scans))
    guide.go_on()
    assert stage_of(guide) is Stage.PRESS


def test_a_board_that_sends_too_few_channels_is_told_by_zone() -> None:
    mat = mat_of(3)
    guide = guide_for(mat)
    guide.go_on()
    short = [Scan(index * 0.01, (1, 2)) for index in range(400)]
    with pytest.raises(CalibrationError, match="zone 'z2' is on channel 2, which the board"):
        feed(guide, short)


def test_zones_on_two_boards_are_measured_together() -> None:
    mat = mat_of(4)
    sensor = SensorSpec(SensorType.FORCE, 10, 1000.0)
    names = tuple(ZoneWire(f"z{zone}", zone // 2, zone % 2) for zone in range(4))
    guide = Guide(Wiring("quay", sensor, names), [(0, 1), (2, 3)])
    guide.go_on()
    for number, scan in enumerate(render(as_asked(range(4)), mat, RATE_HZ, 7)):
        guide.feed(0, Scan(scan.time_s, scan.readings[:2]))
        if number % 2:  # the second board is half as fast
            guide.feed(1, Scan(scan.time_s, scan.readings[2:]))
    assert guide.stage is Stage.DONE
    assert all(zone.full and zone.full > 600 for zone in guide.result("2025-06-01").zones)


@given(
    st.lists(st.sampled_from(["go_on", "back", "skip", "rest", "press 0", "press 1"]), max_size=30)
)
def test_any_keys_and_presses_keep_the_guide_whole(acts: list[str]) -> None:
    """Whatever is done, it stands at a step that exists, and gives a calibration once rested."""
    sensor = SensorSpec(SensorType.FORCE, 10, 1000.0)
    guide = Guide(Wiring("quay", sensor, (ZoneWire("a", 0, 0), ZoneWire("b", 0, 1))), [(0, 1)])
    now_s = 0.0
    full = round(reading(sensor, 3.0))
    for act in acts:
        if act in ("go_on", "back", "skip"):
            getattr(guide, act)()
        else:
            levels = {"rest": (5, 5), "press 0": (full, 5), "press 1": (5, full)}[act]
            for readings, count in ((levels, 40), ((5, 5), 40 if act != "rest" else 400)):
                for _ in range(count):
                    guide.feed(0, Scan(now_s, readings))
                    now_s += 0.01
        assert guide.step in guide.steps
        assert 0 <= guide.done_steps <= len(guide.steps)
        assert (guide.stage is Stage.DONE) >= (guide.done_steps == len(guide.steps))
        assert 0.0 <= guide.rest_share() <= 1.0
        if guide.findings:
            zones = guide.result("2025-06-01").zones
            for zone in zones:
                assert zone.noise > 0.0
                assert zone.soft is None or zone.full is None or zone.soft <= zone.full
