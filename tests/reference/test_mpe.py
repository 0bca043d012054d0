"""MPE against the published text: MIDI Polyphonic Expression, version 1.0, 12 March 2018.

Facts held here: the two zones and their channels; RPN 6 on the manager, its data byte the number of
members, 0 to close (the byte order is that of any registered parameter); the default bend range of
48 semitones, sent to every member by RPN 0; bend, channel pressure and control 74 before the
note-on; polyphonic pressure never on a member; the least busy member, and of those the one that
had the same note.
"""

from __future__ import annotations

import mido
import pytest

from matbridge.mapping.plan import MpePlan, PressureTarget
from matbridge.midi import messages
from matbridge.playing.ledger import Sent
from matbridge.playing.player import Player
from matbridge.sensing.touch import Touch, TouchKind
from tests.support.playing import note, performance, preset, pressure


@pytest.mark.parametrize(
    ("manager", "members", "channels"),
    [
        (1, 15, list(range(2, 17))),
        (1, 1, [2]),
        (1, 7, [2, 3, 4, 5, 6, 7, 8]),
        (16, 15, list(range(15, 0, -1))),
        (16, 2, [15, 14]),
    ],
)
def test_the_channels_of_a_zone(manager: int, members: int, channels: list[int]) -> None:
    assert list(MpePlan(0, manager, members).channels) == channels


def test_the_lower_zone_of_fifteen_is_switched_on_by_the_published_bytes() -> None:
    published = "b0 65 00 b0 64 06 b0 06 0f"
    assert b"".join(messages.mpe_zone(1, 15)).hex(" ").startswith(published)
    assert b"".join(messages.mpe_zone(16, 0)).hex(" ").startswith("bf 65 00 bf 64 06 bf 06 00")


def test_the_default_range_of_members_is_48_semitones() -> None:
    assert MpePlan(0, 1, 15).bend_range == 48


class Synth:
    """Hears as an MPE synth does, and objects to what the text does not allow."""

    def __init__(self) -> None:
        self.members: list[int] = []
        self.ranges: dict[int, int] = {}
        self.parameter: dict[int, tuple[int, int]] = {}
        self.told: dict[int, set[str]] = {}
        self.notes: dict[int, list[int]] = {}

    def hear(self, sent: list[Sent]) -> None:
        for _, message in sent:
            self.one(mido.Message.from_bytes(message))

    def one(self, heard: mido.Message) -> None:
        channel = heard.channel + 1
        told = self.told.setdefault(channel, set())
        match heard.type:
            case "control_change" if heard.control in (100, 101):
                most, least = self.parameter.get(channel, (127, 127))
                self.parameter[channel] = (
                    (heard.value, least) if heard.control == 101 else (most, heard.value)
                )
            case "control_change" if heard.control == 6:
                if self.parameter[channel] == (0, 6):
                    assert channel in (1, 16)
                    step = 1 if channel == 1 else -1
                    self.members = [channel + step * n for n in range(1, heard.value + 1)]
                elif self.parameter[channel] == (0, 0):
                    self.ranges[channel] = heard.value
            case "control_change" if heard.control == 74:
                told.add("timbre")
            case "pitchwheel":
                told.add("bend")
            case "aftertouch":
                told.add("pressure")
            case "polytouch":
                assert channel not in self.members
            case "note_on":
                assert channel in self.members
                assert set(self.ranges) >= set(self.members)
                assert told == {"bend", "pressure", "timbre"}
                counts = [len(self.notes.get(member, ())) for member in self.members]
                assert len(self.notes.get(channel, ())) == min(counts)
                self.notes.setdefault(channel, []).append(heard.note)
                told.clear()
            case "note_off":
                self.notes[channel].remove(heard.note)
                told.clear()


@pytest.mark.parametrize("plan", [MpePlan(0, 1, 15), MpePlan(0, 16, 4, bend_range=12)])
def test_an_mpe_synth_has_nothing_to_object(plan: MpePlan) -> None:
    how = (pressure(PressureTarget.POLY), pressure(PressureTarget.CONTROL, control=74))
    zones = tuple(
        note(48 + number + 0.3, channel=plan.manager, pressure=how) for number in range(20)
    )
    player, synth = Player(performance(preset(*zones, mpe=(plan,)))), Synth()
    synth.hear(player.start(0.0))
    assert synth.members == list(plan.channels)
    assert set(synth.ranges.values()) == {plan.bend_range}
    second = 0.0
    for turn in range(400):
        second += 0.001
        zone = turn * 7 % 20
        kind = (TouchKind.ONSET, TouchKind.PRESSURE, TouchKind.LIFT)[turn // 20 % 3]
        synth.hear(player.touches([Touch(kind, zone, second, 0.5)], second))
    synth.hear(player.finish(second))
    assert not any(synth.notes.values())
