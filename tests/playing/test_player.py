"""Presets, actions, what comes from outside, reloads, and outputs that come and go."""

from __future__ import annotations

import pytest

from matbridge.mapping.plan import (
    Act,
    ActionPart,
    ChannelEntry,
    ControlMode,
    ControlPart,
    Hold,
    InputPlan,
    Leaving,
    Length,
    MpePlan,
    PerformancePlan,
    PressureTarget,
    ProgramPart,
    VoicePlan,
    ZonePlan,
)
from matbridge.midi.messages import KEYS
from matbridge.playing.ledger import Sent, key_of, recover
from matbridge.playing.player import REQUEST_LIMIT, TRANSPOSE_LIMIT, Needs, Player
from matbridge.sensing.touch import VelocitySource
from tests.support.playing import (
    Play,
    note,
    outputs,
    performance,
    preset,
    pressure,
    said,
    velocity_plan,
)

LENGTH = Length(seconds=2.0)


def three() -> PerformancePlan:
    """Three presets of one zone each, and an entry that tells which."""
    return performance(
        *(
            preset(note(number), name=f"preset {at}", entry=(ChannelEntry(0, 1, program=at),))
            for at, number in enumerate((60, 62, 64))
        )
    )


def test_entering_and_leaving_in_turn() -> None:
    play = Play(three())
    assert play.entry == ["program 1 0"]
    assert play.act(Act.NEXT_PRESET) == ["program 1 1"]
    assert play.act(Act.PRESET, 0) == ["program 1 0"]
    assert play.act(Act.PREVIOUS_PRESET) == ["program 1 2"]
    assert play.player.preset == 2
    assert play.act(Act.NEXT_PRESET) == ["program 1 0"]
    with pytest.raises(ValueError, match="there is no preset 3, only 0 to 2"):
        play.act(Act.PRESET, 3)
    with pytest.raises(ValueError, match="no preset -1"):
        play.act(Act.PRESET, -1)


def test_the_first_preset_is_the_performance_s_or_the_caller_s() -> None:
    plan = performance(*three().presets, first=1)
    assert Play(plan).entry == ["program 1 1"]
    assert said(Player(plan).start(0.0, preset=2)) == ["program 1 2"]


@pytest.mark.parametrize("leaving", list(Leaving))
def test_held_notes_follow_the_rule_of_their_preset(leaving: Leaving) -> None:
    zones = (
        note(60),
        note(62, 65),
        note(64, hold=Hold.TOGGLE),
        note(67, hold=Hold.GROUP, group=0),
        note(70, hold=Hold.LENGTH, length=LENGTH),
    )
    others = tuple(note(80 + number) for number in range(5))
    play = Play(performance(preset(*zones, leaving=leaving), preset(*others)))
    play.on(0, 1)
    play.on(2, 3, 4)
    left = play.act(Act.NEXT_PRESET)
    if leaving is Leaving.END:
        assert sorted(left) == sorted(f"off 1 {n} 64" for n in (60, 62, 65, 64, 67, 70))
        assert play.off(0, 1, 2, 3, 4) == []
        assert play.wait(9.0) == []
    else:
        assert left == ["off 1 64 64", "off 1 67 64"]
        assert play.off(0, velocity=9) == ["off 1 60 9"]
        assert play.off(1, 2, 3, 4) == ["off 1 62 64", "off 1 65 64"]
        assert play.wait(9.0) == ["off 1 70 64"]
    assert play.on(0, 2) == ["on 1 80 100", "on 1 82 100"]


def test_a_ringing_zone_belongs_to_its_preset_until_the_lift() -> None:
    first = preset(note(60, pressure=(pressure(),)), note(61))
    second = preset(note(70, pressure=(pressure(PressureTarget.CONTROL, control=1),)), note(71))
    play = Play(performance(first, second))
    play.on(0)
    play.act(Act.NEXT_PRESET)
    assert play.player.sensing_needs().pressure == (True, False)
    assert play.press(0, 33) == ["pressure 1 33"]
    assert play.on(1) == ["on 1 71 100"]
    assert play.off(0) == ["pressure 1 0", "off 1 60 64"]
    assert play.on(0) == ["on 1 70 100"]
    assert play.press(0, 44) == ["control 1 1 44"]


