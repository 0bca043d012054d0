"""Zones that play no notes."""

from __future__ import annotations

import pytest

from matbridge.mapping.plan import (
    Act,
    ActionPart,
    BendPart,
    ControlMode,
    ControlPart,
    Leaving,
    PressureTarget,
    ProgramPart,
)
from tests.support.playing import STRAIGHT_14, Play, note, performance, preset, pressure


def control(
    number: int,
    mode: ControlMode = ControlMode.MOMENTARY,
    low: int = 0,
    high: int = 127,
    fine: bool = False,
) -> ControlPart:
    return ControlPart(0, 1, number, mode, low, high, fine=fine)


def test_a_momentary_control() -> None:
    play = Play(preset(control(64, low=3, high=120)))
    assert play.on(0) == ["control 1 64 120"]
    assert play.off(0) == ["control 1 64 3"]
    assert play.off(0) == []


def test_a_toggled_control() -> None:
    play = Play(preset(control(65, ControlMode.TOGGLE)))
    assert [play.tap(0) for _ in range(3)] == [
        ["control 1 65 127"],
        ["control 1 65 0"],
        ["control 1 65 127"],
    ]


def test_a_fine_control() -> None:
    play = Play(preset(control(1, low=0, high=10_000, fine=True)))
    assert play.on(0) == ["control 1 1 78", "control 1 33 16"]
    assert play.off(0) == ["control 1 1 0", "control 1 33 0"]


def test_two_zones_on_one_control() -> None:
    play = Play(preset(control(64), control(64, high=90), control(64, ControlMode.TOGGLE)))
    assert play.on(0) == ["control 1 64 127"]
    assert play.on(1) == ["control 1 64 90"]
    assert play.off(1) == ["control 1 64 127"]
    assert play.tap(2) == ["control 1 64 127"]
    assert play.off(0) == ["control 1 64 127"]  # the one that was toggled on stays
    assert play.tap(2) == ["control 1 64 0"]


def test_a_control_that_follows_the_pressure() -> None:
    part = ControlPart(
        1, 3, 11, ControlMode.PRESSURE, pressure=pressure(PressureTarget.CONTROL, control=11)
    )
    play = Play(preset(part))
    assert play.on(0) == []
    assert play.press(0, 77) == ["1/control 3 11 77"]
    assert play.off(0) == ["1/control 3 11 0"]


def test_program_and_bank() -> None:
    play = Play(preset(ProgramPart(0, 2, 40), ProgramPart(0, 2, 12, bank=129)))
    assert play.tap(0) == ["program 2 40"]
    assert play.tap(1) == ["control 2 0 1", "control 2 32 1", "program 2 12"]


def test_bends() -> None:
    table = tuple(8192 - value // 2 for value in STRAIGHT_14)
    following = BendPart(0, 1, 8192, pressure=pressure(PressureTarget.BEND, table=table))
    play = Play(preset(BendPart(0, 1, 16383), BendPart(0, 1, 0), following))
    assert play.on(0) == ["bend 1 16383"]
    assert play.on(1) == ["bend 1 0"]
    assert play.off(1) == ["bend 1 16383"]
    assert play.off(0) == ["bend 1 8192"]
    play.on(2)
    assert play.press(2, 127) == ["bend 1 1"]
    assert play.off(2) == ["bend 1 8192"]


@pytest.mark.parametrize("leaving", list(Leaving))
def test_controls_when_their_preset_is_left(leaving: Leaving) -> None:
    left = preset(control(64), control(65, ControlMode.TOGGLE), BendPart(0, 1, 0), leaving=leaving)
    play = Play(performance(left, preset(note(60), note(61), note(62))))
    play.on(0, 2)
    play.tap(1)
    if leaving is Leaving.END:
        expected = ["control 1 64 0", "control 1 65 0", "bend 1 8192"]
        assert play.act(Act.NEXT_PRESET) == expected
        assert play.off(0, 2) == []
    else:
        assert play.act(Act.NEXT_PRESET) == ["control 1 65 0"]
        assert play.off(0, 2) == ["control 1 64 0", "bend 1 8192"]
    assert play.on(0) == ["on 1 60 100"]
    play.off(0)
    play.act(Act.PREVIOUS_PRESET)
    assert play.tap(1) == ["control 1 65 127"]  # it begins as new


def test_all_that_a_zone_does_is_done_before_its_action() -> None:
    zone = (ActionPart(Act.NEXT_PRESET), note(60), control(64))
    play = Play(performance(preset(zone, leaving=Leaving.END), preset(note(72))))
    assert play.on(0) == [
        "on 1 60 100",
        "control 1 64 127",
        "off 1 60 64",
        "control 1 64 0",
    ]
    assert play.player.preset == 1
    assert play.off(0) == []
    assert play.on(0) == ["on 1 72 100"]
