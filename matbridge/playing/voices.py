"""Who sounds: voices, and how many of them an output and channel of a preset has at once.

A voice is one note of one touch:

    state      means                                              leaves it by
    sounding   its key is held in the ledger                      end, steal
    waiting    a single voice plays another; it may come back     its turn, end
    over       it will never sound again                          -

Lanes decide who sounds; a Sound (plain, tuned, MPE) turns a voice into messages.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from matbridge.mapping.plan import Priority, VoicePlan
from matbridge.midi.messages import RELEASE_UNSENSED
from matbridge.playing.bend import ChannelBend
from matbridge.playing.ledger import Ledger, Sent
from matbridge.playing.mpe import Member, MpeZone

Strike = Callable[[int, int, int, list[Sent]], None]
"""Ledger.strike or Ledger.join: what a note does that sounds already."""


class Owner(Protocol):
    """What a voice asks of the part of a zone that struck it.

    first_pressure, first_timbre: what the pressure and the CC 74 of a new MPE note start with.
    """

    zone: int
    first_pressure: int
    first_timbre: int


class Voice:
    """One note of one touch.

    steps: of bend, off the key. key: in the ledger while it sounds, else -1. held: what keeps it is
    a zone; False once only a latch pedal does.
    """

    __slots__ = ("held", "key", "member", "note", "over", "owner", "steps", "velocity")

    def __init__(self, note: int, steps: int, velocity: int, owner: Owner) -> None:
        self.note = note
        self.steps = steps
        self.velocity = velocity
        self.owner = owner
        self.key = -1
        self.member: Member | None = None
        self.over = False
        self.held = True

    @property
    def pitch(self) -> tuple[int, int]:
        """What tells notes of one lane apart, and orders them."""
        return (self.note, self.steps)


class Sound:
    """A voice on its channel, as it is."""

    __slots__ = ("_base", "_ledger", "_strike")

    def __init__(self, ledger: Ledger, base: int, strike: Strike) -> None:
        self._ledger = ledger
        self._base = base
        self._strike = strike

    def begin(self, voice: Voice, out: list[Sent]) -> None:
        voice.key = self._base + voice.note
        self._strike(voice.key, voice.velocity, voice.owner.zone, out)

    def end(self, voice: Voice, velocity: int, out: list[Sent]) -> None:
        self._ledger.release(voice.key, velocity, out)
        voice.key = -1

    def again(self, voice: Voice, out: list[Sent]) -> None:
        """Strike a sounding voice once more."""
        self._ledger.again(voice.key, voice.velocity, out)


class TunedSound(Sound):
    """A voice on its channel, which is bent for it."""

    __slots__ = ("_bend",)

    def __init__(self, ledger: Ledger, base: int, strike: Strike, bend: ChannelBend) -> None:
        super().__init__(ledger, base, strike)
        self._bend = bend

    def begin(self, voice: Voice, out: list[Sent]) -> None:
        self._bend.tune(voice.steps, out)
        super().begin(voice, out)


class MpeSound(Sound):
    """A voice on a member channel of its own; `base` is the key of note 0 on channel 1."""

    __slots__ = ("_zone",)

    def __init__(self, ledger: Ledger, base: int, strike: Strike, zone: MpeZone) -> None:
        super().__init__(ledger, base, strike)
        self._zone = zone

    def begin(self, voice: Voice, out: list[Sent]) -> None:
        member = self._zone.take(voice.note)
        voice.member = member
        owner = voice.owner
        self._zone.before_note(member, voice.steps, owner.first_pressure, owner.first_timbre, out)
        voice.key = self._base + member.base + voice.note
        self._strike(voice.key, voice.velocity, owner.zone, out)

    def end(self, voice: Voice, velocity: int, out: list[Sent]) -> None:
        if voice.member is not None:
            self._zone.give_back(voice.member)
            voice.member = None
        super().end(voice, velocity, out)


Note = tuple[int, int]
"""A note number within 0-127, and steps of bend."""


class Lane:
    """One output and channel of a preset, with as many voices as are asked for."""

    __slots__ = ("output", "sound")

    def __init__(self, output: int, sound: Sound) -> None:
        self.output = output
        self.sound = sound

    def start(
        self, notes: Sequence[Note], velocity: int, owner: Owner, out: list[Sent]
    ) -> list[Voice]:
        """Strike the notes of one touch; the voices that came of it."""
        voices = []
        for note, steps in notes:
            voice = Voice(note, steps, velocity, owner)
            self.sound.begin(voice, out)
            voices.append(voice)
        return voices

    def end(self, voice: Voice, velocity: int, out: list[Sent]) -> None:
        """A voice is over; harmless if it is already."""
        voice.over = True
        if voice.key >= 0:
            self.sound.end(voice, velocity, out)

    def clear(self, out: list[Sent]) -> None:
        """All voices are about to be ended, one by one: let none come back meanwhile."""

    def again(self, voice: Voice, out: list[Sent]) -> None:
        """Strike a voice once more, if it sounds."""
        if voice.key >= 0:
            self.sound.again(voice, out)


class LimitedLane(Lane):
    """At most so many different notes; for one more, another ends, by the priority of the plan."""

    __slots__ = ("_limit", "_priority", "_voices")

    def __init__(self, output: int, sound: Sound, plan: VoicePlan) -> None:
        super().__init__(output, sound)
        self._limit = plan.limit
        self._priority = plan.priority
        self._voices: list[Voice] = []  # sounding, in the order they began

    def start(
        self, notes: Sequence[Note], velocity: int, owner: Owner, out: list[Sent]
    ) -> list[Voice]:
        started = []
        for note, steps in by_priority(notes, self._priority)[: self._limit]:
            voice = Voice(note, steps, velocity, owner)
            if self._make_room(voice.pitch, out):
                self.sound.begin(voice, out)
                self._voices.append(voice)
                started.append(voice)
        return started

    def end(self, voice: Voice, velocity: int, out: list[Sent]) -> None:
        if not voice.over:
            self._voices.remove(voice)
        super().end(voice, velocity, out)

    def _make_room(self, pitch: Note, out: list[Sent]) -> bool:
        """End a note, if it needs that, for another; False if the other is the one to go."""
        pitches = [voice.pitch for voice in self._voices]
        if pitch in pitches or len(set(pitches)) < self._limit:
            return True
        if self._priority is Priority.LAST:
            leaves = pitches[0]
        elif self._priority is Priority.LOWEST:
            leaves = max(*pitches, pitch)
        else:
            leaves = min(*pitches, pitch)
        if leaves == pitch:
            return False
        for voice in [voice for voice in self._voices if voice.pitch == leaves]:
            self.end(voice, RELEASE_UNSENSED, out)
        return True


class SingleLane(Lane):
    """One voice: of all that are held, the one with priority sounds, the others wait."""

    __slots__ = ("_held", "_playing", "_priority", "_retrigger")

    def __init__(self, output: int, sound: Sound, plan: VoicePlan) -> None:
        super().__init__(output, sound)
        self._priority = plan.priority
        self._retrigger = plan.retrigger
        self._held: list[Voice] = []  # in the order they were struck
        self._playing: Voice | None = None

    def start(
        self, notes: Sequence[Note], velocity: int, owner: Owner, out: list[Sent]
    ) -> list[Voice]:
        voices = [
            Voice(note, steps, velocity, owner)
            for note, steps in by_priority(notes, self._priority)[:1]
        ]
        if voices:
            self._held += voices
            self._settle(RELEASE_UNSENSED, out)
        return voices

    def end(self, voice: Voice, velocity: int, out: list[Sent]) -> None:
        if not voice.over:
            voice.over = True
            self._held.remove(voice)
            self._settle(velocity, out)

    def clear(self, out: list[Sent]) -> None:
        for voice in self._held:
            voice.over = True
        self._held.clear()
        self._settle(RELEASE_UNSENSED, out)

    def _settle(self, velocity: int, out: list[Sent]) -> None:
        """Let the one with priority sound; `velocity` is for the release of the one before."""
        old, new = self._playing, self._first()
        if new is old:
            return
        self._playing = new
        if old is not None and (self._retrigger or new is None):
            self.sound.end(old, velocity, out)
        if new is not None:
            self.sound.begin(new, out)
        if old is not None and old.key >= 0:
            self.sound.end(old, velocity, out)
        if old is not None and not old.held and not old.over:
            # A pedal kept it, but nobody stands on its zone: it does not come back.
            old.over = True
            self._held.remove(old)

    def _first(self) -> Voice | None:
        if not self._held:
            return None
        if self._priority is Priority.LAST:
            return self._held[-1]
        choose = min if self._priority is Priority.LOWEST else max
        # Of equal ones the latest, so that a note struck again is heard again.
        return choose(reversed(self._held), key=lambda voice: voice.pitch)


def by_priority(notes: Sequence[Note], priority: Priority) -> Sequence[Note]:
    """The notes of one touch, those that must sound first; as written for Priority.LAST."""
    if priority is Priority.LAST:
        return notes
    return sorted(notes, reverse=priority is Priority.HIGHEST)


def make_lane(output: int, sound: Sound, plan: VoicePlan) -> Lane:
    """The lane that a plan of voices asks for."""
    if plan.limit == 0:
        return Lane(output, sound)
    return SingleLane(output, sound, plan) if plan.limit == 1 else LimitedLane(output, sound, plan)
