"""What a zone can be given to play or to work, and the parts it becomes."""

from __future__ import annotations

import pytest

from matbridge.mapping.plan import (
    Act,
    ActionPart,
    BendPart,
    ControlMode,
    ControlPart,
    Hold,
    Length,
    NotePart,
    PedalPart,
    Pitch,
    PressureTarget,
    ProgramPart,
    Split,
)
from tests.support.mapping import note_part, notes, part, preset, problem, show, zone

DORIAN = "scale: {root: D3, type: dorian}"


# ---- notes -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "played"),
    [
        ("D3", [[50]]),
        ("60", [[60]]),
        ("{note: Bb2}", [[46]]),
        ("{notes: [D3, A3, 62]}", [[50, 57, 62]]),
        ("{chord: {root: D3, type: minor 7}}", [[50, 53, 57, 60]]),
        ("{chord: {root: D3}}", [[50, 54, 57]]),
        ("{chord: {root: D3, type: m7, inversion: 1}}", [[53, 57, 60, 62]]),
        ("{chord: {root: D3, type: 7}}", [[50, 54, 57, 60]]),
        ("{chord: {root: C4, type: major 7, spread: open}}", [[60, 67, 76, 83]]),
        ("{chord: {root: C4, type: major 7, spread: drop 2}}", [[55, 60, 64, 71]]),
        ("{degree: 1}", [[50]]),
        ("{degree: 5}", [[57]]),
        ("{degree: 8}", [[62]]),
        ("{degree: 9, octave: -1}", [[52]]),
        ("{degree: 7, octave: -1}", [[48]]),
        ("{percussion: closed hi-hat}", [[42]]),
        ("{percussion: Closed Hi Hat}", [[42]]),
        ("{sequence: [D3, rest, {notes: [F3, A3]}]}", [[50], [], [53, 57]]),
        ("{sequence: [{degree: 2}, 60]}", [[52], [60]]),
        ("{sequence: [{chord: {root: D3, type: 5}}, {percussion: claves}]}", [[50, 57], [75]]),
    ],
)  # fmt: skip
def test_notes(written: str, played: list[list[int]]) -> None:
    assert notes(written, DORIAN) == played


def test_a_zone_of_the_scale_plays_its_degree() -> None:
    plan = preset(DORIAN)
    played = [each.parts[0] for each in plan.zones]
    assert [p.steps[0][0].note for p in played if isinstance(p, NotePart)] == [50, 52, 53]
    assert [each.label for each in plan.zones] == ["D3", "E3", "F3"]


def test_transposition_moves_all_but_percussion_and_what_is_held_back() -> None:
    text = f"{DORIAN}\ntranspose: 5"
    assert notes("{note: D3}", text) == [[55]]
    assert notes("{degree: 2}", text) == [[57]]
    assert notes("{sequence: [D3, {degree: 2}]}", text) == [[55], [57]]
    assert notes("{percussion: cowbell}", text) == [[56]]
    assert notes("{note: D3, transpose: false}", text) == [[50]]
    assert not note_part("{note: D3, transpose: false}", text).transposable
    assert zone("{hold: toggle}", text).label == "G3"
    assert zone("{chord: {root: D3}}", text).label == "G3 major"


def test_percussion_is_on_channel_10_unless_the_zone_says_otherwise() -> None:
    assert note_part("{percussion: claves}", "channel: 2").channel == 10
    assert note_part("{percussion: claves, channel: 3}").channel == 3


def test_a_scale_of_ones_own_in_semitones_and_in_cents() -> None:
    assert notes("{degree: 4}", "scale: {root: C4, semitones: [0, 1, 6]}") == [[72]]
    plan = preset("scale: {root: C4, cents: [0, 386.3, 701.96]}")
    pitches = [p.steps[0][0] for each in plan.zones for p in each.parts if isinstance(p, NotePart)]
    assert pitches == [Pitch(60, 0.0), Pitch(64, -13.7), Pitch(67, 1.96)]
    assert [each.label for each in plan.zones] == ["C4", "E4 -14 c", "G4 +2 c"]


def test_a_tuning_moves_notes_by_cents() -> None:
    just = "tuning: {type: just, root: C}"
    assert note_part("C4", just).steps[0][0].cents == pytest.approx(15.6413, abs=0.001)
    a4, e4 = note_part("A4", just), note_part("E4", just)
    assert a4.steps == ((Pitch(69, 0.0),),)
    # Pure fourth below A4 (4/3): 498.045 cents, so 1.955 above the equal-tempered E4.
    assert e4.steps[0][0].cents == pytest.approx(1.955, abs=0.001)
    higher = note_part("A4", "tuning: {a4_hz: 442}").steps[0][0]
    assert higher.cents == pytest.approx(7.8514, abs=0.001)


