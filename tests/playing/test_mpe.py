from __future__ import annotations

import pytest

from matbridge.mapping.plan import (
    Act,
    BendPart,
    Hold,
    Leaving,
    MpePlan,
    PresetPlan,
    PressureTarget,
    SameNote,
    VoicePlan,
)
from tests.support.playing import STRAIGHT_14, Play, kinds, note, performance, preset, pressure

LOWER = MpePlan(0, 1, 15)
UPPER = MpePlan(0, 16, 3, bend_range=24)
SMALL = MpePlan(0, 1, 2)
FRESH = ("bend {} 8192", "pressure {} 0", "control {} 74 64")


def fresh(channel: int) -> list[str]:
    return [words.format(channel) for words in FRESH]


def pieces(*zones: object, mpe: MpePlan = LOWER, **more: object) -> PresetPlan:
    return preset(*zones, mpe=(mpe,), **more)  # type: ignore[arg-type]


def channels(heard: list[str]) -> list[int]:
    return [int(words.split()[1]) for words in heard if words.startswith("on")]


def test_the_zone_is_announced_at_entry() -> None:
    heard = Play(pieces(note(60), mpe=UPPER)).entry
    assert heard[:6] == [
        *("control 16 101 0", "control 16 100 6", "control 16 6 3", "control 16 38 0"),
        *("control 16 101 127", "control 16 100 127"),
    ]
    for number, channel in enumerate((15, 14, 13)):
        at = 6 + 6 * number
        assert heard[at : at + 4] == [
            f"control {channel} 101 0",
            f"control {channel} 100 0",
            f"control {channel} 6 24",
            f"control {channel} 38 0",
        ]
    assert len(heard) == 24


def test_two_zones_of_one_output() -> None:
    both = preset(
        note(60),
        note(62, channel=16),
        note(64, channel=8),
        mpe=(MpePlan(0, 1, 6), MpePlan(0, 16, 7)),
    )
    play = Play(both)
    assert channels(play.on(0, 1, 2)) == [2, 15, 8]


def test_each_note_is_told_bend_pressure_and_timbre_before_it_sounds() -> None:
    play = Play(pieces(note(60, 64)))
    assert play.on(0) == [*fresh(2), "on 2 60 100", *fresh(3), "on 3 64 100"]
    assert play.off(0) == ["off 2 60 64", "off 3 64 64"]


def test_an_idle_member_before_a_busy_one_and_the_longest_idle_of_those() -> None:
    zones = tuple(note(60 + number) for number in range(4))
    play = Play(pieces(*zones, mpe=MpePlan(0, 1, 3)))
    assert channels(play.on(0, 1, 2)) == [2, 3, 4]
    play.off(1)
    play.off(2)
    play.off(0)
    assert channels(play.on(3)) == [3]  # idle longest
    assert channels(play.on(0)) == [2]  # had the same note last
    assert channels(play.on(1)) == [4]  # the only idle one
    assert channels(play.on(2)) == [3]  # all have one: in the order they were idle
    assert play.receiver.sounding == {(0, 2, 63), (0, 1, 60), (0, 3, 61), (0, 2, 62)}
    play.off(0, 1, 2, 3)
    assert play.receiver.sounding == set()


def test_the_member_that_had_the_note_last_gets_it_again() -> None:
    play = Play(pieces(note(60), note(62), note(64)))
    for zone, channel in ((0, 2), (1, 3), (0, 2), (2, 4), (1, 3)):
        assert channels(play.tap(zone)) == [channel]


def test_the_same_note_twice_is_two_notes() -> None:
    play = Play(pieces(note(60), note(60), voices=VoicePlan(same_note=SameNote.JOIN)))
    assert channels(play.on(0, 1)) == [2, 3]
    assert play.off(0) == ["off 2 60 64"]


def test_more_of_the_same_note_than_members() -> None:
    play = Play(pieces(*(note(60) for _ in range(5)), mpe=SMALL))
    play.on(0, 1, 2, 3, 4)
    assert play.sounds() == [60, 60]
    play.off(0, 1, 2, 3, 4)
    assert play.receiver.sounding == set()


