"""The pressure of held zones: where it goes, how often, and that the last value arrives."""

from __future__ import annotations

from itertools import pairwise
from math import exp

import pytest

from matbridge.mapping.plan import Act, ChannelEntry, ControlMode, ControlPart, Hold, PressureTarget
from tests.support.playing import FALLING, STRAIGHT_14, Play, note, performance, preset, pressure


@pytest.mark.parametrize(
    ("target", "more", "sixty", "rest"),
    [
        (PressureTarget.CHANNEL, {}, ["pressure 2 60"], ["pressure 2 0"]),
        (PressureTarget.POLY, {}, ["poly 2 48 60"], ["poly 2 48 0"]),
        (PressureTarget.CONTROL, {"control": 11}, ["control 2 11 60"], ["control 2 11 0"]),
        (
            PressureTarget.CONTROL_14,
            {"control": 1},
            ["control 2 1 60", "control 2 33 61"],
            ["control 2 1 0", "control 2 33 0"],
        ),
        (
            PressureTarget.BEND,
            {"table": tuple(8192 + value // 2 for value in STRAIGHT_14)},
            ["bend 2 12062"],
            ["bend 2 8192"],
        ),
    ],
)
@pytest.mark.parametrize("chord", [False, True], ids=["note", "toggled"])
def test_where_it_goes(
    target: PressureTarget, more: dict[str, object], sixty: list[str], rest: list[str], chord: bool
) -> None:
    hold = Hold.TOGGLE if chord else Hold.TOUCH
    play = Play(preset(note(48, channel=2, hold=hold, pressure=(pressure(target, **more),))))
    assert play.press(0, 90) == []  # nobody stands there
    play.on(0)
    heard = play.press(0, 60)
    if target is PressureTarget.CONTROL_14:
        coarse, fine = (int(words.split()[-1]) for words in heard)
        assert coarse * 128 + fine == pytest.approx(60 / 127 * 16383, abs=8)
        assert [words.rsplit(" ", 1)[0] for words in heard] == ["control 2 1", "control 2 33"]
    elif target is PressureTarget.BEND:
        assert int(heard[0].split()[-1]) == pytest.approx(8192 + 60 / 127 * 8191, abs=8)
    else:
        assert heard == sixty
    assert play.press(0, 60) == []
    assert play.off(0) == rest + ([] if chord else ["off 2 48 64"])
    assert play.press(0, 60) == []


def test_several_at_once() -> None:
    both = (pressure(), pressure(PressureTarget.CONTROL, control=74))
    play = Play(preset(note(48, pressure=both)))
    play.on(0)
    assert play.press(0, 5) == ["pressure 1 5", "control 1 74 5"]


def test_of_several_zones_the_one_pressed_hardest_counts() -> None:
    zones = tuple(note(number, pressure=(pressure(),)) for number in (60, 62))
    play = Play(preset(*zones))
    play.on(0, 1)
    assert play.press(0, 40) == ["pressure 1 40"]
    assert play.press(1, 90) == ["pressure 1 90"]
    assert play.press(0, 50) == []
    assert play.off(1) == ["pressure 1 50", "off 1 62 64"]
    assert play.off(0) == ["pressure 1 0", "off 1 60 64"]


def test_polyphonic_pressure_is_of_each_zone() -> None:
    how = (pressure(PressureTarget.POLY),)
    play = Play(preset(note(60, 64, pressure=how), note(62, pressure=how)))
    play.on(0, 1)
    assert play.press(0, 40) == ["poly 1 60 40", "poly 1 64 40"]
    assert play.press(1, 30) == ["poly 1 62 30"]
    play.off(0)
    play.on(0)
    assert play.press(0, 40) == ["poly 1 60 40", "poly 1 64 40"]  # new notes are told anew


def test_the_rate_is_limited_and_the_last_value_arrives() -> None:
    play = Play(preset(note(60, pressure=(pressure(interval_s=0.01),))))
    play.on(0)
    heard: list[str] = []
    for step in range(1, 96):  # a value a millisecond
        heard += play.press(0, step) + play.wait(0.001)
    assert 9 <= len(heard) <= 10
    assert heard[0] == "pressure 1 1"
    assert play.wait(1.0) == ["pressure 1 95"]
    assert play.player.next_due_s > 1e9


def test_a_value_that_came_back_in_time_is_not_sent() -> None:
    play = Play(preset(note(60, pressure=(pressure(interval_s=0.01),))))
    play.on(0)
    assert play.press(0, 50) == ["pressure 1 50"]
    assert play.press(0, 60) == []
    assert play.press(0, 50) == []
    assert play.wait(1.0) == []


def test_the_rest_does_not_wait() -> None:
    play = Play(preset(note(60, pressure=(pressure(interval_s=0.01),))))
    play.on(0)
    play.press(0, 50)
    play.press(0, 60)
    assert play.off(0) == ["pressure 1 0", "off 1 60 64"]
    assert play.wait(1.0) == []


def test_the_dead_band_and_its_ends() -> None:
    play = Play(preset(note(60, pressure=(pressure(dead_band=4),))))
    play.on(0)
    heard = [play.press(0, value) for value in (50, 53, 47, 46, 49, 50, 124, 126, 127, 2, 1, 0)]
    assert [words for words in heard if words] == [
        ["pressure 1 50"],
        ["pressure 1 46"],
        ["pressure 1 50"],
        ["pressure 1 124"],
        ["pressure 1 127"],
        ["pressure 1 2"],
        ["pressure 1 0"],
    ]


def test_smoothing_is_a_low_pass_of_the_first_order() -> None:
    play = Play(preset(note(60, pressure=(pressure(smoothing_s=0.05),))))
    play.on(0)
    assert play.press(0, 127) == []
    heard = play.wait_timed(2.0)
    for at_s, words in heard[:-1]:
        expected = 127 * (1 - exp(-at_s / 0.05))
        assert int(words.split()[-1]) == pytest.approx(expected, abs=1.0)
    assert heard[-1][1] == "pressure 1 127"
    assert play.player.next_due_s > 1e9
    values = [int(words.split()[-1]) for _, words in heard]
    assert values == sorted(values)


def test_smoothed_flows_move_on_together() -> None:
    zones = tuple(
        note(60 + n, pressure=(pressure(PressureTarget.POLY, smoothing_s=0.02),)) for n in range(9)
    )
    play = Play(preset(*zones))
    for zone in range(9):
        play.on(zone)
        play.press(zone, 100)
        play.wait(0.0007)
    assert len({at_s for at_s, _ in play.wait_timed(0.02)}) <= 4


def test_smoothing_keeps_the_rate_and_lets_go_at_once() -> None:
    play = Play(preset(note(60, pressure=(pressure(smoothing_s=0.05, interval_s=0.02),))))
    play.on(0)
    play.press(0, 100)
    heard = play.wait_timed(0.1)
    times = [at_s for at_s, _ in heard]
    assert all(later - earlier >= 0.0199 for earlier, later in pairwise(times))
    assert play.off(0) == ["pressure 1 0", "off 1 60 64"]
    assert play.wait(1.0) == []
    play.on(0)
    play.press(0, 100)
    assert 0 < int(play.wait(0.021)[0].split()[-1]) < 50  # from rest again


def test_smoothing_of_several_zones() -> None:
    how = (pressure(smoothing_s=0.02),)
    play = Play(preset(note(60, pressure=how), note(62, pressure=how)))
    play.on(0, 1)
    play.press(0, 40)
    play.press(1, 90)
    play.press(0, 40)
    assert play.wait(1.0)[-1] == "pressure 1 90"
    play.off(1)
    assert play.wait(1.0)[-1] == "pressure 1 40"


def test_after_another_preset_the_first_value_is_sent_whatever_it_is() -> None:
    part = ControlPart(
        0, 1, 11, ControlMode.PRESSURE, pressure=pressure(PressureTarget.CONTROL, control=11)
    )
    zones = (part, note(60, pressure=(pressure(),)), note(62, 64, pressure=(pressure(),)))
    other = preset(note(1), note(2), note(3), entry=(ChannelEntry(0, 1, controls=((11, 100),)),))
    play = Play(performance(preset(*zones), other))
    for zone in range(3):
        play.on(zone)
        play.press(zone, 50)
        play.off(zone)
    play.act(Act.NEXT_PRESET)
    play.act(Act.PREVIOUS_PRESET)
    play.on(0, 1)
    assert play.press(0, 0) == ["control 1 11 0"]
    assert play.press(1, 0) == ["pressure 1 0"]


def test_a_table_may_fall() -> None:
    part = ControlPart(
        0,
        1,
        11,
        ControlMode.PRESSURE,
        pressure=pressure(PressureTarget.CONTROL, control=11, table=FALLING),
    )
    play = Play(preset(part))
    play.on(0)
    assert play.press(0, 27) == ["control 1 11 100"]
    assert play.off(0) == ["control 1 11 127"]