def test_pressure_is_sensed_for_a_ringing_zone_until_its_lift() -> None:
    play = Play(three())
    play.on(0)
    play.act(Act.NEXT_PRESET)
    assert play.player.sensing_needs().pressure == (True,)
    play.off(0)
    assert play.player.sensing_needs().pressure == (False,)


def test_an_onset_on_a_ringing_zone_is_of_the_new_preset() -> None:
    play = Play(three())
    play.on(0)
    play.act(Act.NEXT_PRESET)
    assert play.on(0) == ["off 1 60 64", "on 1 62 100"]
    assert play.off(0) == ["off 1 62 64"]


def test_coming_back_to_a_preset_that_rings() -> None:
    play = Play(three())
    play.on(0)
    play.act(Act.NEXT_PRESET)
    play.act(Act.PREVIOUS_PRESET)
    assert play.off(0) == ["off 1 60 64"]
    assert play.on(0) == ["on 1 60 100"]
    play.act(Act.NEXT_PRESET)
    play.act(Act.NEXT_PRESET)
    assert play.off(0) == ["off 1 60 64"]
    assert play.on(0) == ["on 1 64 100"]


def test_transposing_moves_the_next_notes_and_ends_the_ones_that_were_sent() -> None:
    zones = (note(60), note(60, 64), note(38, channel=10, transposable=False))
    play = Play(preset(*zones))
    play.on(0)
    play.act(Act.TRANSPOSE, 12)
    play.act(Act.TRANSPOSE, -7)
    assert play.player.transpose == 5
    assert play.off(0) == ["off 1 60 64"]
    assert play.on(0, 1, 2) == [
        "on 1 65 100",
        *("off 1 65 64", "on 1 65 100"),
        "on 1 69 100",
        "on 10 38 100",
    ]
    play.act(Act.TRANSPOSE_TO, 0)
    assert sorted(play.off(0, 1, 2)) == ["off 1 65 64", "off 1 69 64", "off 10 38 64"]
    play.act(Act.TRANSPOSE, 999)
    assert play.player.transpose == TRANSPOSE_LIMIT
    play.act(Act.TRANSPOSE_TO, -999)
    assert play.player.transpose == -TRANSPOSE_LIMIT


def test_a_transposition_stays_when_the_preset_changes() -> None:
    play = Play(three())
    play.act(Act.TRANSPOSE, 1)
    play.act(Act.NEXT_PRESET)
    assert play.on(0) == ["on 1 63 100"]


def test_mute() -> None:
    zones = (note(60), note(62, hold=Hold.TOGGLE), ActionPart(Act.MUTE), control())
    play = Play(preset(*zones))
    play.on(0, 1)
    assert play.on(2) == ["off 1 60 64", "off 1 62 64"]
    assert play.player.muted
    assert play.off(0) == []
    assert play.tap(0) + play.tap(1) == []
    assert play.tap(3) == ["control 1 64 127", "control 1 64 0"]
    play.on(2)
    assert play.tap(0) == ["on 1 60 100", "off 1 60 64"]
    assert play.tap(1) == ["on 1 62 100"]


def test_the_lift_of_a_muted_note_ends_no_other() -> None:
    play = Play(preset(note(60), note(60)))
    play.on(0)
    play.act(Act.MUTE)
    play.act(Act.MUTE)
    play.on(1)
    assert play.off(0) == []
    assert play.off(1) == ["off 1 60 64"]


def test_after_a_panic_a_foot_still_there_moves_nothing() -> None:
    part = ControlPart(
        0, 1, 1, ControlMode.PRESSURE, pressure=pressure(PressureTarget.CONTROL, control=1)
    )
    play = Play(preset(part, note(60, pressure=(pressure(),))))
    play.on(0, 1)
    play.act(Act.PANIC)
    assert play.press(0, 50) + play.press(1, 50) == []


def control() -> ControlPart:
    return ControlPart(0, 1, 64, ControlMode.MOMENTARY)


