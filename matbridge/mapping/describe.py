"""What a preset plays, zone by zone, in the words of a musician: for tables, charts and screens."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from matbridge.mapping.controls import CONTROL_NAMES
from matbridge.mapping.percussion import GM_PERCUSSION_CHANNEL, PERCUSSION_NAMES
from matbridge.mapping.pitches import pitch_label
from matbridge.mapping.plan import (
    Act,
    ActionPart,
    BendPart,
    ControlMode,
    ControlPart,
    Hold,
    Length,
    NotePart,
    Part,
    PedalPart,
    PerformancePlan,
    Pitch,
    PresetPlan,
    PressurePlan,
    PressureTarget,
    ProgramPart,
    ZonePlan,
)
from matbridge.mapping.programs import PROGRAMS
from matbridge.midi.messages import BEND_CENTRE


@dataclass(frozen=True, slots=True)
class PartText:
    """One thing that a zone plays.

    kind: notes, control, program, bend, latch or action. plays: what. how: for how long, or in what
    way. pressure: what the pressure of the held zone
    drives, or nothing. where: output and channel, or nothing for what stays inside the bridge.
    """

    kind: str
    plays: str
    how: str = ""
    pressure: str = ""
    where: str = ""


def part_text(part: Part, preset: PresetPlan, performance: PerformancePlan) -> PartText:
    """One part of a zone, in words."""
    match part:
        case NotePart():
            plays = _drum(part) or steps_text(part.steps, flats=preset.flats)
            how = ", ".join(_note_how(part))
            drives = ", ".join(map(pressure_text, part.pressure))
            return PartText("notes", plays, how, drives, _where(part, performance))
        case ControlPart():
            name = control_text(part.control) + (" (14 bits)" if part.fine else "")
            return PartText("control", name, _control_how(part), where=_where(part, performance))
        case ProgramPart():
            program = f"program {part.program + 1} ({PROGRAMS[part.program]})"
            bank = "" if part.bank is None else f"bank {part.bank}"
            return PartText("program", program, bank, where=_where(part, performance))
        case BendPart():
            up = "up" if part.value >= BEND_CENTRE else "down"
            share = abs(part.value - BEND_CENTRE) / BEND_CENTRE
            how = "while touched" if part.pressure is None else "with pressure"
            plays = f"bend {up}, {share:.0%} of its range"
            return PartText("bend", plays, how, where=_where(part, performance))
        case PedalPart():
            how = "down and up in turn" if part.toggle else "down while touched"
            return PartText("latch", "latch pedal", how)
        case ActionPart():
            return PartText("action", action_text(part, performance))


def _drum(part: NotePart) -> str:
    """The name of a drum, or nothing for another note."""
    if part.transposable or part.channel != GM_PERCUSSION_CHANNEL or len(part.steps) != 1:
        return ""
    return ", ".join(PERCUSSION_NAMES.get(pitch.note, "") for pitch in part.steps[0])


def steps_text(steps: Sequence[Sequence[Pitch]], *, flats: bool) -> str:
    """ "D3", "D3 F3 A3" for a chord, "D3, rest, F3" for a sequence."""
    names = [" ".join(pitch_label(pitch, flats=flats) for pitch in step) for step in steps]
    return ", ".join(name or "rest" for name in names)


def velocity_text(zone: ZonePlan) -> str:
    """ "rise, 20-120": where the velocity comes from, and between which values it lies."""
    low, high = zone.velocity.table[0], zone.velocity.table[-1]
    span = str(low) if low == high else f"{low}-{high}"
    return f"{zone.velocity.source.value}, {span}"


def length_text(length: Length) -> str:
    """ "2 beats", "0.5 s"."""
    if length.seconds:
        return f"{length.seconds:g} s"
    return "1 beat" if length.beats == 1 else f"{length.beats:.4g} beats"


def control_text(control: int) -> str:
    """ "sustain (64)", or "control 20"."""
    name = CONTROL_NAMES.get(control)
    return f"control {control}" if name is None else f"{name} ({control})"


def pressure_text(pressure: PressurePlan) -> str:
    """What pressure drives: "channel pressure", "brightness (74)"."""
    if pressure.target in (PressureTarget.CONTROL, PressureTarget.CONTROL_14):
        fine = " (14 bits)" if pressure.target is PressureTarget.CONTROL_14 else ""
        return control_text(pressure.control) + fine
    return pressure.target.value


def action_text(part: ActionPart, performance: PerformancePlan) -> str:
    """ "next preset", "to preset low tide", "transpose +2"."""
    match part.act:
        case Act.PRESET:
            return f"to preset {performance.presets[part.argument].name}"
        case Act.TRANSPOSE if part.argument and part.argument % 12 == 0:
            return f"octave {part.argument // 12:+d}"
        case Act.TRANSPOSE | Act.TRANSPOSE_TO:
            return f"{part.act.value} {part.argument:+d}"
    return part.act.value


_HOLD_TEXTS = {
    Hold.TOUCH: "while touched",
    Hold.TOGGLE: "until touched again",
    Hold.GROUP: "until another of its choke group",
}


def _note_how(part: NotePart) -> Iterator[str]:
    if len(part.steps) > 1:
        yield "one a touch"
    if part.hold is Hold.LENGTH:
        yield f"for {length_text(part.length)}"
    else:
        yield _HOLD_TEXTS[part.hold]
    if part.group >= 0 and part.hold is not Hold.GROUP:
        yield "choked by its group"
    if part.repeat is not None:
        yield f"again every {length_text(part.repeat)}"
    if part.velocity_split is not None:
        yield f"velocity {part.velocity_split.low}-{part.velocity_split.high} only"
    if part.pressure_split is not None:
        yield f"pressure {part.pressure_split.low}-{part.pressure_split.high} only"


def _control_how(part: ControlPart) -> str:
    # Values are told in 128 steps, as they are written, also where 14 bits are sent.
    low, high = (part.low >> 7, part.high >> 7) if part.fine else (part.low, part.high)
    match part.mode:
        case ControlMode.MOMENTARY:
            return f"{high} while touched, then {low}"
        case ControlMode.TOGGLE:
            return f"{high} and {low} in turn"
        case ControlMode.PRESSURE:
            return f"with pressure, {low} to {high}"


def _where(
    part: NotePart | ControlPart | ProgramPart | BendPart, performance: PerformancePlan
) -> str:
    return f"{performance.outputs[part.output].name}, channel {part.channel}"
