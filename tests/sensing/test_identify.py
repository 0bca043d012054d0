"""Finding the channels under the zones, on simulated mats whose wiring only the test knows."""

from collections.abc import Sequence
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from matbridge.board.scan import Scan
from matbridge.board.simulated import SimulatedMat, render
from matbridge.board.simulated.gestures import hand
from matbridge.board.simulated.mat import Flaws, grid
from matbridge.errors import CalibrationError
from matbridge.sensing.calibration import Wiring, ZoneWire
from matbridge.sensing.identify import Findings, Identifier, IdentifyStage, Place, wires
from matbridge.sensing.settings import SensorSpec, SensorType

SENSOR = SensorSpec(SensorType.FORCE, 10, 1000.0)


def written(count: int) -> Wiring:
    """A mat file that says: zone n on channel n."""
    return Wiring("quay", SENSOR, tuple(ZoneWire(f"z{n}", 0, n) for n in range(count)))


def identified(
    channels: Sequence[int], zones: int, pressed: Sequence[int], *, leakage: float = 0.02
) -> Identifier:
    """Rest for 4 s, then a press a second, of the zones given; channels: what is truly wired."""
    mat = SimulatedMat(grid(zones, 1, 30.0), tuple(channels), flaws=Flaws(leakage=leakage))
    rng = Random(3)
    presses = [
        hand(zone, 4.0 + number, rng.uniform(10, 60), 0.4, rng)
        for number, zone in enumerate(pressed)
    ]
    identifier = Identifier(written(zones), [len(channels)])
    identifier.go_on()
    for scan in render(presses, mat, 250.0, 11):
        identifier.feed(0, scan)
    return identifier


def test_a_mat_wired_as_written_needs_nothing() -> None:
    identifier = identified([0, 1, 2, 3], 4, [0, 1, 2, 3])
    assert identifier.stage is IdentifyStage.DONE
    findings = identifier.findings()
    assert findings.as_written
    assert findings.under == tuple(Place(0, channel) for channel in range(4))
    assert findings.spare == ()


def test_swapped_zones_and_spare_channels_are_found() -> None:
    findings = identified([-1, 1, 0, 2, -1], 3, [0, 1, 2]).findings()
    assert [place.channel for place in findings.under if place] == [2, 1, 3]
    assert findings.moved == (0, 2)
    assert findings.spare == (Place(0, 0), Place(0, 4))
    assert not findings.as_written


def test_a_leaky_mat_is_told_by_its_strongest_channel() -> None:
    findings = identified([2, 0, 1], 3, [0, 1, 2], leakage=0.25).findings()
    assert [place.channel for place in findings.under if place] == [1, 2, 0]
    assert findings.twice == ()


def test_a_zone_with_two_channels_is_doubled() -> None:
    identifier = Identifier(written(2), [3])
    identifier.go_on()
    mat = SimulatedMat(grid(2, 1, 60.0))
    rng = Random(3)
    presses = [hand(0, 4.0, 30.0, 0.4, rng), hand(1, 5.0, 30.0, 0.4, rng)]
    for scan in render(presses, mat, 250.0, 11):
        first, second = scan.readings
        identifier.feed(0, Scan(scan.time_s, (first, second, max(0, first - 30))))
    findings = identifier.findings()
    assert findings.under == (Place(0, 0), Place(0, 1))
    assert findings.twice == ((0, Place(0, 2)),)
    assert not findings.as_written


def test_one_channel_under_two_zones_is_shared() -> None:
    """Whoever answers for zone 0 answers for zone 1 as well: they are wired in parallel."""
    identifier = Identifier(written(2), [2])
    identifier.go_on()
    mat = SimulatedMat(grid(1, 1, 60.0), (0, -1))
    rng = Random(3)
    presses = [hand(0, 4.0, 30.0, 0.4, rng), hand(0, 5.0, 30.0, 0.4, rng)]
    for scan in render(presses, mat, 250.0, 11):
        identifier.feed(0, scan)
    findings = identifier.findings()
    assert findings.shared == ((Place(0, 0), (0, 1)),)
    assert findings.moved == (1,)


def test_a_silent_zone_is_left_out_by_a_key_or_by_time() -> None:
    mat = SimulatedMat(grid(3, 1, 60.0), (0, -1, 2))
    rng = Random(3)
    presses = [hand(0, 4.0, 30.0, 0.4, rng), hand(2, 13.0, 30.0, 0.4, rng)]
    by_time = Identifier(written(3), [3], step_s=6.0)
    by_key = Identifier(written(3), [3])
    for identifier in (by_time, by_key):
        identifier.go_on()
    for scan in render(presses, mat, 250.0, 11):
        by_time.feed(0, scan)
        by_key.feed(0, scan)
        if by_key.zone == 1 and scan.time_s > 8.0:
            by_key.go_on()
    for identifier in (by_time, by_key):
        assert identifier.stage is IdentifyStage.DONE
        assert identifier.findings().silent == (1,)
        assert identifier.findings().spare == (Place(0, 1),)