def test_panic_ends_what_is_owed_then_says_123_then_120() -> None:
    plan = performance(
        preset(note(60), note(48, output=1, channel=3, hold=Hold.TOGGLE), control()),
        preset(note(36, channel=10), note(37, channel=10), note(38, channel=10)),
    )
    play = Play(plan)
    play.on(0, 1, 2)
    expected = ["off 1 60 64", "1/off 3 48 64", "control 1 64 0"]
    for number in (123, 120):
        expected += [f"control 1 {number} 0", f"control 10 {number} 0", f"1/control 3 {number} 0"]
    assert play.heard(play.player.panic(play.now_s)) == expected
    assert play.off(0, 1, 2) == []
    assert play.tap(1) == ["1/on 3 48 100"]


def test_panic_under_mpe_reaches_the_members() -> None:
    play = Play(preset(note(60), mpe=(MpePlan(0, 1, 2),)))
    assert play.act(Act.PANIC) == [
        f"control {channel} {number} 0" for number in (123, 120) for channel in (1, 2, 3)
    ]


def test_a_take_is_asked_of_the_service() -> None:
    play = Play(preset(ActionPart(Act.TAKE)))
    assert play.tap(0) == []
    assert play.player.requests == [Act.TAKE]
    for _ in range(REQUEST_LIMIT + 1):
        play.tap(0)
    assert len(play.player.requests) == REQUEST_LIMIT


def test_tapping_a_zone_sets_the_tempo() -> None:
    play = Play(preset(ActionPart(Act.TAP_TEMPO)))
    for _ in range(3):
        play.tap(0)
        play.wait(0.75)
    assert play.player.tempo_bpm == pytest.approx(80.0)


def heard_from(**facts: object) -> Play:
    plan = three()
    heard = InputPlan("desk*", **facts)  # type: ignore[arg-type]
    return Play(performance(*plan.presets, input=heard))


def test_programs_from_outside_switch_presets() -> None:
    play = heard_from(programs=((2, 5, 1), (0, 6, 2), (0, 6, 0)))
    assert play.midi_in(0xC1, 5) == ["program 1 1"]
    assert play.midi_in(0xC0, 5) == []
    assert play.midi_in(0xC9, 6) == ["program 1 2"]


def test_controls_from_outside_act_when_they_are_pressed() -> None:
    play = heard_from(
        controls=((1, 20, ActionPart(Act.TRANSPOSE, 12)), (0, 21, ActionPart(Act.PANIC)))
    )
    for value, transposed in (
        *((63, 0), (64, 12), (127, 12), (90, 12)),
        *((63, 12), (0, 12), (100, 24)),
    ):
        assert play.midi_in(0xB0, 20, value) == []
        assert play.player.transpose == transposed
    play.midi_in(0xB1, 20, 127)
    assert play.player.transpose == 24
    play.on(0)
    assert play.midi_in(0xB7, 21, 127)[0].startswith("off 1")


@pytest.mark.parametrize(
    "message", [b"", b"\x90\x3c\x40", b"\xc0", b"\xb0\x14", b"\xf0\x7e\xf7", b"\xfe", b"\x40"]
)
def test_what_means_nothing_is_ignored(message: bytes) -> None:
    play = heard_from(programs=((0, 5, 1),), controls=((0, 20, ActionPart(Act.PANIC)),))
    assert play.player.midi_in(message, play.now_s) == []
    assert Play(three()).midi_in(0xC0, 1) == []


def test_the_entry_of_a_preset_in_its_order() -> None:
    entry = (
        ChannelEntry(0, 1, bank=129, program=4, bend_range=12, controls=((7, 90), (91, 30))),
        ChannelEntry(1, 2, bank=3),
        ChannelEntry(1, 3, controls=((101, 0), (6, 64), (101, 127), (6, 1), (7, 1))),
    )
    play = Play(preset(note(60), entry=entry))
    expected = [
        *("control 1 0 1", "control 1 32 1", "program 1 4"),
        *("control 1 101 0", "control 1 100 0", "control 1 6 12", "control 1 38 0"),
        *("control 1 101 127", "control 1 100 127", "control 1 7 90", "control 1 91 30"),
        *("1/control 2 0 0", "1/control 2 32 3"),
        *("1/control 3 101 0", "1/control 3 6 64", "1/control 3 101 127", "1/control 3 6 1"),
        "1/control 3 7 1",
    ]
    assert play.entry == expected
    play.player.output_lost(0)
    play.player.output_lost(1)
    back = play.heard(play.player.output_back(0)) + play.heard(play.player.output_back(1))
    assert sorted(back) == sorted(expected)
    assert back[:11] == expected[:11]
    # A parameter is set by several controls, in their order.
    assert [words for words in back[11:] if not words.endswith("3 7 1")] == expected[11:17]


