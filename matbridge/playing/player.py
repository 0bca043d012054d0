"""Touches to MIDI: the player of one performance."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from matbridge.mapping.plan import (
    Act,
    ActionPart,
    ControlMode,
    ControlPart,
    Hold,
    Leaving,
    NotePart,
    PerformancePlan,
    ZonePlan,
)
from matbridge.midi import messages
from matbridge.playing.ledger import Image, Ledger, Sent, Sounding, key_of
from matbridge.playing.tempo import Tempo
from matbridge.playing.timers import Timers
from matbridge.sensing.touch import Touch, VelocitySource

# Five octaves: beyond it hardly a zone would sound.
TRANSPOSE_LIMIT = 60


class Needs(NamedTuple):
    """What the current preset wants of sensing, one entry a zone."""

    sources: tuple[VelocitySource, ...]
    pressure: tuple[bool, ...]


class _Zone:
    """A zone of the current preset: what it holds."""

    __slots__ = ("held", "keys", "plan", "toggled")

    def __init__(self, plan: ZonePlan) -> None:
        self.plan = plan
        self.held = False
        self.keys: list[int] = []
        self.toggled: list[int] = []


class Player:
    def __init__(self, performance: PerformancePlan, image: Image | None = None) -> None:
        self.performance = performance
        self.ledger = Ledger(len(performance.outputs), image)
        self.preset = performance.first
        self.requests: list[Act] = []
        self._tempo = Tempo(performance.tempo_bpm)
        self._timers = Timers(self._tempo)
        self._transpose = 0
        self._muted = False
        self._zones = [_Zone(plan) for plan in performance.presets[self.preset].zones]

    @property
    def next_due_s(self) -> float:
        return self._timers.due_s

    def start(self, now_s: float, preset: int | None = None) -> list[Sent]:
        out: list[Sent] = []
        self._enter(self.preset if preset is None else preset, now_s, out)
        return out

    def touches(self, touches: Sequence[Touch], now_s: float) -> list[Sent]:
        out: list[Sent] = []
        for kind, index, _, value in touches:
            zone = self._zones[index]
            if kind == 0:
                self._onset(index, zone, value, now_s, out)
            elif kind == 2:
                self._lift(zone, out)
        return self._deliver(out)

    def tick(self, now_s: float) -> list[Sent]:
        out: list[Sent] = []
        self._timers.run(now_s, out)
        return self._deliver(out)

    def act(self, action: ActionPart, now_s: float) -> list[Sent]:
        out: list[Sent] = []
        self._act(action, now_s, out)
        return self._deliver(out)

    def midi_in(self, message: bytes, now_s: float) -> list[Sent]:
        return []

    def swap(
        self, performance: PerformancePlan, now_s: float, preset: int | None = None
    ) -> list[Sent]:
        out: list[Sent] = []
        self.ledger.clear(out)
        out = self._deliver(out)
        self.__init__(performance)  # type: ignore[misc]
        self.preset = performance.first if preset is None else preset
        return out

    def output_lost(self, output: int, unseen: bool = False) -> None:
        self.ledger.lose(output, unseen)

    def output_back(self, output: int) -> list[Sent]:
        out: list[Sent] = []
        self.ledger.back(output, out)
        return out

    def finish(self, now_s: float) -> list[Sent]:
        out: list[Sent] = []
        self.ledger.clear(out)
        return self._deliver(out)

    def panic(self, now_s: float) -> list[Sent]:
        return self.act(ActionPart(Act.PANIC), now_s)

    def sounding(self) -> list[Sounding]:
        return list(self.ledger.sounding())

    def sensing_needs(self) -> Needs:
        zones = [zone.plan for zone in self._zones]
        return Needs(tuple(zone.velocity.source for zone in zones), tuple(False for _ in zones))

    def _deliver(self, out: list[Sent]) -> list[Sent]:
        lost = self.ledger.lost
        if not lost:
            return out
        self.ledger.keep_owed()
        return [sent for sent in out if sent[0] not in lost]

    def _onset(self, index: int, zone: _Zone, value: float, now_s: float, out: list[Sent]) -> None:
        self._lift(zone, out)
        zone.held = True
        velocity = zone.plan.velocity.table[int(value * 1023 + 0.5)]
        actions = []
        for part in zone.plan.parts:
            if isinstance(part, NotePart) and not self._muted:
                keys = zone.keys
                if part.hold is Hold.TOGGLE:
                    if zone.toggled:
                        self._end(zone.toggled, out)
                        continue
                    keys = zone.toggled
                for pitch in part.steps[0]:
                    note = pitch.note + (self._transpose if part.transposable else 0)
                    if 0 <= note <= 127:
                        key = key_of(part.output, part.channel, note)
                        self.ledger.strike(key, velocity, index, out)
                        keys.append(key)
            elif isinstance(part, ControlPart) and part.mode is ControlMode.MOMENTARY:
                out.append(
                    (part.output, messages.control_change(part.channel, part.control, part.high))
                )
            elif isinstance(part, ActionPart):
                actions.append(part)
        for action in actions:
            self._act(action, now_s, out)

    def _lift(self, zone: _Zone, out: list[Sent]) -> None:
        if not zone.held:
            return
        zone.held = False
        self._end(zone.keys, out)
        for part in zone.plan.parts:
            if isinstance(part, ControlPart) and part.mode is ControlMode.MOMENTARY:
                out.append(
                    (part.output, messages.control_change(part.channel, part.control, part.low))
                )

    def _end(self, keys: list[int], out: list[Sent]) -> None:
        for key in keys:
            self.ledger.release(key, messages.RELEASE_UNSENSED, out)
        keys.clear()

    def _enter(self, preset: int, now_s: float, out: list[Sent]) -> None:
        plan = self.performance.presets[preset]
        leaving = self.performance.presets[self.preset].leaving
        zones = []
        for old, new in zip(self._zones, plan.zones, strict=True):
            self._end(old.toggled, out)
            if old.held and leaving is Leaving.END:
                self._lift(old, out)
            zones.append(old if old.held else _Zone(new))
        self._zones = zones
        self.preset = preset
        for entry in plan.entry:
            for control, value in entry.controls:
                out.append((entry.output, messages.control_change(entry.channel, control, value)))

    def _act(self, action: ActionPart, now_s: float, out: list[Sent]) -> None:
        count = len(self.performance.presets)
        match action.act:
            case Act.NEXT_PRESET:
                self._enter((self.preset + 1) % count, now_s, out)
            case Act.PREVIOUS_PRESET:
                self._enter((self.preset - 1) % count, now_s, out)
            case Act.PRESET:
                self._enter(action.argument, now_s, out)
            case Act.TRANSPOSE:
                self._transpose += action.argument
            case Act.TRANSPOSE_TO:
                self._transpose = action.argument
            case Act.MUTE:
                self._muted = not self._muted
            case Act.PANIC:
                self.ledger.clear(out)
            case Act.TAKE:
                self.requests.append(Act.TAKE)
            case Act.TAP_TEMPO:
                pass