@pytest.mark.parametrize(
    ("target", "more", "heard"),
    [
        (PressureTarget.CHANNEL, {}, ["pressure 3 50"]),
        (PressureTarget.POLY, {}, ["pressure 3 50"]),
        (PressureTarget.CONTROL, {"control": 74}, ["control 3 74 50"]),
        (PressureTarget.CONTROL_14, {"control": 1}, ["control 3 1 50", "control 3 33 52"]),
    ],
)
def test_pressure_is_of_each_note(
    target: PressureTarget, more: dict[str, object], heard: list[str]
) -> None:
    how = (pressure(target, **more),)
    play = Play(pieces(note(60, pressure=how), note(62, pressure=how)))
    play.on(0, 1)
    came = play.press(1, 50)
    assert [w.rsplit(" ", 1)[0] for w in came] == [w.rsplit(" ", 1)[0] for w in heard]
    assert int(came[0].split()[-1]) == 50
    # The note ends: nothing more is said of what the next one is told anyway.
    rest = ["control 3 1 0", "control 3 33 0"] if target is PressureTarget.CONTROL_14 else []
    assert play.off(1) == [*rest, "off 3 62 64"]
    next_note = play.on(1)
    assert next_note[-1] == "on 3 62 100"


def test_the_first_timbre_is_where_its_pressure_begins() -> None:
    table = tuple(20 + value * 107 // 16383 for value in STRAIGHT_14)
    how = (pressure(PressureTarget.CONTROL, control=74, table=table), pressure())
    play = Play(pieces(note(60, pressure=how)))
    assert play.on(0)[:3] == ["bend 2 8192", "pressure 2 0", "control 2 74 20"]
    assert play.press(0, 0) == []


def test_bending_by_pressure_adds_to_the_tuning_of_each_note() -> None:
    table = tuple(8192 + value // 4 for value in STRAIGHT_14)
    how = (pressure(PressureTarget.BEND, table=table),)
    play = Play(pieces(note(60.5, pressure=how), note(62, pressure=how)))
    start = 8192 + round(8192 * 50 / 4800)
    assert play.on(0)[0] == f"bend 2 {start}"
    play.on(1)
    assert play.press(0, 127) == [f"bend 2 {start + 4095}"]
    assert play.press(1, 127) == ["bend 3 12287"]


def test_a_toggled_note_comes_to_rest_when_the_foot_leaves_it() -> None:
    play = Play(pieces(note(60, hold=Hold.TOGGLE, pressure=(pressure(),))))
    play.on(0)
    play.press(0, 80)
    assert play.off(0) == ["pressure 2 0"]
    assert play.sounds() == [60]


def test_parts_of_other_channels_and_controls_of_the_manager_stay_where_they_are() -> None:
    play = Play(pieces(note(60, channel=5), BendPart(0, 1, 12288), mpe=SMALL))
    assert play.on(0) == ["on 5 60 100"]
    assert play.on(1) == ["bend 1 12288"]


def test_one_voice_under_mpe() -> None:
    play = Play(pieces(note(60), note(62), voices=VoicePlan(limit=1)))
    play.on(0)
    assert play.on(1) == ["off 2 60 64", *fresh(3), "on 3 62 100"]
    assert channels(play.off(1)) == [2]


def test_a_preset_with_the_same_zone_says_nothing_and_lets_ring() -> None:
    play = Play(performance(pieces(note(60)), pieces(note(62))))
    play.on(0)
    assert play.act(Act.NEXT_PRESET) == []
    assert play.off(0) == ["off 2 60 64"]
    assert channels(play.on(0)) == [3]


def test_a_preset_with_other_zones_ends_the_notes_and_closes_them() -> None:
    play = Play(
        performance(
            pieces(note(60.25), leaving=Leaving.RING), preset(note(62)), pieces(note(64), mpe=SMALL)
        )
    )
    play.on(0)
    heard = play.act(Act.NEXT_PRESET)
    assert heard == [
        "off 2 60 64",
        "bend 2 8192",
        *("control 1 101 0", "control 1 100 6", "control 1 6 0", "control 1 38 0"),
        *("control 1 101 127", "control 1 100 127"),
    ]
    assert play.off(0) == []
    assert play.heard(play.player.output_back(0)) == []  # nothing is left to tell
    assert play.act(Act.NEXT_PRESET)[:3] == ["control 1 101 0", "control 1 100 6", "control 1 6 2"]


def test_a_voice_that_waits_does_not_come_back_as_the_zones_change() -> None:
    play = Play(
        performance(pieces(note(60), note(62), voices=VoicePlan(limit=1)), preset(note(1), note(2)))
    )
    play.on(1)
    play.on(0)
    assert kinds(play.act(Act.NEXT_PRESET), "on", "off") == ["off 3 60 64"]


def test_an_output_that_comes_back_learns_of_the_zone_first() -> None:
    play = Play(pieces(note(60), mpe=SMALL))
    play.on(0)
    play.player.output_lost(0)
    assert play.off(0) == []
    heard = play.heard(play.player.output_back(0))
    assert heard == ["off 2 60 64", *play.entry]