def test_a_press_that_began_before_it_was_asked_for_is_none_of_it() -> None:
    """A foot slides from zone 0 on to zone 2, and leans there while zone 1 is asked for."""
    rows: list[tuple[int, ...]] = [(5, 5, 5)] * 400
    rows += [(500, 5, 5)] * 20 + [(500, 5, 300)] * 20 + [(5, 5, 300)] * 20 + [(5, 5, 900)] * 20
    rows += [(5, 5, 5)] * 20 + [(5, 400, 5)] * 20 + [(5, 5, 5)] * 20
    identifier = Identifier(written(3), [3])
    identifier.go_on()
    for number, row in enumerate(rows):
        identifier.feed(0, Scan(number * 0.01, row))
    assert identifier.findings().under == (Place(0, 0), Place(0, 1), None)


def test_back_asks_for_the_zone_before_again() -> None:
    identifier = identified([0, 1], 2, [1])
    assert identifier.zone == 1
    assert identifier.last == (0, Place(0, 1))
    identifier.back()
    assert identifier.zone == 0
    assert identifier.findings().under == (None, None)


def test_a_board_that_sends_less_than_written_is_told() -> None:
    identifier = Identifier(written(2), [3])
    identifier.go_on()
    scans = [Scan(index * 0.01, (1, 2)) for index in range(400)]

    def feed_all() -> None:
        for scan in scans:
            identifier.feed(0, scan)

    with pytest.raises(CalibrationError, match="board 0 sends no channel 2"):
        feed_all()


def test_zones_of_two_boards_are_told_apart() -> None:
    wiring = Wiring("quay", SENSOR, (ZoneWire("a", 0, 0), ZoneWire("b", 1, 0)))
    identifier = Identifier(wiring, [1, 1])
    identifier.go_on()
    mat = SimulatedMat(grid(2, 1, 60.0))
    rng = Random(3)
    for scan in render([hand(1, 4, 30.0, 0.4, rng), hand(0, 5, 30.0, 0.4, rng)], mat, 250.0, 11):
        identifier.feed(0, Scan(scan.time_s, scan.readings[:1]))
        identifier.feed(1, Scan(scan.time_s, scan.readings[1:]))
    assert identifier.findings().under == (Place(1, 0), Place(0, 0))
    assert identifier.findings().moved == (0, 1)


@settings(max_examples=15)
@given(st.permutations(range(5)))
def test_any_wiring_is_found(wiring: list[int]) -> None:
    findings = identified(wiring, 5, range(5)).findings()
    assert [place.channel for place in findings.under if place] == [
        wiring.index(zone) for zone in range(5)
    ]


def findings(under: Sequence[int | None], spare: Sequence[int]) -> Findings:
    places = tuple(None if channel is None else Place(0, channel) for channel in under)
    return Findings(places, (), (), (), (), tuple(Place(0, channel) for channel in spare))


@pytest.mark.parametrize(
    ("under", "spare", "chosen", "guessed"),
    [
        ([2, 0, 1], [], [2, 0, 1], ()),
        ([0, None, 2], [1], [0, 1, 2], (1,)),  # silent, and what is written is free
        ([1, None, 2], [0], [1, 0, 2], (1,)),  # silent, and only one channel is left for it
        ([1, 1, 2], [0], [1, 0, 2], (1,)),  # shared: the first keeps it
        ([2, None, None], [0, 1], [2, 1, 0], (1, 2)),
        ([1, None, 2], [], [1, 1, 2], (1,)),  # none left: the file will be refused, and says why
    ],
)
def test_zones_that_were_not_found_get_what_is_left(
    under: Sequence[int | None],
    spare: Sequence[int],
    chosen: Sequence[int],
    guessed: tuple[int, ...],
) -> None:
    places, guesses = wires(written(3), findings(under, spare))
    assert [place.channel for place in places] == chosen
    assert guesses == guessed


@given(
    st.lists(st.none() | st.integers(0, 7), min_size=8, max_size=8),
)
def test_with_a_channel_for_each_zone_all_get_one_of_their_own(under: list[int | None]) -> None:
    spare = [channel for channel in range(8) if channel not in under]
    places, _ = wires(written(8), findings(under, spare))
    assert sorted(place.channel for place in places) == list(range(8))
