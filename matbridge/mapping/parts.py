"""What one zone of a preset plays, from what was said of it to the parts of a plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Any

from matbridge.mapping.choice import Keyed
from matbridge.mapping.chords import CHORD_SIGNS, CHORDS, invert, spread
from matbridge.mapping.controls import CONTROL_NAMES, FINE_OFFSET
from matbridge.mapping.document import Path
from matbridge.mapping.fields import near, said
from matbridge.mapping.notes import note_name
from matbridge.mapping.percussion import GM_PERCUSSION_CHANNEL, PERCUSSION, PERCUSSION_NAMES
from matbridge.mapping.pitches import (
    ScaleNotes,
    TuningCents,
    pitch_label,
    pitch_of_cents,
    pitch_of_note,
)
from matbridge.mapping.plan import (
    DEFAULT_BEND_RANGE,
    Act,
    ActionPart,
    BendPart,
    ControlMode,
    ControlPart,
    Hold,
    NotePart,
    Part,
    PedalPart,
    Pitch,
    PressureTarget,
    ProgramPart,
    Split,
    ZonePlan,
)
from matbridge.mapping.programs import PROGRAMS
from matbridge.mapping.resolve import SETTING_KEYS, Said, ZoneSaid, said_in
from matbridge.mapping.schema_zone import (
    NOTHING,
    PEDAL_CONTROLS,
    REST,
    ActionZone,
    BendZone,
    Chord,
    ControlZone,
    LayersZone,
    PedalZone,
    ProgramZone,
    SoundZone,
    StepForm,
)
from matbridge.mapping.settings import (
    bend_value,
    fine,
    following,
    hold,
    length,
    pressure_plans,
    velocity_plan,
)

Report = Callable[[Path, str], None]


@dataclass(slots=True)
class PresetContext:
    """What the zones of one preset share while they are compiled.

    source: what velocity comes from unless a preset says. bend_ranges: semitones of a full bend by
    (output, channel); note_ranges: the same for the bend of a note by itself, which MPE members
    have another for. chokes: number of each choke group by name, given as they turn up. warn: takes
    what is odd but plays. no_scale: takes a place that needs a scale where there is none.
    """

    outputs: Mapping[str, int]
    presets: Sequence[str]
    output: int
    channel: int
    settings: Mapping[str, Said]
    velocity: Mapping[str, Said]
    scale: ScaleNotes | None
    tuning: TuningCents
    transpose: int
    source: str
    flats: bool
    bend_ranges: Mapping[tuple[int, int], int]
    note_ranges: Mapping[tuple[int, int], int]
    report: Report
    warn: Report
    no_scale: Callable[[Path], None]
    chokes: dict[str, int] = field(default_factory=dict)


def compile_zone(zone: ZoneSaid, degree: int | None, preset: PresetContext) -> ZonePlan:
    """The plan of a zone that has the place `degree` (from 0) in the scale, or none."""
    velocity = dict(preset.velocity)
    if "velocity" in zone.settings:
        form, path = zone.settings["velocity"]
        velocity |= {key: Said(value, (*path, key)) for key, value in said_in(form)}
    builder = _Zone(zone, degree, preset)
    parts = builder.parts()
    label = zone.settings["label"].value if "label" in zone.settings else builder.label
    return ZonePlan(velocity_plan(velocity, preset.source), tuple(parts), label)


class _Zone:
    """One zone on its way to parts; `label` is what the first of them is called."""

    def __init__(self, zone: ZoneSaid, degree: int | None, preset: PresetContext) -> None:
        self.zone = zone
        self.degree = degree
        self.preset = preset
        self.label = ""

    def parts(self) -> list[Part]:
        play = self.zone.play
        if play is None:
            return self.scale_part()
        form, path = play
        if not isinstance(form, LayersZone):
            return self.part(form, path, self.zone.settings)
        parts: list[Part] = []
        labels: list[str] = []
        for place, layer in enumerate(form.layers):
            here = (*path, "layers", place)
            settings = dict(self.zone.settings)
            if not isinstance(layer, int):
                for key, value in said_in(layer):
                    if key in SETTING_KEYS:
                        settings[key] = Said(value, (*here, key))
                if "velocity" in layer.model_fields_set:
                    self.preset.report(
                        (*here, "velocity"), "velocity is said of the zone, not of a layer of it"
                    )
            parts.extend(self.part(layer, here, settings))
            labels.append(self.label)
        self.label = " + ".join(filter(None, labels))
        return parts

    def scale_part(self) -> list[Part]:
        scale = self.preset.scale
        if scale is None or self.degree is None:
            return []
        pitch = self.degree_pitch(scale, self.degree, self.transpose(self.zone.settings))
        if not 0 <= pitch.note <= 127:
            self.zone.beyond = True
            return []
        path = next((each.path[:-1] for each in self.zone.settings.values()), ())
        return self.note_part([(pitch,)], path, self.zone.settings)

    def part(self, form: Any, path: Path, settings: Mapping[str, Said]) -> list[Part]:
        """The part that one form stands for."""
        output, channel = self.where(settings)
        match form:
            case str() if form == NOTHING:
                self.label = ""
                return []
            case int():
                pitch = pitch_of_note(form, self.transpose(settings), self.preset.tuning)
                return self.note_part([(pitch,)], path, settings)
            case SoundZone():
                return self.sound_part(form, path, settings)
            case ControlZone():
                return self.control_part(form, path, output, channel)
            case ProgramZone():
                self.label = PROGRAMS[form.program - 1]
                return [ProgramPart(output, channel, form.program - 1, form.bank)]
            case BendZone():
                return self.bend_part(form, path, output, channel)
            case PedalZone():
                self.label = form.pedal
                if form.pedal not in PEDAL_CONTROLS:
                    return [PedalPart(toggle=form.mode == "toggle")]
                mode = ControlMode(form.mode)
                return [ControlPart(output, channel, PEDAL_CONTROLS[form.pedal], mode)]
            case ActionZone():
                action = self.preset_action(form, (*path, "action"))
                return [] if action is None else [action]
        raise AssertionError(form)

    # ---- notes -----------------------------------------------------------------------------

    def sound_part(self, form: SoundZone, path: Path, settings: Mapping[str, Said]) -> list[Part]:
        if form.percussion is not None:
            return self.percussion_part(form.percussion, path, settings)
        by = self.transpose(settings)
        if form.sequence is not None:
            here = (*path, "sequence")
            steps = [
                self.step(step, (*here, place), by) for place, step in enumerate(form.sequence)
            ]
            return self.note_part(steps, path, settings)
        parts = self.note_part([self.notes(form, path, by)], path, settings)
        if form.chord is not None:
            self.label = chord_label(form.chord, by, flats=self.preset.flats)
        return parts

    def percussion_part(self, name: str, path: Path, settings: Mapping[str, Said]) -> list[Part]:
        if "channel" not in settings:
            settings = {**settings, "channel": Said(GM_PERCUSSION_CHANNEL, path)}
        settings = {**settings, "transpose": Said(False, path)}
        parts = self.note_part([(Pitch(PERCUSSION[name]),)], path, settings)
        self.label = name
        return parts

    def step(self, step: Any, path: Path, by: int) -> tuple[Pitch, ...]:
        """What one step of a sequence sounds."""
        match step:
            case str() if step == REST:
                return ()
            case int():
                return self.tuned((step,), by)
        if step.percussion is not None:
            return (Pitch(PERCUSSION[step.percussion]),)
        return self.notes(step, path, by)

    def notes(self, form: SoundZone | StepForm, path: Path, by: int) -> tuple[Pitch, ...]:
        """What a form that says a note, notes, chord or degree sounds."""
        if form.note is not None:
            return self.tuned((form.note,), by)
        if form.notes is not None:
            return self.tuned(form.notes, by)
        if form.chord is not None:
            return self.tuned(chord_notes(form.chord), by)
        return self.degree_notes(form, path, by)

    def tuned(self, notes: Sequence[int], by: int) -> tuple[Pitch, ...]:
        return tuple(pitch_of_note(note, by, self.preset.tuning) for note in notes)

    def degree_notes(self, form: SoundZone | StepForm, path: Path, by: int) -> tuple[Pitch, ...]:
        scale = self.preset.scale
        if scale is None:
            self.preset.no_scale((*path, "degree"))
            return ()
        place = (form.degree or 1) - 1 + (form.octave or 0) * len(scale.steps)
        return (self.degree_pitch(scale, place, by),)

    def degree_pitch(self, scale: ScaleNotes, place: int, by: int) -> Pitch:
        height = scale.cents(place)
        if height % 100 == 0:
            return pitch_of_note(round(height / 100), by, self.preset.tuning)
        return pitch_of_cents(height + 100 * by + self.preset.tuning.shift)

    def note_part(
        self, steps: Sequence[tuple[Pitch, ...]], path: Path, settings: Mapping[str, Said]
    ) -> list[Part]:
        output, channel = self.where(settings)
        reached = [tuple(p for p in step if 0 <= p.note <= 127) for step in steps]
        for step in steps:
            for pitch in step:
                if not 0 <= pitch.note <= 127:
                    self.preset.warn(
                        path,
                        f"note {note_name(pitch.note)} is number {pitch.note}, not within "
                        "0-127, and stays silent",
                    )
        first = next((step for step in reached if step), ())
        self.label = " ".join(pitch_label(pitch, flats=self.preset.flats) for pitch in first)
        if len(steps) > 1:
            self.label += " ..."
        if not any(reached):
            return []
        how, for_length = hold(self.said("hold", settings))
        if how is Hold.GROUP and "choke" not in settings:
            self.preset.report(path, "hold: choke needs a choke group; write choke: NAME")
        repeat = self.said("repeat", settings)
        latch = self.said("latch", settings)
        when = self.said("when", settings)
        bend_range = self.preset.note_ranges.get((output, channel), DEFAULT_BEND_RANGE)
        return [
            NotePart(
                output=output,
                channel=channel,
                steps=tuple(reached),
                hold=how,
                length=for_length,
                group=self.choke(settings),
                repeat=None if repeat is None else length(repeat),
                latched=latch is not False,
                transposable=self.said("transpose", settings) is not False,
                velocity_split=_split(None if when is None else when.velocity),
                pressure_split=_split(None if when is None else when.pressure),
                pressure=pressure_plans(self.said("pressure", settings), bend_range),
            )
        ]

    def choke(self, settings: Mapping[str, Said]) -> int:
        found = settings.get("choke")
        if found is None:
            return -1
        return self.preset.chokes.setdefault(found.value, len(self.preset.chokes))

    def transpose(self, settings: Mapping[str, Said]) -> int:
        found = settings.get("transpose")
        return 0 if found is not None and found.value is False else self.preset.transpose

    # ---- what is no note -------------------------------------------------------------------

    def control_part(self, form: ControlZone, path: Path, output: int, channel: int) -> list[Part]:
        self.label = control_label(form.control)
        wide = form.bits == 14
        if wide and form.control >= FINE_OFFSET:
            self.preset.report((*path, "bits"), "only controls 0-31 have 14 bits")
        low, high = fine(form.values) if wide else form.values
        pressure = None
        if form.mode == "pressure":
            target = PressureTarget.CONTROL_14 if wide else PressureTarget.CONTROL
            pressure = following(target, form.control, form, (low, high))
        mode = ControlMode(form.mode)
        return [ControlPart(output, channel, form.control, mode, low, high, pressure, wide)]

    def bend_part(self, form: BendZone, path: Path, output: int, channel: int) -> list[Part]:
        self.label = f"bend {form.bend:+g}"
        bend_range = self.preset.bend_ranges.get((output, channel), DEFAULT_BEND_RANGE)
        if abs(form.bend) > bend_range:
            self.preset.report(
                (*path, "bend"),
                f"bend {form.bend:g} is beyond the bend range of its channel, {bend_range}; write "
                f"enter: {{bend_range: {ceil(abs(form.bend))}}}",
            )
        value = bend_value(form.bend, bend_range)
        pressure = None
        if form.mode == "pressure":
            span = (bend_value(0, bend_range), value)
            pressure = following(PressureTarget.BEND, 0, form, span)
        return [BendPart(output, channel, value, pressure)]

    def preset_action(self, form: ActionZone, path: Path) -> ActionPart | None:
        part = action_part(form.action, path, self.preset.presets, self.preset.report)
        self.label = action_label(form.action)
        return part

    # ---- settings --------------------------------------------------------------------------

    def said(self, key: str, settings: Mapping[str, Said]) -> Any:
        """What holds for the zone, or else for the preset; None where neither says."""
        found = settings.get(key) or self.preset.settings.get(key)
        return None if found is None else found.value

    def where(self, settings: Mapping[str, Said]) -> tuple[int, int]:
        """The output and channel of a part."""
        output, channel = self.preset.output, self.preset.channel
        if "output" in settings:
            name, path = settings["output"]
            if name in self.preset.outputs:
                output = self.preset.outputs[name]
            else:
                hint = near(name, self.preset.outputs)
                self.preset.report(path, f"there is no output {said(name)}{hint}")
        if "channel" in settings:
            channel = settings["channel"].value
        return output, channel


def chord_notes(chord: Chord) -> tuple[int, ...]:
    """The notes of a chord as it is laid out."""
    notes = [chord.root + step for step in CHORDS[chord.type]]
    return spread(invert(notes, chord.inversion), chord.spread)


def chord_label(chord: Chord, by: int, *, flats: bool) -> str:
    """ "D3 m7": the root and the sign of a chord."""
    signs = {name: sign for sign, name in CHORD_SIGNS.items()}
    root = note_name(chord.root + by, flats=flats)
    return f"{root} {signs.get(chord.type, chord.type)}"


def control_label(control: int) -> str:
    return CONTROL_NAMES.get(control, f"control {control}")


def percussion_label(note: int) -> str:
    return PERCUSSION_NAMES.get(note, note_name(note))


_ACTS = {
    "next preset": Act.NEXT_PRESET,
    "previous preset": Act.PREVIOUS_PRESET,
    "mute": Act.MUTE,
    "panic": Act.PANIC,
    "tap tempo": Act.TAP_TEMPO,
    "take": Act.TAKE,
}


def action_part(
    action: Any, path: Path, presets: Sequence[str], report: Report
) -> ActionPart | None:
    """An action as written; None, and a problem, where it names a preset that is not there."""
    match action:
        case str():
            return ActionPart(_ACTS[action])
        case Keyed("preset", name):
            if name not in presets:
                report((*path, "preset"), f"there is no preset {said(name)}{near(name, presets)}")
                return None
            return ActionPart(Act.PRESET, list(presets).index(name))
        case Keyed("transpose", semitones):
            return ActionPart(Act.TRANSPOSE, semitones)
        case Keyed("transpose_to", semitones):
            return ActionPart(Act.TRANSPOSE_TO, semitones)
        case Keyed("octave", octaves):
            return ActionPart(Act.TRANSPOSE, 12 * octaves)
    raise AssertionError(action)


def action_label(action: Any) -> str:
    match action:
        case str():
            return action
        case Keyed("preset", name):
            return f"to {name}"
        case Keyed(key, number):
            return f"{key.replace('_', ' ')} {number:+d}"
    raise AssertionError(action)


def _split(span: tuple[int, int] | None) -> Split | None:
    return None if span is None else Split(*span)
