"""Outputs, channels, voices, entering and leaving, time, and what comes from outside."""

from __future__ import annotations

import pytest

from matbridge.mapping.plan import (
    Act,
    ActionPart,
    ChannelEntry,
    InputPlan,
    Leaving,
    Length,
    MpePlan,
    NotePart,
    OutputKind,
    OutputPlan,
    Priority,
    SameNote,
    VoicePlan,
)
from matbridge.sensing.touch import VelocitySource
from tests.support.mapping import MAT, note_part, part, preset, problem, show, zone


def test_outputs_in_the_order_of_the_file() -> None:
    plan = show("""
        outputs:
          synth: {virtual: matbridge, driver: jack}
          desk: {port: "USB MIDI*", clock: true}
          rack: {serial: /dev/ttyAMA0}
          fast: {serial: /dev/ttyUSB1, baud: 1000000, clock: true}
          tape: {file: night.mid, replace: true}
          tablet: {network: quay, interface: eth0, invite: [10.0.0.7, "[fe80::1]:5006"], allow: any}
          phone: {bluetooth: quay, adapter: hci1}
    """).performance
    assert plan.outputs == (
        OutputPlan("synth", OutputKind.VIRTUAL, "matbridge", (("driver", "jack"),)),
        OutputPlan("desk", OutputKind.PORT, "USB MIDI*"),
        OutputPlan("rack", OutputKind.SERIAL, "/dev/ttyAMA0"),
        OutputPlan("fast", OutputKind.SERIAL, "/dev/ttyUSB1", (("baud", 1_000_000),)),
        OutputPlan("tape", OutputKind.FILE, "night.mid", (("replace", True),)),
        OutputPlan(
            "tablet",
            OutputKind.NETWORK,
            "quay",
            (
                ("interface", "eth0"),
                ("invite", ("10.0.0.7", "[fe80::1]:5006")),
                ("allow", ("any",)),
            ),
        ),
        OutputPlan("phone", OutputKind.BLUETOOTH, "quay", (("adapter", "hci1"),)),
    )
    assert plan.clock_outputs == (1, 3)


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ("{virtual: 'a:b'}", "'a:b' is not a port name"),
        ("{virtual: " + "x" * 33 + "}", "a port name of 33 letters is too long; at most 32"),
        ("{serial: COM3}", "'COM3' is not a serial path"),
        ("{serial: /dev/ttyAMA0, baud: 9600}", "baud 9600 is not within 31250-4000000"),
        (
            "{port: desk, driver: winmm}",
            "unknown driver 'winmm'; allowed: auto, alsa, jack, coremidi",
        ),
        ("{}", "an output says one of: virtual, network, bluetooth, port, serial, file"),
        ("{network: quay}", "'interface' is missing"),
        ("{network: q, interface: lo, port: 65535}", "port 65535 is not within 1-65534"),
        ("{network: q, interface: lo, invite: [tablet]}", "'tablet' is no address; write"),
        ("{network: q, interface: lo, invite: ['10.0.0.7:0']}", "port 0 of '10.0.0.7:0' is not"),
        ("{network: q, interface: lo, allow: [home]}", "'home' is no network; write"),
        ("{network: q, interface: lo, allow: all}", "'all' is neither any nor a list of networks"),
        ("synth", "'synth' is not an output; write {virtual: matbridge}, for example"),
    ],
)
def test_outputs_that_cannot_be(written: str, message: str) -> None:
    assert message in problem(f"outputs: {{synth: {written}}}")


# ---- velocity ----------------------------------------------------------------------------------


def test_velocity_unless_said_otherwise() -> None:
    force = zone("D3").velocity
    assert (force.source, force.table[0], force.table[-1]) == (VelocitySource.RISE, 1, 127)
    assert force.release is None
    switches = MAT.replace("force, bits: 10, fixed_resistor_ohm: 1000", "switch")
    switch = zone("D3", mat=switches).velocity
    assert (switch.source, set(switch.table)) == (VelocitySource.FIXED, {100})


def test_a_fixed_velocity_is_the_top_of_its_range() -> None:
    assert zone("D3", "velocity: {from: fixed, range: [1, 80]}").velocity.table[-1] == 80
    assert set(zone("D3", "velocity: {from: fixed}").velocity.table) == {100}


def test_release_velocity_only_when_asked_for() -> None:
    release = zone("D3", "velocity: {release: true}").velocity.release
    assert release is not None
    assert (release[0], release[-1]) == (0, 127)
    assert zone("D3", "velocity: {release: false}").velocity.release is None