def test_what_an_output_that_comes_back_is_told() -> None:
    zones = (
        note(60, pressure=(pressure(),)),
        ControlPart(0, 1, 65, ControlMode.TOGGLE),
        ProgramPart(0, 1, 9),
        ControlPart(0, 1, 1, ControlMode.TOGGLE, high=200, fine=True),
    )
    play = Play(preset(*zones, entry=(ChannelEntry(0, 1, program=4, controls=((7, 90),)),)))
    for zone in (1, 2, 3):
        play.tap(zone)
    play.on(0)
    play.press(0, 50)
    play.player.output_lost(0)
    assert play.off(0) + play.tap(1) == []
    assert play.heard(play.player.output_back(0)) == [
        "off 1 60 64",
        "control 1 7 90",
        "program 1 9",
        *("control 1 1 1", "control 1 33 72"),
        "pressure 1 0",
        "control 1 65 0",
    ]


def test_what_a_receiver_that_joins_others_is_told() -> None:
    zones = (note(60, pressure=(pressure(),)), ControlPart(0, 1, 65, ControlMode.TOGGLE))
    play = Play(preset(*zones, entry=(ChannelEntry(0, 1, program=4, controls=((7, 90),)),)))
    play.tap(1)
    play.on(0)
    play.press(0, 50)
    greeting = play.heard(play.player.greeting(0))
    assert sorted(greeting) == sorted(
        ["control 1 7 90", "program 1 4", "control 1 65 127", "pressure 1 50"]
    )
    assert "off 1 60 64" in play.off(0)  # it sounds on at the others


def test_an_mpe_zone_is_told_before_all_else_when_an_output_comes_back() -> None:
    plain = preset(note(60), entry=(ChannelEntry(0, 5, bank=1, program=4),))
    play = Play(performance(plain, preset(note(60), mpe=(MpePlan(0, 1, 1),)), plain))
    play.act(Act.NEXT_PRESET)
    play.player.output_lost(0)
    back = play.heard(play.player.output_back(0))
    assert back.index("control 1 100 6") < back.index("program 5 4")


def test_notes_over_a_loss_end_once_and_those_struck_meanwhile_never_sounded() -> None:
    zones = (note(60), note(62, hold=Hold.TOGGLE), note(64), note(65, output=1))
    play = Play(preset(*zones, voices=VoicePlan(limit=3)))
    play.on(0, 1)
    play.player.output_lost(0)
    assert play.off(0) == []
    assert play.on(2, 3) == ["1/on 1 65 100"]
    assert said(recover(play.player.ledger.image))[:2] == ["off 1 60 64", "off 1 62 64"]
    assert play.heard(play.player.output_back(0)) == ["off 1 60 64", "off 1 62 64"]
    assert play.sounds() == [65]
    assert play.off(2) == []
    play.off(1)
    assert play.tap(1) == ["on 1 62 100"]  # on again, not off
    assert play.receiver.unasked_offs == 0


def test_an_output_that_was_back_before_anybody_noticed() -> None:
    play = Play(preset(note(60)))
    play.on(0)
    assert play.heard(play.player.output_back(0)) == ["off 1 60 64"]
    assert play.off(0) == []


def test_a_loss_that_was_seen_late_owes_the_latest_note_offs_again() -> None:
    play = Play(preset(note(60)))
    play.tap(0)
    play.player.output_lost(0, unseen=True)
    assert play.heard(play.player.output_back(0)) == ["off 1 60 64"]


def test_a_length_that_a_foot_kept_over_a_reload_ends_with_the_foot() -> None:
    plan = performance(preset(note(60, hold=Hold.LENGTH, length=Length(beats=99.0))))
    play = Play(plan)
    play.on(0)
    play.swap(plan)
    play.start()
    assert play.off(0) == ["off 1 60 64"]
    assert play.tap(0) == ["on 1 60 100"]
    play.swap(plan)  # nobody stands there
    assert play.sounds() == []
    assert play.player.next_due_s > 1e9


