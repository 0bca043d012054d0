"""A preset made ready to play: its plan compiled to zones and what they share."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from matbridge.mapping.plan import (
    DEFAULT_BEND_RANGE,
    ActionPart,
    BendPart,
    ControlPart,
    Hold,
    Length,
    MpePlan,
    NotePart,
    Part,
    PedalPart,
    PresetPlan,
    PressurePlan,
    PressureTarget,
    ProgramPart,
    SameNote,
    ZonePlan,
)
from matbridge.midi.messages import NOTES
from matbridge.playing.bend import bend_steps
from matbridge.playing.handlers import (
    ActionHandler,
    BendHandler,
    ControlHandler,
    FlowHandler,
    Handler,
    ProgramHandler,
    Switch,
)
from matbridge.playing.latch import Latch, PedalHandler
from matbridge.playing.ledger import Sent, key_of
from matbridge.playing.notes import REPEAT_SHORTEST_BEATS, REPEAT_SHORTEST_S, NoteHandler
from matbridge.playing.pressure import Flow, channel_sink, key_sink, make_flow, member_sink
from matbridge.playing.quantise import QuantisedHandler
from matbridge.playing.stage import Stage
from matbridge.playing.voices import (
    Lane,
    MpeSound,
    Sound,
    Strike,
    TunedSound,
    Voice,
    make_lane,
)
from matbridge.playing.zones import Crowd, PartsZone, PlainZone, PressedZone, Zone

Place = tuple[int, int]
"""An output and a channel of it."""

Act = Callable[[ActionPart, float, list[Sent]], None]


def note_parts(preset: PresetPlan) -> Iterable[NotePart]:
    """All parts of a preset that play notes."""
    for zone in preset.zones:
        for part in zone.parts:
            if isinstance(part, NotePart):
                yield part


def tuned_places(presets: Iterable[PresetPlan]) -> frozenset[Place]:
    """Where notes in cents are played by bending the channel, in any preset.

    A note in no need of it must see to the bend there too, for another may have left it bent.
    """
    return frozenset(
        (part.output, part.channel)
        for preset in presets
        for part in note_parts(preset)
        if any(pitch.cents for step in part.steps for pitch in step)
    )


def used_places(preset: PresetPlan) -> set[Place]:
    """Where notes of a preset may sound: under MPE, the members too."""
    used = {(part.output, part.channel) for part in note_parts(preset)}
    for plan in preset.mpe:
        if (plan.output, plan.manager) in used:
            used.update((plan.output, channel) for channel in plan.channels)
    return used


class Preset:
    """One preset of a performance, ready to play."""

    __slots__ = ("_lanes", "onsets", "plan", "zones")

    def __init__(self, plan: PresetPlan, stage: Stage, tuned: frozenset[Place], act: Act) -> None:
        self.plan = plan
        maker = _Maker(plan, stage, tuned, act)
        self.zones = tuple(maker.zone(number, zone) for number, zone in enumerate(plan.zones))
        self._lanes = tuple(maker.lanes.values())
        crowd = Crowd(plan.voices.crowd, plan.voices.crowd_s) if plan.voices.crowd else None
        self.onsets = tuple(
            zone.onset if crowd is None else crowd.guard(zone.onset) for zone in self.zones
        )

    def leave(self, now_s: float, out: list[Sent]) -> None:
        """Let go of everything."""
        self.end_lanes(None, out)
        for zone in self.zones:
            zone.leave(now_s, out)

    def end_lanes(self, output: int | None, out: list[Sent]) -> None:
        """All notes, or those of one output, are about to end: let none come back meanwhile."""
        for lane in self._lanes:
            if output is None or lane.output == output:
                lane.clear(out)


class _Maker:
    """Makes the zones of one preset, and what they share."""

    def __init__(self, plan: PresetPlan, stage: Stage, tuned: frozenset[Place], act: Act) -> None:
        self._plan = plan
        self._stage = stage
        self._act = act
        self._tuned = tuned
        self._mpe = {(mpe.output, mpe.manager): mpe for mpe in plan.mpe}
        self._ranges = {(output, channel): wide for output, channel, wide in plan.bend_ranges}
        join = plan.voices.same_note is SameNote.JOIN
        self._strike: Strike = stage.ledger.join if join else stage.ledger.strike
        self.lanes: dict[Place, Lane] = {}
        self._flows: dict[tuple[Place, PressurePlan], Flow] = {}
        self._switches: dict[tuple[Place, int], Switch] = {}
        self._groups: dict[int, list[NoteHandler]] = {}
        self._latch = Latch()
        self._has_pedal = any(
            isinstance(part, PedalPart) for zone in plan.zones for part in zone.parts
        )

    def zone(self, number: int, plan: ZonePlan) -> Zone:
        if not plan.parts:
            return Zone()
        if len(plan.parts) == 1 and isinstance(plan.parts[0], NotePart):
            part = plan.parts[0]
            if self._is_plain(part):
                return self._plain(number, plan, part)
        written = [self._handler(number, part) for part in plan.parts]
        # An action may leave the preset: it must find all that its zone does already done.
        written.sort(key=lambda handler: isinstance(handler, ActionHandler))
        return PartsZone(plan.velocity, tuple(written))

    def _is_plain(self, part: NotePart) -> bool:
        place = (part.output, part.channel)
        return (
            len(part.steps) == 1
            and len(part.steps[0]) == 1
            and part.hold is Hold.TOUCH
            and part.group < 0
            and part.repeat is None
            and part.velocity_split is None
            and part.pressure_split is None
            and not (part.latched and self._has_pedal)
            and self._plan.voices.limit == 0
            and self._plan.quantise is None
            and place not in self._mpe
            and place not in self._tuned
            and all(plan.target is not PressureTarget.POLY for plan in part.pressure)
        )

    def _plain(self, number: int, plan: ZonePlan, part: NotePart) -> Zone:
        arguments = (
            self._stage.ledger,
            number,
            plan.velocity,
            key_of(part.output, part.channel, 0),
            part.steps[0][0].note,
            part.transposable,
            self._strike,
        )
        if not part.pressure:
            return PlainZone(*arguments)
        zone = PressedZone(*arguments)
        zone.flows = tuple(self._flow(part.output, part.channel, how) for how in part.pressure)
        return zone

    def _handler(self, zone: int, part: Part) -> Handler:
        match part:
            case NotePart():
                notes = self._notes(zone, part)
                if self._plan.quantise is None:
                    return notes
                return QuantisedHandler(self._stage, self._plan.quantise, notes)
            case ControlPart() | BendPart() if part.pressure is not None:
                return FlowHandler(self._flow(part.output, part.channel, part.pressure), zone)
            case ControlPart():
                return ControlHandler(part, self._switch(part))
            case BendPart():
                return BendHandler(self._stage, part)
            case ProgramPart():
                return ProgramHandler(self._stage, part)
            case PedalPart():
                return PedalHandler(part, self._latch)
            case ActionPart():
                return ActionHandler(part, self._act)

    def _notes(self, zone: int, part: NotePart) -> NoteHandler:
        mpe = self._mpe.get((part.output, part.channel))
        semitones = self._range(part.output, part.channel) if mpe is None else mpe.bend_range
        steps = tuple(
            tuple(
                (pitch.note, bend_steps(pitch.cents, semitones))
                for pitch in step
                if 0 <= pitch.note < NOTES
            )
            for step in part.steps
        )
        if part.repeat is not None:
            part = replace(part, repeat=_at_least_the_shortest(part.repeat))
        handler = NoteHandler(
            self._stage,
            part,
            zone,
            self._lane(part.output, part.channel),
            steps or ((),),
            self._latch if self._has_pedal and part.latched else None,
            self._groups.setdefault(part.group, []) if part.group >= 0 else [],
        )
        if part.group >= 0:
            self._groups[part.group].append(handler)
        self._send_pressure(handler, part, mpe)
        return handler

    def _send_pressure(self, handler: NoteHandler, part: NotePart, mpe: MpePlan | None) -> None:
        shared: list[Flow] = []
        own: list[tuple[PressurePlan, Flow]] = []

        def voices() -> list[Voice]:
            return handler.voices

        for plan in part.pressure:
            if mpe is not None:
                sink = member_sink(plan, part.output, voices)
            elif plan.target is PressureTarget.POLY:
                sink = key_sink(part.output, voices)
            else:
                shared.append(self._flow(part.output, part.channel, plan))
                continue
            own.append((plan, make_flow(self._stage, plan, sink)))
        handler.send_pressure(tuple(shared), tuple(own), mpe is not None)

    def _range(self, output: int, channel: int) -> int:
        return self._ranges.get((output, channel), DEFAULT_BEND_RANGE)

    def _lane(self, output: int, channel: int) -> Lane:
        place = (output, channel)
        if place not in self.lanes:
            self.lanes[place] = make_lane(output, self._sound(place), self._plan.voices)
        return self.lanes[place]

    def _sound(self, place: Place) -> Sound:
        ledger, strike = self._stage.ledger, self._strike
        if place in self._mpe:
            zone = self._stage.mpe_zone(self._mpe[place])
            return MpeSound(ledger, key_of(place[0], 1, 0), strike, zone)
        base = key_of(*place, 0)
        if place in self._tuned:
            return TunedSound(ledger, base, strike, self._stage.bend(*place))
        return Sound(ledger, base, strike)

    def _flow(self, output: int, channel: int, plan: PressurePlan) -> Flow:
        shared = ((output, channel), plan)
        if shared not in self._flows:
            sink = channel_sink(self._stage, plan, output, channel)
            self._flows[shared] = make_flow(self._stage, plan, sink)
        return self._flows[shared]

    def _switch(self, part: ControlPart) -> Switch:
        shared = ((part.output, part.channel), part.control)
        if shared not in self._switches:
            self._switches[shared] = Switch(self._stage, part)
        return self._switches[shared]


def _at_least_the_shortest(repeat: Length) -> Length:
    return Length(
        seconds=max(repeat.seconds, REPEAT_SHORTEST_S) if repeat.seconds else 0.0,
        beats=max(repeat.beats, REPEAT_SHORTEST_BEATS) if repeat.beats else 0.0,
    )