# ---- voices ------------------------------------------------------------------------------------


def test_voices() -> None:
    assert preset("channel: 1").voices == VoicePlan()
    written = (
        "{limit: 1, priority: lowest, retrigger: false, same_note: join, crowd: 5, crowd_ms: 80}"
    )
    assert preset(f"voices: {written}").voices == VoicePlan(
        1, Priority.LOWEST, retrigger=False, same_note=SameNote.JOIN, crowd=5, crowd_s=0.08
    )


# ---- MPE ---------------------------------------------------------------------------------------


def test_mpe_zones_and_the_channel_that_leads_them() -> None:
    lower = preset("mpe: {zone: lower, members: 7, bend_range: 24}\nzones: {a1: D3}")
    assert lower.mpe == (MpePlan(0, 1, 7, 24),)
    upper = preset("output: rack\nmpe: {zone: upper}\nzones: {a1: D3}")
    assert upper.mpe == (MpePlan(1, 16, 15, 48),)
    (played,) = upper.zones[0].parts
    assert isinstance(played, NotePart)
    assert (played.output, played.channel) == (1, 16)
    both = preset("mpe: [{zone: lower, members: 8}, {zone: upper, members: 6, bend_range: 12}]")
    assert both.mpe == (MpePlan(0, 1, 8, 48), MpePlan(0, 16, 6, 12))
    elsewhere = preset("mpe: {output: rack}\nzones: {a1: D3}")
    assert elsewhere.mpe == (MpePlan(1, 1, 15, 48),)


def test_a_channel_that_is_said_is_kept_under_mpe() -> None:
    assert note_part("{note: D3}", "mpe: {}\nchannel: 16").channel == 16


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ("[{zone: lower}, {zone: lower}]", "the lower zone of this output is written twice"),
        (
            "[{members: 8}, {zone: upper, members: 7}]",
            "8 and 7 members do not fit into 14 channels",
        ),
        ("{zone: middle}", "unknown MPE zone 'middle'; allowed: lower, upper"),
        ("{members: 16}", "members 16 is not within 1-15"),
        ("{output: rak}", "there is no output 'rak'"),
    ],
)
def test_mpe_that_cannot_be(written: str, message: str) -> None:
    assert message in problem(f"presets: {{p: {{mpe: {written}}}}}")


# ---- entering and leaving ----------------------------------------------------------------------


def test_what_is_sent_at_entry() -> None:
    plan = preset(
        "channel: 3\n"
        "enter: {bank: 300, program: marimba, bend_range: 12, controls: {volume: 100, 91: 40}}\n"
    )
    assert plan.entry == (ChannelEntry(0, 3, 300, 12, 12, ((7, 100), (91, 40))),)
    assert plan.bend_ranges == ((0, 3, 12),)


def test_entry_of_several_channels() -> None:
    plan = preset(
        "enter: [{program: 1}, {channel: 5, program: 2}, {output: rack, controls: {pan: 0}}]"
    )
    assert plan.entry == (
        ChannelEntry(0, 1, program=0),
        ChannelEntry(0, 5, program=1),
        ChannelEntry(1, 1, controls=((10, 0),)),
    )
    assert "channel 1 of this output is written twice" in problem(
        "presets: {p: {enter: [{program: 1}, {program: 2}]}}"
    )


def test_leaving() -> None:
    assert preset("channel: 1").leaving is Leaving.RING
    assert preset("leave: end").leaving is Leaving.END


def test_a_bend_range_is_told_anew_where_another_preset_changed_it() -> None:
    text = """
    presets:
      wide: {enter: {bend_range: 12}, zones: {a1: D3}}
      p: {enter: {program: 5}, zones: {a1: D3}}
      other: {channel: 2, zones: {a1: D3}}
    """
    assert preset(text).entry == (ChannelEntry(0, 1, program=4, bend_range=2),)
    assert preset(text, name="other").entry == ()
    assert preset(text, name="wide").entry == (ChannelEntry(0, 1, bend_range=12),)


def test_members_of_an_mpe_zone_are_told_the_usual_range_when_played_alone() -> None:
    text = """
    presets:
      wide: {mpe: {members: 4}, zones: {a1: D3}}
      p: {channel: 5, zones: {a1: D3}}
      q: {channel: 6, zones: {a1: D3}}
    """
    assert preset(text).entry == (ChannelEntry(0, 5, bend_range=2),)
    assert preset(text, name="q").entry == ()