def test_the_ledger_ends_what_nobody_knows() -> None:
    play = Play(preset(note(60)))
    out: list[Sent] = []
    play.player.ledger.strike(key_of(1, 9, 1), 50, 0, out)
    play.heard(out)
    assert play.finish() == ["1/off 9 1 64"]


def test_a_transposition_and_a_mute_outlive_a_reload() -> None:
    play = Play(preset(note(60)))
    play.act(Act.TRANSPOSE, 2)
    play.act(Act.MUTE)
    play.swap(performance(preset(note(70)), outputs=outputs(1)))
    play.start()
    assert play.on(0) == []
    play.act(Act.MUTE)
    assert play.on(0) == ["on 1 72 100"]


def test_what_waits_for_a_beat_is_due_anew_when_the_tempo_changes() -> None:
    zones = (note(60, hold=Hold.TOGGLE, repeat=Length(beats=8.0)), note(62))
    heard = InputPlan("desk*", clock=True)
    plan = performance(preset(*zones), input=heard)
    play = Play(plan)
    play.on(0)
    assert play.player.next_due_s == pytest.approx(play.now_s + 4.0)
    for _ in range(3):
        play.act(Act.TAP_TEMPO)
        play.wait(0.25)
    assert play.player.next_due_s < play.now_s + 2.0
    for _ in range(30):
        assert play.midi_in(0xF8) + play.wait(0.05) == []
    assert play.player.next_due_s > play.now_s + 2.0
    # Over a reload a foot keeps its note.
    play = Play(performance(preset(note(60, repeat=Length(beats=8.0)))))
    play.on(0)
    play.swap(performance(preset(note(60)), tempo_bpm=240.0))
    assert play.player.next_due_s == pytest.approx(play.now_s + 2.0)


def test_a_reload_listens_as_it_says() -> None:
    play = heard_from(programs=((0, 5, 1),))
    play.swap(performance(*three().presets, input=InputPlan("desk*", programs=((0, 5, 2),))))
    play.start()
    assert play.midi_in(0xC0, 5) == ["program 1 2"]


def test_between_a_reload_and_its_start_feet_are_heard() -> None:
    play = Play(preset(note(60), note(62), note(64)))
    play.act(Act.TRANSPOSE, 1)
    play.on(0, 2)
    assert play.swap(performance(preset(note(70), note(72), note(74)))) == []
    assert play.off(0) == ["off 1 61 64"]
    assert play.on(0) == ["on 1 71 100"]
    assert play.start() == []
    assert play.off(0) == ["off 1 71 64"]
    assert play.finish() == ["off 1 65 64"]


@pytest.mark.parametrize("leaving", list(Leaving))
def test_a_reload_with_the_same_outputs_follows_the_rule_of_the_preset(leaving: Leaving) -> None:
    old = performance(
        preset(note(60), note(62, hold=Hold.LENGTH, length=LENGTH), name="a"),
        preset(note(64), note(66), name="b", leaving=leaving),
    )
    new = performance(
        preset(note(70), note(71), name="x"),
        preset(note(72), note(73), name="b", entry=(ChannelEntry(0, 1, program=3),)),
    )
    play = Play(old)
    play.act(Act.TRANSPOSE, 1)
    play.on(1)
    play.off(1)
    play.act(Act.NEXT_PRESET)
    play.on(0)
    left = play.swap(new)
    if leaving is Leaving.END:
        assert left == ["off 1 65 64", "off 1 63 64"]
    else:
        assert left == ["off 1 63 64"]  # only feet keep a note over a reload
    assert play.player.preset == 1  # of the same name
    assert play.start() == ["program 1 3"]
    assert play.off(0) == ([] if leaving is Leaving.END else ["off 1 65 64"])
    assert play.on(0) == ["on 1 73 100"]
    assert play.wait(9.0) == []


def test_a_reload_with_other_outputs_ends_everything_on_the_old_ones() -> None:
    old = performance(preset(note(60), note(62, output=1), mpe=(MpePlan(0, 1, 2),)))
    play = Play(old)
    play.on(0, 1)
    new = performance(preset(note(70), note(71, output=2)), outputs=outputs(3))
    left = play.swap(new)
    assert left[:2] == ["off 2 60 64", "1/off 1 62 64"]
    assert "control 1 6 0" in left  # the MPE zone is closed
    assert play.start() == []
    assert play.off(0, 1) == []
    assert play.on(1) == ["2/on 1 71 100"]
    assert len(play.player.ledger.image) == 3 * KEYS


