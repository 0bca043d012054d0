"""MPE: every note of a zone of channels on a member channel of its own.

Source: MPE 1.0, MIDI Association, 12 March 2018. The lower zone has manager channel 1 and members
from 2 upward, the upper zone manager 16 and members from 15 downward. The zone is opened by RPN 6
on its manager, its members are told their bend range by RPN 0, and a member gets bend, pressure
and CC 74 before each note-on.

A note goes to a member with the fewest notes; of these to one that last had the same note, else to
the one that has been idle longest.
"""

from __future__ import annotations

from matbridge.mapping.plan import MpePlan
from matbridge.midi import messages
from matbridge.midi.messages import BEND_CENTRE, DATA
from matbridge.playing.bend import bend_value
from matbridge.playing.controllers import Controllers, Topic
from matbridge.playing.ledger import Sent


class Member:
    """One member channel.

    base: the MIDI key of its note 0. notes: how many sound. last: the note it had last, or -1.
    ended: when it last became idle, as a count of note-ends.
    """

    __slots__ = ("base", "channel", "ended", "last", "notes", "pressure_head", "timbre_head")

    def __init__(self, channel: int) -> None:
        self.channel = channel
        self.base = messages.key(channel, 0)
        self.notes = 0
        self.last = -1
        self.ended = 0
        self.pressure_head = messages.channel_pressure(channel, 0)[:1]
        self.timbre_head = messages.control_change(channel, messages.TIMBRE, 0)[:2]


class MpeZone:
    """The member channels of one MPE zone, shared by the presets that use it."""

    __slots__ = ("_clock", "members", "plan")

    def __init__(self, plan: MpePlan) -> None:
        self.plan = plan
        self._clock = 0
        self.members = [Member(channel) for channel in plan.channels]

    def open(self, controllers: Controllers, out: list[Sent]) -> None:
        """Tell the receiver of the zone, and the members how far they bend."""
        plan = self.plan
        said = messages.mpe_zone(plan.manager, plan.members)
        controllers.tell(plan.output, (plan.manager, Topic.MPE, 0), said, out)
        for member in self.members:
            said = messages.bend_range(member.channel, plan.bend_range)
            controllers.tell(plan.output, (member.channel, Topic.BEND_RANGE, 0), said, out)

    def close(self, controllers: Controllers, out: list[Sent]) -> None:
        """Bring the members' bends to rest and tell the receiver that the zone is no more."""
        plan = self.plan
        words = controllers.words[plan.output]
        for member in self.members:
            if member.last >= 0:
                out.append((plan.output, messages.pitch_bend(member.channel, BEND_CENTRE)))
            words.pop((member.channel, Topic.BEND_RANGE, 0), None)
        words.pop((plan.manager, Topic.MPE, 0), None)
        out.extend(
            [(plan.output, message) for message in messages.mpe_zone(plan.manager, 0)],
        )

    def take(self, note: int) -> Member:
        """The member for a new note."""
        best = self.members[0]
        best_rank = (best.notes, best.last != note, best.ended)
        for member in self.members:
            rank = (member.notes, member.last != note, member.ended)
            if rank < best_rank:
                best, best_rank = member, rank
        best.notes += 1
        best.last = note
        return best

    def give_back(self, member: Member) -> None:
        """A note of a member has ended."""
        self._clock += 1
        member.notes -= 1
        member.ended = self._clock

    def before_note(
        self, member: Member, steps: int, pressure: int, timbre: int, out: list[Sent]
    ) -> None:
        """What the member must know before its note-on: bend, pressure, CC 74."""
        output = self.plan.output
        out.append((output, messages.pitch_bend(member.channel, bend_value(steps))))
        out.append((output, member.pressure_head + DATA[pressure]))
        out.append((output, member.timbre_head + DATA[timbre]))