def test_a_tuning_is_pure_from_its_root() -> None:
    chord = "{chord: {root: D4, type: major}}"
    pure = note_part(chord, "tuning: {type: just, root: D}").steps[0]
    root, third, fifth = (100 * pitch.note + pitch.cents for pitch in pure)
    assert third - root == pytest.approx(386.314, abs=0.001)
    assert fifth - root == pytest.approx(701.955, abs=0.001)
    from_c = note_part(chord, "tuning: {type: just, root: C}").steps[0]
    assert [pitch.cents for pitch in from_c] != [pitch.cents for pitch in pure]


def test_a_far_pitch_goes_to_its_nearest_note() -> None:
    baroque = note_part("A4", "tuning: {a4_hz: 415}").steps[0][0]
    assert baroque.note == 68
    assert baroque.cents == pytest.approx(-1.27, abs=0.01)


# ---- how long ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "hold", "length"),
    [
        ("touch", Hold.TOUCH, Length()),
        ("toggle", Hold.TOGGLE, Length()),
        ("1/4", Hold.LENGTH, Length(beats=1.0)),
        ("1/8.", Hold.LENGTH, Length(beats=0.75)),
        ("1/4t", Hold.LENGTH, Length(beats=2 / 3)),
        ("3/16", Hold.LENGTH, Length(beats=0.75)),
        ("{beats: 2.5}", Hold.LENGTH, Length(beats=2.5)),
        ("{seconds: 0.2}", Hold.LENGTH, Length(seconds=0.2)),
    ],
)
def test_holds(written: str, hold: Hold, length: Length) -> None:
    found = note_part(f"{{note: D3, hold: {written}}}")
    assert (found.hold, found.length) == (hold, length)


def test_a_choke_group_is_shared_by_its_zones_only() -> None:
    plan = preset(
        "zones:\n"
        "  a1: {percussion: closed hi-hat, choke: hats}\n"
        "  a2: {percussion: open hi-hat, choke: hats, hold: choke}\n"
        "  b1: {note: D3, choke: bells}\n"
    )
    parts = [each.parts[0] for each in plan.zones]
    assert [p.group for p in parts if isinstance(p, NotePart)] == [0, 0, 1]
    assert [p.hold for p in parts if isinstance(p, NotePart)] == [
        Hold.TOUCH,
        Hold.GROUP,
        Hold.TOUCH,
    ]
    assert note_part("D3").group == -1


def test_repeats_latch_and_splits() -> None:
    found = note_part("{note: D3, repeat: 1/16, latch: false, when: {velocity: [64, 127]}}")
    assert found.repeat == Length(beats=0.25)
    assert not found.latched
    assert found.velocity_split == Split(64, 127)
    assert found.pressure_split is None
    assert note_part("{note: D3, when: {pressure: [90, 127]}}").pressure_split == Split(90, 127)


def test_settings_of_the_preset_hold_for_its_zones() -> None:
    found = note_part("D3", "repeat: {seconds: 0.5}\nlatch: false\nhold: toggle")
    assert (found.repeat, found.latched, found.hold) == (Length(0.5), False, Hold.TOGGLE)


# ---- several at once ---------------------------------------------------------------------------


def test_layers_each_go_their_own_way() -> None:
    plan = zone(
        "{layers: [D3, {note: D2, output: rack, channel: 5, when: {velocity: [100, 127]}}, "
        "{chord: {root: D4, type: m}, hold: toggle}, {control: 1}, {action: tap tempo}], "
        "channel: 2}"
    )
    first, second, third, fourth, fifth = plan.parts
    assert isinstance(first, NotePart)
    assert (first.output, first.channel) == (0, 2)
    assert isinstance(second, NotePart)
    assert (second.output, second.channel, second.velocity_split) == (1, 5, Split(100, 127))
    assert isinstance(third, NotePart)
    assert (third.hold, third.channel) == (Hold.TOGGLE, 2)
    assert fourth == ControlPart(0, 2, 1, ControlMode.MOMENTARY)
    assert fifth == ActionPart(Act.TAP_TEMPO)
    assert plan.label == "D3 + D2 + D4 m + modulation + tap tempo"


# ---- pressure ----------------------------------------------------------------------------------


