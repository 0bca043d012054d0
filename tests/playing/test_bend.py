"""Cents outside MPE: the channel is bent for the note struck last."""

from __future__ import annotations

from matbridge.mapping.plan import Act, BendPart, PresetPlan
from matbridge.playing.bend import bend_steps, bend_value
from tests.support.playing import Play, note, performance, preset

UP_25 = 8192 + 1024  # 25 cents at the usual range of 2 semitones


def test_what_a_bend_cannot_reach_is_cut_off() -> None:
    assert bend_value(bend_steps(-500.0, 2)) == 0
    assert bend_value(bend_steps(500.0, 2)) == 16383
    assert bend_steps(500.0, 2) == 8191
    assert bend_value(8191 + 5000) == 16383
    assert bend_steps(50.0, 0) == 0


def test_the_bend_comes_before_the_note_and_only_when_it_changes() -> None:
    play = Play(preset(note(60.25), note(62.25), note(64)))
    assert play.on(0) == [f"bend 1 {UP_25}", "on 1 60 100"]
    assert play.on(1) == ["on 1 62 100"]
    assert play.off(0, 1) == ["off 1 60 64", "off 1 62 64"]  # the releases ring in tune
    assert play.on(2) == ["bend 1 8192", "on 1 64 100"]


def test_on_a_shared_channel_the_last_note_is_in_tune() -> None:
    play = Play(preset(note(60.25), note(64), note(67.25, channel=2)))
    play.on(0)
    assert play.on(1) == ["bend 1 8192", "on 1 64 100"]
    assert play.on(2) == [f"bend 2 {UP_25}", "on 2 67 100"]
    assert play.off(1) == ["off 1 64 64"]


def test_the_range_of_the_receiver_counts() -> None:
    play = Play(preset(note(60.5), note(60.5, channel=2), bend_ranges=((0, 2, 12),)))
    assert play.on(0)[0] == "bend 1 10240"
    assert play.on(1)[0] == f"bend 2 {8192 + round(8192 * 50 / 1200)}"


def test_a_preset_without_cents_is_in_tune_after_one_with() -> None:
    play = Play(performance(preset(note(60.25)), preset(note(62))))
    play.tap(0)
    assert play.act(Act.NEXT_PRESET) == []
    assert play.on(0) == ["bend 1 8192", "on 1 62 100"]


def test_a_reload_without_cents_is_in_tune() -> None:
    play = Play(performance(preset(note(60.25), note(60.25, channel=2))))
    play.tap(0)
    play.tap(1)
    assert play.swap(performance(preset(note(62), note(62.25, channel=2)))) == ["bend 1 8192"]
    play.start()
    assert play.on(0, 1) == ["on 1 62 100", "on 2 62 100"]


def test_a_bending_zone_adds_to_the_tuning() -> None:
    play = Play(preset(note(60.25), BendPart(0, 1, 8192 + 4096)))
    play.on(0)
    assert play.on(1) == [f"bend 1 {UP_25 + 4096}"]
    assert play.off(1) == [f"bend 1 {UP_25}"]


def test_at_the_end_every_bend_is_at_rest() -> None:
    play = Play(preset(note(60.25), BendPart(0, 3, 0)))
    play.on(0, 1)
    assert play.finish() == ["off 1 60 64", "bend 3 8192", "bend 1 8192"]


def test_transposed_notes_keep_their_cents() -> None:
    play = Play(preset(note(60.25)))
    play.act(Act.TRANSPOSE, 12)
    assert play.on(0) == [f"bend 1 {UP_25}", "on 1 72 100"]


def test_an_output_that_comes_back_is_bent_again() -> None:
    plan: PresetPlan = preset(note(60.25), BendPart(0, 3, 0))
    play = Play(plan)
    play.on(0, 1)
    play.player.output_lost(0)
    assert play.heard(play.player.output_back(0)) == [
        "off 1 60 64",
        f"bend 1 {UP_25}",
        "bend 3 0",
    ]