# ---- time --------------------------------------------------------------------------------------


def test_tempo_and_quantise() -> None:
    plan = show("tempo: 84\npresets: {p: {tempo: 96.5, quantise: 1/16}, q: {channel: 1}}")
    assert plan.performance.tempo_bpm == 84
    first, second = plan.performance.presets
    assert (first.tempo_bpm, first.quantise) == (96.5, Length(beats=0.25))
    assert (second.tempo_bpm, second.quantise) == (None, None)
    assert show("").performance.tempo_bpm == 120
    assert "tempo 10 is not within 20-400" in problem("tempo: 10")


def test_first_preset() -> None:
    text = "presets: {a: {channel: 1}, b: {channel: 2}}"
    assert show(text).performance.first == 0
    assert show(f"first: b\n{text}").performance.first == 1


# ---- from outside ------------------------------------------------------------------------------


def test_an_input() -> None:
    plan = show("""
        input:
          port: "Foot*"
          channel: 3
          clock: true
          programs: {1: low tide, 128: squall}
          controls: {20: panic, sustain: {preset: squall}, 21: {transpose: 2}}
        presets: {low tide: {channel: 1}, squall: {channel: 2}}
    """).performance
    assert plan.input == InputPlan(
        pattern="Foot*",
        programs=((3, 0, 0), (3, 127, 1)),
        controls=(
            (3, 20, ActionPart(Act.PANIC)),
            (3, 64, ActionPart(Act.PRESET, 1)),
            (3, 21, ActionPart(Act.TRANSPOSE, 2)),
        ),
        clock=True,
    )
    text = "input: {port: x, driver: jack, controls: {20: panic}}"
    anywhere = show(text).performance.input
    assert anywhere == InputPlan("x", (), ((0, 20, ActionPart(Act.PANIC)),), driver="jack")


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ("programs: {0: low tide}", "'0' is not a program 1-128"),
        ("programs: {129: low tide}", "'129' is not a program 1-128"),
        ("programs: {1: high tide}", "there is no preset 'high tide'; allowed: low tide"),
        ("controls: {sustane: panic}", "unknown control 'sustane'; did you mean 'sustain'?"),
        ("controls: {120: panic}", "120 is not a control but a mode of the channel"),
        ("controls: {20: {preset: high tide}}", "there is no preset 'high tide'"),
        ("controls: {volume: {preset: high tide}}", "there is no preset 'high tide'"),
    ],
)
def test_inputs_that_cannot_be(written: str, message: str) -> None:
    assert message in problem(f"input: {{port: x, {written}}}")


# ---- scales and tunings ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ("scale: {type: dorian}", "the scale has no root; write root: D3, for example"),
        ("scale: {root: D3}", "the scale has no type; write type: dorian, for example"),
        ("scale: {root: D3, type: dorian, cents: [0, 200]}", "a scale has one of type, semitones"),
        ("scale: {root: D3, semitones: [2, 4]}", "semitones begin with 0, the root"),
        ("scale: {root: D3, semitones: [0, 4, 2]}", "semitones go upwards; 2 does not after 4"),
        ("scale: {root: D3, semitones: [0, 12]}", "12 in semitones is not within 0-12, an octave"),
        ("scale: {root: D3, semitones: [0, 1.5]}", "1.5 in semitones is not a whole number"),
        ("scale: {root: D3, cents: []}", "cents are a list of 1 to 72 numbers, beginning with 0"),
        ("scale: dorian", "'scale' is a mapping with keys of its own, not 'dorian'"),
        ("tuning: {type: meantone}", "unknown tuning 'meantone'; did you mean"),
        ("tuning: {type: just, cents: [0,0,0,0,0,0,0,0,0,0,0,0]}", "a tuning has one of type and"),
        ("tuning: {cents: [0, 1]}", "cents of a tuning are a list of 12, from the root upwards"),
        ("tuning: {root: H}", "unknown root 'H'"),
    ],
)
def test_scales_and_tunings_that_cannot_be(written: str, message: str) -> None:
    assert message in problem(f"presets: {{p: {{{written}}}}}")


def test_parts_of_a_preset_play_on_its_output_and_channel() -> None:
    assert part("{control: 64}", "output: rack\nchannel: 12") == part(
        "{control: 64, output: rack, channel: 12}"
    )