def test_pressure_to_each_of_its_targets() -> None:
    found = note_part(
        "{note: D3, pressure: ["
        "{send: channel pressure, smoothing_ms: 25, dead_band: 3, every_ms: 20}, "
        "{send: polyphonic pressure}, {send: control, control: brightness, range: [30, 90]}, "
        "{send: control, control: 1, bits: 14}, {send: bend, semitones: -1}]}"
    ).pressure
    channel, poly, control, fine, bend = found
    assert (channel.target, channel.smoothing_s, channel.dead_band, channel.interval_s) == (
        PressureTarget.CHANNEL,
        0.025,
        3,
        0.02,
    )
    assert poly.target is PressureTarget.POLY
    assert (control.target, control.control) == (PressureTarget.CONTROL, 74)
    assert (control.table[0], control.table[-1]) == (30, 90)
    assert (fine.target, fine.table[-1], fine.dead_band) == (PressureTarget.CONTROL_14, 16383, 128)
    assert (bend.target, bend.table[0], bend.table[-1]) == (PressureTarget.BEND, 8192, 4096)


def test_a_zone_may_have_no_pressure_where_the_preset_has() -> None:
    of_the_preset = "pressure: {send: channel pressure}"
    assert note_part("{note: D3, pressure: nothing}", of_the_preset).pressure == ()


def test_bends_go_by_the_bend_range_of_their_channel() -> None:
    bend = "pressure: {send: bend, semitones: 3}"
    (narrow,) = note_part("D3", f"{bend}\nenter: {{bend_range: 12}}").pressure
    assert narrow.table[-1] == 8192 + 2048
    (member,) = note_part("D3", f"{bend}\nmpe: {{bend_range: 24}}").pressure
    assert member.table[-1] == 8192 + 1024


# ---- what is no note ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "made"),
    [
        ("{control: 64}", ControlPart(0, 1, 64, ControlMode.MOMENTARY)),
        ("{control: sustain, mode: toggle}", ControlPart(0, 1, 64, ControlMode.TOGGLE)),
        ("{control: 20, values: [10, 90]}", ControlPart(0, 1, 20, ControlMode.MOMENTARY, 10, 90)),
        ("{control: 20, values: [90, 10]}", ControlPart(0, 1, 20, ControlMode.MOMENTARY, 90, 10)),
        (
            "{control: 7, bits: 14}",
            ControlPart(0, 1, 7, ControlMode.MOMENTARY, 0, 16383, None, fine=True),
        ),
        ("{pedal: soft}", ControlPart(0, 1, 67, ControlMode.MOMENTARY)),
        ("{pedal: sostenuto, mode: toggle}", ControlPart(0, 1, 66, ControlMode.TOGGLE)),
        ("{pedal: latch}", PedalPart()),
        ("{pedal: latch, mode: toggle}", PedalPart(toggle=True)),
        ("{program: 1}", ProgramPart(0, 1, 0)),
        ("{program: marimba, bank: 300}", ProgramPart(0, 1, 12, 300)),
        ("{program: Lead 8 bass and lead}", ProgramPart(0, 1, 87)),
        ("{bend: 1}", BendPart(0, 1, 12288)),
        ("{bend: -2}", BendPart(0, 1, 0)),
        ("{bend: 2}", BendPart(0, 1, 16383)),
        ("{action: next preset}", ActionPart(Act.NEXT_PRESET)),
        ("{action: previous preset}", ActionPart(Act.PREVIOUS_PRESET)),
        ("{action: mute}", ActionPart(Act.MUTE)),
        ("{action: panic}", ActionPart(Act.PANIC)),
        ("{action: take}", ActionPart(Act.TAKE)),
        ("{action: {transpose: -3}}", ActionPart(Act.TRANSPOSE, -3)),
        ("{action: {octave: 2}}", ActionPart(Act.TRANSPOSE, 24)),
        ("{action: {transpose_to: 0}}", ActionPart(Act.TRANSPOSE_TO, 0)),
        ("{action: {preset: p}}", ActionPart(Act.PRESET, 0)),
        ("{control: 64, channel: 16, output: rack}", ControlPart(1, 16, 64, ControlMode.MOMENTARY)),
    ],
)
def test_what_is_no_note(written: str, made: object) -> None:
    assert part(written) == made


