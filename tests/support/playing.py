"""Plays a small performance and says in words what came out, as mido reads the bytes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

import mido

from matbridge.mapping.plan import (
    LEVELS,
    Act,
    ActionPart,
    NotePart,
    OutputKind,
    OutputPlan,
    Part,
    PerformancePlan,
    Pitch,
    PresetPlan,
    PressurePlan,
    PressureTarget,
    Table,
    VelocityPlan,
    ZonePlan,
)
from matbridge.playing.ledger import Sent
from matbridge.playing.player import Player
from matbridge.sensing.touch import Touch, TouchKind, VelocitySource


class Straight(tuple[int, ...]):
    """A table from `low` to `high`, which is short when it is printed."""

    __slots__ = ()

    def __new__(cls, low: int, high: int) -> Straight:
        steps = range(LEVELS)
        return super().__new__(cls, (round(low + n * (high - low) / (LEVELS - 1)) for n in steps))

    def __repr__(self) -> str:
        return f"Straight({self[0]}, {self[-1]})"


# Value v / 127 gives v, so that tests may speak of velocities and pressures in MIDI steps.
STRAIGHT: Table = Straight(0, 127)
STRAIGHT_14: Table = Straight(0, 16383)
FALLING: Table = Straight(127, 0)
FALLING_14: Table = Straight(16383, 0)
VELOCITIES: Table = STRAIGHT  # no onset has the value 0


def velocity_plan(
    source: VelocitySource = VelocitySource.RISE, release: bool = False
) -> VelocityPlan:
    return VelocityPlan(source, VELOCITIES, STRAIGHT if release else None)


def note(*notes: float, output: int = 0, channel: int = 1, **more: Any) -> NotePart:
    """A part that plays notes at once; 60.25 is note 60 and 25 cents."""
    return NotePart(output, channel, (pitches(*notes),), **more)


def sequence(*steps: Sequence[float], channel: int = 1, **more: Any) -> NotePart:
    return NotePart(0, channel, tuple(pitches(*step) for step in steps), **more)


def pitches(*notes: float) -> tuple[Pitch, ...]:
    return tuple(Pitch(int(number), round(number % 1 * 100, 6)) for number in notes)


def pressure(target: PressureTarget = PressureTarget.CHANNEL, **more: Any) -> PressurePlan:
    wide = target in (PressureTarget.CONTROL_14, PressureTarget.BEND)
    facts: dict[str, Any] = {
        "control": 0,
        "table": STRAIGHT_14 if wide else STRAIGHT,
        "smoothing_s": 0.0,
        "dead_band": 1,
        "interval_s": 0.0,
    }
    return PressurePlan(target, **{**facts, **more})


def outputs(count: int) -> tuple[OutputPlan, ...]:
    return tuple(OutputPlan(f"jack {n}", OutputKind.FILE, f"jack{n}.mid") for n in range(count))


def preset(*zones: Part | tuple[Part, ...], name: str = "low tide", **more: Any) -> PresetPlan:
    """A preset of zones, each one part or a tuple of parts."""
    plans = tuple(
        ZonePlan(velocity_plan(release=True), zone if isinstance(zone, tuple) else (zone,))
        for zone in zones
    )
    return PresetPlan(name, plans, **more)


def performance(*presets: PresetPlan, **more: Any) -> PerformancePlan:
    more.setdefault("outputs", outputs(2))
    return PerformancePlan("harbour lights", presets=presets, **more)


def said(sent: Iterable[Sent]) -> list[str]:
    """Messages in words; those of outputs other than 0 begin with its number and a slash."""
    return [(f"{output}/" if output else "") + say(message) for output, message in sent]


def say(message: bytes) -> str:
    """One message in words, channels 1-16, as mido reads it."""
    heard = mido.Message.from_bytes(message)
    if not hasattr(heard, "channel"):
        return str(heard.type)
    words = {
        "note_on": lambda: f"on {heard.channel + 1} {heard.note} {heard.velocity}",
        "note_off": lambda: f"off {heard.channel + 1} {heard.note} {heard.velocity}",
        "polytouch": lambda: f"poly {heard.channel + 1} {heard.note} {heard.value}",
        "control_change": lambda: f"control {heard.channel + 1} {heard.control} {heard.value}",
        "program_change": lambda: f"program {heard.channel + 1} {heard.program}",
        "aftertouch": lambda: f"pressure {heard.channel + 1} {heard.value}",
        "pitchwheel": lambda: f"bend {heard.channel + 1} {heard.pitch + 8192}",
    }
    return words[heard.type]()


def kinds(words: Iterable[str], *kinds: str) -> list[str]:
    """Those words that begin with one of the kinds, after the output."""
    return [each for each in words if each.rsplit("/", 1)[-1].split()[0] in kinds]


class Receiver:
    """The synths behind the outputs: judges that every note-on gets its one note-off."""

    def __init__(self) -> None:
        self.sounding: set[tuple[int, int, int]] = set()
        self.counts: Counter[str] = Counter()
        self.unasked_offs = 0

    def hear(self, sent: Iterable[Sent]) -> None:
        for output, message in sent:
            assert all(byte <= 127 for byte in message[1:]), message.hex(" ")
            heard = mido.Message.from_bytes(message)
            self.counts[heard.type] += 1
            if heard.type == "note_on":
                key = (output, heard.channel, heard.note)
                assert heard.velocity > 0
                assert key not in self.sounding, f"struck twice: {key}"
                self.sounding.add(key)
            elif heard.type == "note_off":
                key = (output, heard.channel, heard.note)
                if key in self.sounding:
                    self.sounding.remove(key)
                else:
                    self.unasked_offs += 1


class Play:
    """A player under the hands of a test: every method says what came out of it."""

    def __init__(self, plan: PerformancePlan | PresetPlan, now_s: float = 100.0) -> None:
        self.plan = plan if isinstance(plan, PerformancePlan) else performance(plan)
        self.player = Player(self.plan)
        self.now_s = now_s
        self.receiver = Receiver()
        self.entry = self.heard(self.player.start(now_s))

    def heard(self, sent: list[Sent]) -> list[str]:
        self.receiver.hear(sent)
        return said(sent)

    def on(self, *zones: int, velocity: int = 100) -> list[str]:
        return self.touch(*(Touch(TouchKind.ONSET, z, self.now_s, velocity / 127) for z in zones))

    def press(self, zone: int, value: int) -> list[str]:
        return self.touch(Touch(TouchKind.PRESSURE, zone, self.now_s, value / 127))

    def off(self, *zones: int, velocity: int = 64) -> list[str]:
        return self.touch(*(Touch(TouchKind.LIFT, z, self.now_s, velocity / 127) for z in zones))

    def touch(self, *touches: Touch) -> list[str]:
        return self.heard(self.player.touches(touches, self.now_s))

    def tap(self, zone: int, velocity: int = 100) -> list[str]:
        """Down and up."""
        return self.on(zone, velocity=velocity) + self.off(zone)

    def wait(self, seconds: float) -> list[str]:
        """Let time pass; the player is called exactly when it asked to be."""
        return [words for _, words in self.wait_timed(seconds)]

    def wait_timed(self, seconds: float) -> list[tuple[float, str]]:
        """Likewise, with the seconds from now at which each message came."""
        began_s = self.now_s
        end_s = began_s + seconds
        came: list[tuple[float, str]] = []
        while self.player.next_due_s <= end_s:
            self.now_s = max(self.now_s, self.player.next_due_s)
            at_s = round(self.now_s - began_s, 5)
            came += [(at_s, words) for words in self.heard(self.player.tick(self.now_s))]
        self.now_s = end_s
        return came

    def act(self, act: Act, argument: int = 0) -> list[str]:
        return self.heard(self.player.act(ActionPart(act, argument), self.now_s))

    def midi_in(self, *message: int) -> list[str]:
        return self.heard(self.player.midi_in(bytes(message), self.now_s))

    def swap(self, plan: PerformancePlan, preset: int | None = None) -> list[str]:
        """Swap, as the old outputs hear it; `start` is still to come."""
        self.plan = plan
        return self.heard(self.player.swap(plan, self.now_s, preset))

    def start(self) -> list[str]:
        return self.heard(self.player.start(self.now_s))

    def finish(self) -> list[str]:
        return self.heard(self.player.finish(self.now_s))

    def sounds(self) -> list[int]:
        """The notes that sound."""
        return [sounding.note for sounding in self.player.sounding()]
