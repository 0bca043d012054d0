"""What a preset plays, in words."""

from __future__ import annotations

import pytest

from matbridge.mapping.describe import PartText, part_text, velocity_text
from tests.support.mapping import show, zone


def told(written: str, preset: str = "") -> PartText:
    text = f"presets:\n  low tide: {{{preset or 'channel: 1'}, zones: {{a1: {written}}}}}\n"
    performance = show(text).performance
    plan = performance.presets[0]
    return part_text(plan.zones[0].parts[0], plan, performance)


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("D3", PartText("notes", "D3", "while touched", "", "synth, channel 1")),
        ("{notes: [D3, A3]}", PartText("notes", "D3 A3", "while touched", "", "synth, channel 1")),
        (
            "{note: Bb2, hold: toggle, output: rack, channel: 3}",
            PartText("notes", "Bb2", "until touched again", "", "rack, channel 3"),
        ),
        (
            "{sequence: [D3, rest, E3], hold: 1/4, pressure: {send: channel pressure}}",
            PartText(
                "notes",
                "D3, rest, E3",
                "one a touch, for 1 beat",
                "channel pressure",
                "synth, channel 1",
            ),
        ),
        (
            "{percussion: open hi-hat, choke: hats, hold: choke}",
            PartText(
                "notes", "open hi-hat", "until another of its choke group", "", "synth, channel 10"
            ),
        ),
        (
            "{note: D3, choke: hats, repeat: 1/16, when: {velocity: [64, 127]}}",
            PartText(
                "notes",
                "D3",
                "while touched, choked by its group, again every 0.25 beats, velocity 64-127 only",
                "",
                "synth, channel 1",
            ),
        ),
        (
            "{note: D3, hold: {seconds: 0.5}, when: {pressure: [90, 127]}}",
            PartText("notes", "D3", "for 0.5 s, pressure 90-127 only", "", "synth, channel 1"),
        ),
        (
            "{note: D3, pressure: [{send: control, control: 74}, {send: control, control: 20}]}",
            PartText(
                "notes",
                "D3",
                "while touched",
                "brightness (74), control 20",
                "synth, channel 1",
            ),
        ),
        (
            "{control: sustain}",
            PartText(
                "control", "sustain (64)", "127 while touched, then 0", "", "synth, channel 1"
            ),
        ),
        (
            "{control: 20, mode: toggle, values: [10, 90]}",
            PartText("control", "control 20", "90 and 10 in turn", "", "synth, channel 1"),
        ),
        (
            "{control: 7, bits: 14, mode: toggle, values: [40, 127]}",
            PartText(
                "control", "volume (7) (14 bits)", "127 and 40 in turn", "", "synth, channel 1"
            ),
        ),
        (
            "{control: 11, mode: pressure}",
            PartText(
                "control", "expression (11)", "with pressure, 0 to 127", "", "synth, channel 1"
            ),
        ),
        (
            "{program: marimba, bank: 3}",
            PartText("program", "program 13 (marimba)", "bank 3", "", "synth, channel 1"),
        ),
        (
            "{bend: -1}",
            PartText(
                "bend", "bend down, 50% of its range", "while touched", "", "synth, channel 1"
            ),
        ),
        ("{pedal: latch}", PartText("latch", "latch pedal", "down while touched")),
        ("{pedal: latch, mode: toggle}", PartText("latch", "latch pedal", "down and up in turn")),
        ("{action: next preset}", PartText("action", "next preset")),
        ("{action: {preset: low tide}}", PartText("action", "to preset low tide")),
        ("{action: {octave: -1}}", PartText("action", "octave -1")),
        ("{action: {transpose: 2}}", PartText("action", "transpose +2")),
        ("{action: {transpose_to: 0}}", PartText("action", "transpose to +0")),
        ("{action: tap tempo}", PartText("action", "tap tempo")),
    ],
)
def test_parts(written: str, words: PartText) -> None:
    assert told(written) == words


def test_cents_are_told() -> None:
    assert told("E4", "tuning: {type: just, root: C}").plays == "E4 +2 c"


def test_velocities() -> None:
    assert (
        velocity_text(zone("{note: D3, velocity: {from: peak, range: [20, 90]}}")) == "peak, 20-90"
    )
    assert velocity_text(zone("{note: D3, velocity: {from: fixed}}")) == "fixed, 100"