def test_a_control_and_a_bend_that_follow_the_pressure() -> None:
    control = part(
        "{control: 11, mode: pressure, values: [20, 100], curve: {power: 2}, every_ms: 5}"
    )
    assert isinstance(control, ControlPart)
    assert control.pressure is not None
    assert (control.pressure.table[0], control.pressure.table[-1]) == (20, 100)
    assert (control.pressure.target, control.pressure.interval_s) == (PressureTarget.CONTROL, 0.005)
    fine = part("{control: 11, mode: pressure, bits: 14}")
    assert isinstance(fine, ControlPart)
    assert fine.pressure is not None
    assert fine.pressure.target is PressureTarget.CONTROL_14
    bend = part("{bend: -1, mode: pressure}")
    assert isinstance(bend, BendPart)
    assert bend.pressure is not None
    assert (bend.pressure.table[0], bend.pressure.table[-1]) == (8192, 4096)


# ---- what is wrong -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ("{note: D3, chord: {root: D3}}", "'chord' does not go with 'note'"),
        ("{note: D3, control: 64}", "'note' does not go with 'control'"),
        ("{note: D3, octave: 1}", "'octave' goes with 'degree'"),
        ("{notes: []}", "'notes' is empty"),
        ("{sequence: []}", "'sequence' is empty"),
        ("{sequence: [rests]}", "'rests' is not a note"),
        ("{sequence: [{note: D3, notes: [E3]}]}", "'notes' does not go with 'note'; a step plays"),
        ("{chord: {type: minor}}", "'root' is missing"),
        ("{chord: {root: D3, type: mnr}}", "unknown chord type 'mnr'; did you mean"),
        ("{chord: {root: D3, inversion: 7}}", "inversion 7 is not within 0-6"),
        ("{degree: 0}", "degree 0 is not within 1-128"),
        ("{note: D3, hold: choke}", "hold: choke needs a choke group; write choke: NAME"),
        ("{note: D3, hold: 1/3}", "'1/3' is not a note value"),
        ("{note: D3, hold: {bars: 1}}", "unknown key 'bars' in a hold; did you mean"),
        ("{note: D3, hold: {beats: 0}}", "beats 0 is not above 0 and up to 256"),
        ("{note: D3, repeat: 4}", "4 is not a length; write 1/8, {beats: 2} or {seconds: 0.5}"),
        ("{note: D3, repeat: {beats: 1, seconds: 1}}", "a length says one of: beats, seconds"),
        ("{note: D3, when: {velocity: [100, 20]}}", "the range goes from 100 down to 20"),
        ("{layers: [{note: D3, velocity: {from: peak}}]}", "velocity is said of the zone, not"),
        ("{layers: []}", "'layers' is empty"),
        ("{control: 123}", "control 123 is not a control but a mode of the channel"),
        ("{control: 6}", "control 6 is part of a longer message; use 'bank' or 'bend_range'"),
        ("{control: 70, bits: 14}", "only controls 0-31 have 14 bits"),
        ("{control: 7, bits: 8}", "bits 8 is neither 7 nor 14"),
        ("{program: 0}", "program 0 is not within 1-128"),
        ("{program: marimbas}", "unknown program 'marimbas'; did you mean 'marimba'?"),
        ("{bend: 3}", "bend 3 is beyond the bend range of its channel, 2"),
        ("{pedal: hold}", "unknown pedal 'hold'; allowed: sustain, sostenuto, soft, latch"),
        ("{action: nxt preset}", "unknown action 'nxt preset'; did you mean 'next preset'?"),
        ("{action: {transpose: 50}}", "transpose 50 is not within -48 to 48"),
        ("{action: {preset: q}}", "there is no preset 'q'"),
        ("{output: rak, note: D3}", "there is no output 'rak'; did you mean 'rack'?"),
        ("{pressure: {send: control}, note: D3}", "'control' is missing"),
        ("{note: D3, label: '" + "x" * 25 + "'}", "a label of 25 letters is too long; at most 24"),
        ("true", "true is not a zone; write D3 or {note: D3, hold: toggle}, for example"),
        ("[D3]", "a list is not a zone"),
        ("128", "note 128 is not within 0-127, C-1 to G9"),
        ("G#9", "note 'G#9', number 128, is not within 0-127"),
    ],
)  # fmt: skip
def test_what_is_wrong_says_what_is_allowed(written: str, message: str) -> None:
    found = problem(f"presets: {{p: {{zones: {{a1: {written}}}}}}}")
    assert found.startswith("preset 'p', zone a1")
    assert message in found


def test_flats_or_sharps_as_the_piece_has_them() -> None:
    assert zone("{degree: 6}", "scale: {root: C3, type: minor}").label == "Ab3"
    assert zone("{degree: 3}", "scale: {root: E3, type: major}").label == "G#3"
    assert zone("{notes: [Bb2, C#3, Eb3]}").label == "Bb2 Db3 Eb3"
    assert show("presets: {p: {zones: {a1: Bb2}}}").performance.presets[0].flats
