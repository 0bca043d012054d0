"""What is odd in a performance that can be played as it stands."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from matbridge.mapping.document import Path
from matbridge.mapping.plan import (
    Act,
    ActionPart,
    BendPart,
    ControlPart,
    MatPlan,
    MpePlan,
    NotePart,
    OutputKind,
    OutputPlan,
    PerformancePlan,
    PresetPlan,
    PressurePlan,
    PressureTarget,
    ZonePlan,
)
from matbridge.mapping.resolve import PresetSaid
from matbridge.mapping.schema_zone import NOTHING
from matbridge.sensing.settings import SensorType
from matbridge.sensing.touch import VelocitySource

Warn = Callable[[Path, str], None]

# A player has two feet and two hands.
PRESSED_AT_ONCE = 4

# Of what a wire carries, so much may be pressure: the rest is for the notes that it goes with.
PRESSURE_SHARE = 0.5

# A byte on a serial line: a start bit, eight of data, a stop bit.
BITS_A_BYTE = 10

_MESSAGE_BYTES = {
    PressureTarget.CHANNEL: 2,
    PressureTarget.POLY: 3,
    PressureTarget.CONTROL: 3,
    PressureTarget.CONTROL_14: 6,
    PressureTarget.BEND: 3,
}


def advise(plan: PerformancePlan, resolved: Sequence[PresetSaid], mat: MatPlan, warn: Warn) -> None:
    """Hand every oddity to `warn`, with the path of what it is about."""
    for preset, said in zip(plan.presets, resolved, strict=True):
        _silent_zones(preset, said, mat, warn)
        _mpe_voices(preset, said, warn)
        _slow_outputs(preset, said, plan.outputs, warn)
        if mat.sensor.type is SensorType.SWITCH:
            _more_than_a_switch(preset, said, warn)
    _unreachable(plan, warn)


def _silent_zones(preset: PresetPlan, said: PresetSaid, mat: MatPlan, warn: Warn) -> None:
    silent: list[str] = []
    beyond: list[str] = []
    for place, plan, zone in zip(mat.zones, preset.zones, said.zones, strict=True):
        meant = zone.play is not None and zone.play.value == NOTHING
        if not plan.parts and not meant:
            (beyond if zone.beyond else silent).append(place.name)
    if silent:
        meant_so = "write 'nothing' for one that is meant to be silent"
        warn(said.path, f"{_zones(silent, 'play')} nothing; {meant_so}")
    if beyond:
        path = said.completed["scale"]["root"].path[:-1]
        warn(path, f"{_zones(beyond, 'lie')} beyond the notes 0-127 of MIDI, in silence")


def _zones(names: Sequence[str], verb: str) -> str:
    """ "zone a1 plays", "zones a1, a2 play", and of many only the first."""
    if len(names) == 1:
        return f"zone {names[0]} {verb}s"
    more = f" and {len(names) - MANY} more" if len(names) > MANY else ""
    return f"zones {', '.join(names[:MANY])}{more} {verb}"


# More names than this would fill the line.
MANY = 12


def _mpe_voices(preset: PresetPlan, said: PresetSaid, warn: Warn) -> None:
    for mpe in preset.mpe:
        path = said.settings["mpe"].path
        parts = list(_notes_on(preset, mpe))
        voices = sum(max(map(len, part.steps)) for part in parts)
        limit = preset.voices.limit
        if voices > mpe.members and not 0 < limit <= mpe.members:
            warn(
                path,
                f"up to {voices} notes at once share {mpe.members} MPE channels, and the oldest "
                f"gives way; more members, or voices: {{limit: {mpe.members}}}, says it plainly",
            )
        pressures = [pressure for part in parts for pressure in part.pressure]
        if any(pressure.target is PressureTarget.POLY for pressure in pressures):
            warn(path, "under MPE each note has a channel of its own: use channel pressure")


def _notes_on(preset: PresetPlan, mpe: MpePlan) -> Iterator[NotePart]:
    for zone in preset.zones:
        for part in zone.parts:
            if isinstance(part, NotePart) and (part.output, part.channel) == (
                mpe.output,
                mpe.manager,
            ):
                yield part


def _slow_outputs(
    preset: PresetPlan, said: PresetSaid, outputs: Sequence[OutputPlan], warn: Warn
) -> None:
    for index, output in enumerate(outputs):
        if output.kind is not OutputKind.SERIAL:
            continue
        baud = dict(output.options).get("baud", 31_250)
        wire = float(str(baud)) / BITS_A_BYTE
        rates = sorted((_pressure_rate(zone, index) for zone in preset.zones), reverse=True)
        needed = sum(rates[:PRESSED_AT_ONCE])
        if needed > wire * PRESSURE_SHARE:
            warn(
                said.path,
                f"pressure of {PRESSED_AT_ONCE} zones takes {needed:.0f} of the {wire:.0f} bytes a "
                f"second of output '{output.name}', and notes come late; a larger every_ms helps",
            )


def _pressure_rate(zone: ZonePlan, output: int) -> float:
    """Bytes a second that the pressure of a zone sends to an output while it is held."""
    rate = 0.0
    for pressure, where in _pressures(zone):
        if where == output:
            # What comes with every scan comes about a thousand times a second.
            rate += _MESSAGE_BYTES[pressure.target] / max(pressure.interval_s, 0.001)
    return rate


def _pressures(zone: ZonePlan) -> Iterator[tuple[PressurePlan, int]]:
    """All that follows the pressure of a zone, and the output it goes to."""
    for part in zone.parts:
        match part:
            case NotePart():
                yield from ((pressure, part.output) for pressure in part.pressure)
            case (
                ControlPart(pressure=PressurePlan() as pressure)
                | BendPart(pressure=PressurePlan() as pressure)
            ):
                yield pressure, part.output


def _more_than_a_switch(preset: PresetPlan, said: PresetSaid, warn: Warn) -> None:
    if any(zone.velocity.source is not VelocitySource.FIXED for zone in preset.zones):
        source = said.completed.get("velocity", {}).get("from")
        path = said.path if source is None else source.path
        warn(path, "the mat has switches, which know no velocity; write from: fixed")
    if any(True for zone in preset.zones for _ in _pressures(zone)):
        found = said.settings.get("pressure")
        path = said.path if found is None else found.path
        warn(path, "the mat has switches, which know no pressure")


def _unreachable(plan: PerformancePlan, warn: Warn) -> None:
    """Presets to which no zone and no message leads, from where the show begins."""
    count = len(plan.presets)
    from_outside = _presets_from_outside(plan)
    reached: set[int] = set()
    waiting = [plan.first, *from_outside]
    while waiting:
        index = waiting.pop()
        if index not in reached:
            reached.add(index)
            waiting.extend(_leads_to(plan, index, count))
    for index, preset in enumerate(plan.presets):
        if index not in reached:
            warn(
                ("presets", preset.name),
                "no action of a zone and no program leads to it; only 'matbridge preset' does",
            )


def _presets_from_outside(plan: PerformancePlan) -> list[int]:
    if plan.input is None:
        return []
    found = [preset for _, _, preset in plan.input.programs]
    for _, _, action in plan.input.controls:
        if action.act is Act.PRESET:
            found.append(action.argument)
        elif action.act in (Act.NEXT_PRESET, Act.PREVIOUS_PRESET):
            found.extend(range(len(plan.presets)))
    return found


def _leads_to(plan: PerformancePlan, index: int, count: int) -> Iterator[int]:
    for zone in plan.presets[index].zones:
        for part in zone.parts:
            match part:
                case ActionPart(act=Act.NEXT_PRESET):
                    yield (index + 1) % count
                case ActionPart(act=Act.PREVIOUS_PRESET):
                    yield (index - 1) % count
                case ActionPart(act=Act.PRESET):
                    yield part.argument