def test_a_reload_with_another_mat_ends_everything() -> None:
    play = Play(preset(note(60), note(62)))
    play.on(0, 1)
    new = performance(preset(note(64)), tempo_bpm=77.0)
    assert play.swap(new, preset=0) == ["off 1 60 64", "off 1 62 64"]
    play.start()
    assert play.off(0) == []
    assert play.player.tempo_bpm == 77.0
    assert play.tap(0) == ["on 1 64 100", "off 1 64 64"]


def test_what_a_lost_output_is_owed_survives_a_reload_that_keeps_it() -> None:
    jacks = outputs(3)
    old = performance(preset(note(60), note(62, output=1)), outputs=jacks[:2])
    new = performance(preset(note(60), note(62)), outputs=(jacks[2], jacks[1]))
    play = Play(old)
    play.on(0, 1)
    play.player.output_lost(0)
    play.player.output_lost(1)
    assert play.swap(new) == []
    play.start()
    # The first output is gone, and with it its debt; the second is in the same place.
    assert list(play.player.ledger.lost) == [1]
    assert said(recover(play.player.ledger.image)) == ["1/off 1 62 64"]
    assert said(play.player.output_back(1)) == ["1/off 1 62 64"]


def test_the_image_given_is_the_one_written_also_after_a_swap() -> None:
    image = bytearray(2 * KEYS)
    player = Player(performance(preset(note(60))), image)
    assert player.ledger.image is image
    other = bytearray(3 * KEYS)
    player.swap(performance(preset(note(60)), outputs=outputs(3)), 0.0, image=other)
    assert player.ledger.image is other


def test_finish_leaves_nothing() -> None:
    zones = (
        note(60, pressure=(pressure(interval_s=1.0),)),
        note(62, hold=Hold.LENGTH, length=LENGTH),
        note(64, repeat=Length(beats=1.0)),
        control(),
    )
    play = Play(performance(preset(*zones), preset(*zones), clock_outputs=(1,)))
    play.on(0, 1, 2, 3)
    play.press(0, 50)
    play.press(0, 60)
    play.act(Act.NEXT_PRESET)
    play.on(1)
    finished = play.finish()
    assert sorted(finished) == sorted(
        [
            *("off 1 60 64", "pressure 1 0", "off 1 62 64", "off 1 64 64"),
            *("control 1 64 0", "1/stop"),
        ]
    )
    assert play.receiver.sounding == set()
    assert play.player.next_due_s > 1e9
    assert not any(play.player.ledger.image)


def test_what_the_preset_wants_of_sensing() -> None:
    def zone(source: VelocitySource, *parts: object) -> ZonePlan:
        return ZonePlan(velocity_plan(source), parts)  # type: ignore[arg-type]

    follows = ControlPart(
        0, 1, 1, ControlMode.PRESSURE, pressure=pressure(PressureTarget.CONTROL, control=1)
    )
    plan = preset()
    zones = (
        zone(VelocitySource.PEAK, note(60)),
        zone(VelocitySource.FIXED),
        zone(VelocitySource.BOTH, note(62, pressure=(pressure(),))),
        zone(VelocitySource.RISE, note(60), follows),
    )
    play = Play(performance(type(plan)("low tide", zones), three().presets[0]))
    assert play.player.sensing_needs() == Needs(
        (VelocitySource.PEAK, VelocitySource.FIXED, VelocitySource.BOTH, VelocitySource.RISE),
        (False, False, True, True),
    )
    assert play.tap(1) == []


def test_what_an_earlier_process_left_sounding_is_owed_first() -> None:
    image = bytearray(2 * KEYS)
    player = Player(performance(preset(note(60), note(62, output=1))), image)
    left = bytearray(2 * KEYS)
    left[key_of(0, 3, 64)] = left[key_of(0, 1, 60)] = 1
    player.owe(left)
    assert said(recover(image)) == ["off 1 60 64", "off 3 64 64"]
    assert said(player.output_back(1)) == []
    assert said(player.output_back(0)) == ["off 1 60 64", "off 3 64 64"]
    assert said(player.start(0.0)) == []
    assert not any(image)
