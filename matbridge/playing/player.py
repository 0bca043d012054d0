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
from typing import NamedTuple

from matbridge.mapping.plan import Act, ActionPart, PerformancePlan
from matbridge.midi import messages
from matbridge.playing.clock import ClockOut
from matbridge.playing.ledger import Image, Ledger, Sent, Sounding
from matbridge.playing.outside import Outside
from matbridge.playing.repertoire import Repertoire
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

    performance: the one that is played. requests: what the bridge is asked to do beyond MIDI,
    oldest first (Act.TAKE only), to be taken out by whoever can.
    """

    def __init__(self, performance: PerformancePlan, image: Image | None = None) -> None:
        """`image`: where to keep the ledger's image; see Ledger."""
        self.requests: list[Act] = []
        self.performance = performance
        self._outside = Outside(performance.input)
        self._stage = Stage(len(performance.outputs), Tempo(performance.tempo_bpm), image)
        self._clock = ClockOut(self._stage, performance.clock_outputs)
        self._repertoire = Repertoire(performance, performance.first, self._stage, self._act)

    @property
    def preset(self) -> int:
        """The index of the current preset."""
        return self._repertoire.index

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
        zones = self._repertoire
        for kind, zone, time_s, value in touches:
            if kind == 1:
                zones.pressures[zone](value, now_s, out)
            elif kind == 0:
                zones.onsets[zone](value, time_s, now_s, out)
            else:
                zones.lifts[zone](value, now_s, out)
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
        old, before, stage = self._repertoire, self.performance, self._stage
        if preset is None:
            names = [plan.name for plan in performance.presets]
            name = old.current.plan.name
            preset = names.index(name) if name in names else performance.first
        zones = len(performance.presets[preset].zones)
        rings_on = performance.outputs == before.outputs and zones == len(old.current.zones)
        ticks_on = rings_on and performance.clock_outputs == before.clock_outputs
        if not rings_on:
            stage = Stage(len(performance.outputs), stage.tempo, image)
            stage.inherit(self._stage, places_of(before.outputs, performance.outputs))
        new = Repertoire(performance, preset, stage, self._act)
        if rings_on:
            old.give_way(new, now_s, out)
            stage.rest_bends(out, new.tuned)
        else:
            self._end_all(now_s, out)
            self._stage.set_mpe((), out)
            self._stage.rest_bends(out)
        if not ticks_on:
            self._clock.stop(out)
            self._clock = ClockOut(stage, performance.clock_outputs)
        out = self._deliver(out)
        self.performance, self._stage, self._repertoire = performance, stage, new
        self._outside = Outside(performance.input)
        if performance.tempo_bpm != before.tempo_bpm:
            stage.tempo.set(performance.tempo_bpm, now_s)
            stage.timers.refresh()
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
        self._repertoire.drop(output, unheard)
        out: list[Sent] = []
        ledger.back(output, out)
        return out + self.greeting(output)

    def greeting(self, output: int) -> list[Sent]:
        """What a receiver must know that comes to an output: programs, controls and bends as they
        are, and whether the clock runs. Notes that sound are the others'."""
        out: list[Sent] = []
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
        zones = self._repertoire.current.plan.zones
        return Needs(
            tuple(zone.velocity.source for zone in zones),
            self._repertoire.pressed(),
        )

    def _deliver(self, out: list[Sent]) -> list[Sent]:
        """What is left of messages when those for lost outputs are taken out."""
        ledger = self._stage.ledger
        if not ledger.lost:
            return out
        ledger.keep_owed()
        return [sent for sent in out if sent[0] not in ledger.lost]

    def _enter(self, preset: int, now_s: float, out: list[Sent]) -> None:
        stage, repertoire = self._stage, self._repertoire
        plan = repertoire.at(preset).plan
        repertoire.leave(now_s, out)
        # A receiver that changes its MPE zones may drop what sounds: it is ended before.
        for output in sorted(stage.mpe_changes(plan.mpe)):
            repertoire.drop(output, out)
        stage.set_mpe(plan.mpe, out)
        stage.controllers.enter(plan.entry, out)
        if plan.tempo_bpm is not None:
            stage.tempo.set(plan.tempo_bpm, now_s)
            stage.timers.refresh()
        repertoire.take(preset)

    def _act(self, action: ActionPart, now_s: float, out: list[Sent]) -> None:
        stage, repertoire = self._stage, self._repertoire
        match action.act:
            case Act.NEXT_PRESET:
                self._enter((repertoire.index + 1) % len(repertoire), now_s, out)
            case Act.PREVIOUS_PRESET:
                self._enter((repertoire.index - 1) % len(repertoire), now_s, out)
            case Act.PRESET:
                self._enter(action.argument, now_s, out)
            case Act.TRANSPOSE | Act.TRANSPOSE_TO:
                wanted = action.argument
                if action.act is Act.TRANSPOSE:
                    wanted += stage.transpose
                stage.transpose = min(max(wanted, -TRANSPOSE_LIMIT), TRANSPOSE_LIMIT)
                repertoire.aim()
            case Act.MUTE:
                stage.muted = not stage.muted
                if stage.muted:
                    repertoire.hush(out)
                repertoire.aim()
            case Act.PANIC:
                self._panic(now_s, out)
            case Act.TAP_TEMPO:
                stage.tempo.tap(now_s)
                stage.timers.refresh()
            case Act.TAKE:
                if len(self.requests) < REQUEST_LIMIT:
                    self.requests.append(Act.TAKE)

    def _end_all(self, now_s: float, out: list[Sent]) -> None:
        """Let go of everything. The ledger has the last word: a note that nobody knows ends too."""
        self._repertoire.end_all(now_s, out)
        self._stage.ledger.clear(out)

    def _panic(self, now_s: float, out: list[Sent]) -> None:
        self._end_all(now_s, out)
        for control in (messages.ALL_NOTES_OFF, messages.ALL_SOUND_OFF):
            for output, channel in sorted(self._repertoire.used):
                out.append((output, messages.control_change(channel, control, 0)))
