"""The player: touches, timers and words from outside go in, MIDI messages come out.

    made --start--> playing --swap--> playing, silent --start--> playing --finish--> over

A preset that is left ends what it plays or lets it ring, as its plan says:

                        held by a foot            of a length      toggled, latched
    leaving: end        ends                      ends             ends
    leaving: ring       until the lift            its length       ends

A zone whose touch began in another preset belongs to that one until its lift.
Nothing here knows a clock or a port: time comes in as `now_s`, in seconds that never go back, and
what is to be sent is returned, in order.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain
from typing import NamedTuple

from matbridge.mapping.plan import Act, ActionPart, Leaving, PerformancePlan
from matbridge.midi import messages
from matbridge.playing.clock import ClockOut
from matbridge.playing.ledger import Image, Ledger, Sent, Sounding
from matbridge.playing.outside import Outside
from matbridge.playing.preset import Preset, tuned_places, used_places
from matbridge.playing.roster import Roster
from matbridge.playing.stage import Stage, places_of
from matbridge.playing.tempo import Tempo
from matbridge.sensing.touch import Touch, VelocitySource

# Five octaves: beyond it hardly a zone would sound.
TRANSPOSE_LIMIT = 60

# More than this nobody can have asked for between two looks of whoever does it.
REQUEST_LIMIT = 16


class Needs(NamedTuple):
    """What the current preset wants of sensing, one entry a zone."""

    sources: tuple[VelocitySource, ...]
    pressure: tuple[bool, ...]


class Player:
    """Plays one performance.

    preset: index of the current one. requests: what the bridge is asked to do beyond MIDI, oldest
    first (Act.TAKE only), to be taken out by whoever can.
    """

    def __init__(self, performance: PerformancePlan, image: Image | None = None) -> None:
        """`image`: where to keep the ledger's image; see Ledger."""
        self.requests: list[Act] = []
        stage = Stage(len(performance.outputs), Tempo(performance.tempo_bpm), image)
        self._prepare(performance, performance.first, stage)
        self._roster = Roster(self._current)
        self._clock = ClockOut(stage, performance.clock_outputs)

    @property
    def ledger(self) -> Ledger:
        """What sounds, and its image."""
        return self._stage.ledger

    @property
    def next_due_s(self) -> float:
        """When `tick` has something to do next; infinite if never."""
        return self._stage.timers.due_s

    @property
    def tempo_bpm(self) -> float:
        """The tempo of the moment."""
        return self._stage.tempo.bpm

    @property
    def transpose(self) -> int:
        """Semitones by which the next notes are moved."""
        return self._stage.transpose

    @property
    def muted(self) -> bool:
        """Whether no note may start."""
        return self._stage.muted

    def start(self, now_s: float, preset: int | None = None) -> list[Sent]:
        """Enter `preset`, or the one that is current: the first, or after `swap` the one it chose.

        Once at the beginning, and once after each `swap`, when the new outputs stand.
        """
        out: list[Sent] = []
        self._enter(self.preset if preset is None else preset, now_s, out)
        self._clock.start(now_s, out)
        return self._deliver(out)

    def touches(self, touches: Sequence[Touch], now_s: float) -> list[Sent]:
        """Play touches, in order."""
        out: list[Sent] = []
        roster = self._roster
        for kind, zone, time_s, value in touches:
            if kind == 1:
                roster.pressures[zone](value, now_s, out)
            elif kind == 0:
                roster.onsets[zone](value, time_s, now_s, out)
            else:
                roster.lifts[zone](value, now_s, out)
        return self._deliver(out) if self._stage.ledger.lost else out

    def tick(self, now_s: float) -> list[Sent]:
        """Play what was due by `now_s`, in the order and at the seconds it was due."""
        out: list[Sent] = []
        self._stage.timers.run(now_s, out)
        return self._deliver(out)

    def act(self, action: ActionPart, now_s: float) -> list[Sent]:
        """Do what a zone, a command line or a control from outside asks."""
        out: list[Sent] = []
        self._act(action, now_s, out)
        return self._deliver(out)

    def midi_in(self, message: bytes, now_s: float) -> list[Sent]:
        """Heed a whole message from the performance's input; any that means nothing is ignored."""
        out: list[Sent] = []
        heard = self._outside
        for action in heard.actions(message):
            self._act(action, now_s, out)
        if heard.keeps_time(message):
            self._stage.tempo.clock(message, now_s)
            self._stage.timers.refresh()
            self._clock.passed_on(message, out)
        return self._deliver(out)

    def swap(
        self,
        performance: PerformancePlan,
        now_s: float,
        preset: int | None = None,
        image: Image | None = None,
    ) -> list[Sent]:
        """Take another performance; the messages are for the outputs of the old one.

        Send them, then put the new outputs in place, then call `start`, whose messages are for the
        new ones. `preset` None: the one of the same name, else the first. `image` as for a new
        player; it is not touched if neither the outputs nor the number of zones change.

        If neither the outputs nor the number of zones change, held notes follow the rule of the
        preset that is left. Otherwise every note ends, but what is owed to a lost output stays owed
        where the same output is in the new performance.
        """
        out: list[Sent] = []
        before, stage = self.performance, self._stage
        if preset is None:
            names = [plan.name for plan in performance.presets]
            name = self._current.plan.name
            preset = names.index(name) if name in names else performance.first
        zones = len(performance.presets[preset].zones)
        same = performance.outputs == before.outputs and zones == len(self._current.zones)
        if performance.clock_outputs != before.clock_outputs or not same:
            self._clock.stop(out)
        if same:
            self._leave(now_s, out)
            ringing = set(map(id, self._roster.ringing.values()))
            for zone in chain.from_iterable(preset.zones for preset in self._presets):
                if id(zone) not in ringing:
                    zone.leave(now_s, out)
        else:
            self._end_all(now_s, out)
            stage.set_mpe((), out)
            stage.rest_bends(out)
        out = self._deliver(out)
        if not same:
            stage = Stage(len(performance.outputs), stage.tempo, image)
            stage.inherit(self._stage, places_of(before.outputs, performance.outputs))
        if performance.tempo_bpm != before.tempo_bpm:
            stage.tempo.set(performance.tempo_bpm, now_s)
            stage.timers.refresh()
        self._prepare(performance, preset, stage)
        if same:
            self._seat()
        else:
            self._roster = Roster(self._current)
        if performance.clock_outputs != before.clock_outputs or not same:
            self._clock = ClockOut(stage, performance.clock_outputs)
        return out

    def owe(self, left: Iterable[int]) -> None:
        """Take on what an earlier process left sounding; `left` is an image as the ledger's.

        The outputs concerned count as lost until `output_back`, which sends what is owed first.
        """
        self._stage.ledger.owe(left)

    def output_lost(self, output: int, unseen: bool = False) -> None:
        """An output is down: nothing is returned for it until `output_back`; what sounds is owed.

        unseen: its loss may have gone unnoticed for up to a few seconds, as with a port that is
        only looked at now and then; the latest note-offs are then owed once more.
        """
        self._stage.ledger.lose(output, unseen)

    def output_back(self, output: int) -> list[Sent]:
        """An output is up again: the owed note-offs, then programs, controls and bends as they are.

        Notes that were struck while it was down, or are held over it, stay silent until their next
        onset.
        """
        ledger = self._stage.ledger
        if output not in ledger.lost:
            ledger.lose(output, unseen=False)
        unheard: list[Sent] = []
        self._drop(output, unheard)
        out: list[Sent] = []
        ledger.back(output, out)
        self._stage.controllers.repeat(output, out)
        self._clock.back(output, out)
        return out

    def finish(self, now_s: float) -> list[Sent]:
        """End: every owed note-off, controls and bends at rest, the clock stopped."""
        out: list[Sent] = []
        self._end_all(now_s, out)
        self._stage.rest_bends(out)
        self._clock.stop(out)
        return self._deliver(out)

    def panic(self, now_s: float) -> list[Sent]:
        """Silence: every owed note-off, then all notes off and all sound off on every channel used.

        Play goes on with the next onset.
        """
        return self.act(ActionPart(Act.PANIC), now_s)

    def sounding(self) -> list[Sounding]:
        """What sounds, in the order it was struck."""
        return list(self._stage.ledger.sounding())

    def sensing_needs(self) -> Needs:
        """What sensing must find out, from now until the preset changes."""
        return Needs(
            tuple(zone.velocity.source for zone in self._current.plan.zones),
            tuple(
                zone.wants_pressure or number in self._roster.ringing
                for number, zone in enumerate(self._current.zones)
            ),
        )

    def _prepare(self, performance: PerformancePlan, preset: int, stage: Stage) -> None:
        """Compile a performance; its preset is current but not entered."""
        tuned = tuned_places(performance.presets)
        self.performance = performance
        self.preset = preset
        self._stage = stage
        self._outside = Outside(performance.input)
        self._presets = [Preset(plan, stage, tuned, self._act) for plan in performance.presets]
        self._current = self._presets[preset]

    def _deliver(self, out: list[Sent]) -> list[Sent]:
        """What is left of messages when those for lost outputs are taken out."""
        ledger = self._stage.ledger
        if not ledger.lost:
            return out
        ledger.keep_owed()
        return [sent for sent in out if sent[0] not in ledger.lost]

    def _enter(self, preset: int, now_s: float, out: list[Sent]) -> None:
        if not 0 <= preset < len(self._presets):
            raise ValueError(f"there is no preset {preset}, only 0 to {len(self._presets) - 1}")
        stage = self._stage
        self._leave(now_s, out)
        plan = self._presets[preset].plan
        # A receiver that changes its MPE zones may drop what sounds: it is ended before.
        for output in sorted(stage.mpe_changes(plan.mpe)):
            self._drop(output, out)
        stage.set_mpe(plan.mpe, out)
        stage.controllers.enter(plan.entry, out)
        if plan.tempo_bpm is not None:
            stage.tempo.set(plan.tempo_bpm, now_s)
            stage.timers.refresh()
        self.preset = preset
        self._current = self._presets[preset]
        for zone in self._current.zones:
            zone.reset()
        self._seat()

    def _seat(self) -> None:
        for zone in self._current.zones:
            zone.aim(self._stage.transpose, self._stage.muted)
        self._roster.seat(self._current)

    def _leave(self, now_s: float, out: list[Sent]) -> None:
        """Leave the current preset by its rule."""
        if self._current.plan.leaving is Leaving.END:
            self._current.leave(now_s, out)
            return
        for number, zone in enumerate(self._current.zones):
            if zone.held:
                self._roster.ringing[number] = zone
            zone.ring(now_s, out)

    def _end_all(self, now_s: float, out: list[Sent]) -> None:
        """Let go of everything, everywhere."""
        for preset in self._presets:
            preset.leave(now_s, out)
        for zone in self._roster.ringing.values():
            zone.leave(now_s, out)

    def _hush(self, out: list[Sent]) -> None:
        """End all notes, everywhere."""
        for preset in self._presets:
            preset.hush(out)
        for zone in self._roster.ringing.values():
            zone.hush(out)

    def _drop(self, output: int, out: list[Sent]) -> None:
        """End all notes of one output, everywhere."""
        for preset in self._presets:
            preset.drop(output, out)
        for zone in self._roster.ringing.values():
            zone.drop(output, out)

    def _act(self, action: ActionPart, now_s: float, out: list[Sent]) -> None:
        count = len(self._presets)
        stage = self._stage
        match action.act:
            case Act.NEXT_PRESET:
                self._enter((self.preset + 1) % count, now_s, out)
            case Act.PREVIOUS_PRESET:
                self._enter((self.preset - 1) % count, now_s, out)
            case Act.PRESET:
                self._enter(action.argument, now_s, out)
            case Act.TRANSPOSE | Act.TRANSPOSE_TO:
                wanted = action.argument
                if action.act is Act.TRANSPOSE:
                    wanted += stage.transpose
                stage.transpose = min(max(wanted, -TRANSPOSE_LIMIT), TRANSPOSE_LIMIT)
                self._seat()
            case Act.MUTE:
                stage.muted = not stage.muted
                if stage.muted:
                    self._hush(out)
                self._seat()
            case Act.PANIC:
                self._panic(now_s, out)
            case Act.TAP_TEMPO:
                stage.tempo.tap(now_s)
                stage.timers.refresh()
            case Act.TAKE:
                if len(self.requests) < REQUEST_LIMIT:
                    self.requests.append(Act.TAKE)

    def _panic(self, now_s: float, out: list[Sent]) -> None:
        self._end_all(now_s, out)
        used = {place for preset in self.performance.presets for place in used_places(preset)}
        for control in (messages.ALL_NOTES_OFF, messages.ALL_SOUND_OFF):
            for output, channel in sorted(used):
                out.append((output, messages.control_change(channel, control, 0)))
