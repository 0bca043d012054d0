"""What every receiver was last told besides notes, to be told again when its port comes back."""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum

from matbridge.mapping.plan import ChannelEntry
from matbridge.midi import messages
from matbridge.playing.ledger import Sent

# Controls that only mean something in their order, as the setting of a parameter (MIDI 1.0,
# registered and non-registered parameter numbers): kept and repeated as they were written.
PARAMETER_CONTROLS = frozenset((6, 38, 96, 97, 98, 99, 100, 101))


class Topic(IntEnum):
    """What a message is about; of each topic the latest word counts."""

    MPE = 0
    BANK = 1
    PROGRAM = 2
    BEND_RANGE = 3
    PARAMETERS = 4
    CONTROL = 5
    PRESSURE = 6
    BEND = 7


Slot = tuple[int, int, int]
"""Channel, topic and number: the place of one word, so that the next one replaces it."""


class Controllers:
    """The latest word on every topic, for each output, in the order of their first mention.

    words: for each output the messages by slot. The hot path writes it directly.
    """

    __slots__ = ("words",)

    def __init__(self, outputs: int) -> None:
        self.words: tuple[dict[Slot, tuple[bytes, ...]], ...] = tuple({} for _ in range(outputs))

    def tell(self, output: int, slot: Slot, said: tuple[bytes, ...], out: list[Sent]) -> None:
        """Send messages and remember them."""
        words = self.words[output]
        words.pop(slot, None)
        words[slot] = said
        out.extend([(output, message) for message in said])

    def repeat(self, output: int, out: list[Sent]) -> None:
        """Send everything again, MPE zones first, for they may reset what else was said."""
        words = self.words[output]
        for slot in sorted(words, key=lambda slot: slot[1] != Topic.MPE):
            out.extend([(output, message) for message in words[slot]])

    def enter(self, entries: Iterable[ChannelEntry], out: list[Sent]) -> None:
        """Send what a preset wants said at its entry: bank, program, bend range, controls."""
        for entry in entries:
            channel = entry.channel
            if entry.program is not None:
                self.program(entry.output, channel, entry.program, entry.bank, out)
            elif entry.bank is not None:
                said = messages.bank_select(channel, entry.bank)
                self.tell(entry.output, (channel, Topic.BANK, 0), said, out)
            if entry.bend_range is not None:
                said_range = messages.bend_range(channel, entry.bend_range)
                self.tell(entry.output, (channel, Topic.BEND_RANGE, 0), said_range, out)
            self._controls(entry, out)

    def program(
        self, output: int, channel: int, program: int, bank: int | None, out: list[Sent]
    ) -> None:
        """A program, after its bank where it has one."""
        said: tuple[bytes, ...] = () if bank is None else messages.bank_select(channel, bank)
        said += (messages.program_change(channel, program),)
        self.tell(output, (channel, Topic.PROGRAM, 0), said, out)

    def _controls(self, entry: ChannelEntry, out: list[Sent]) -> None:
        parameters: list[bytes] = []
        for control, value in entry.controls:
            message = messages.control_change(entry.channel, control, value)
            if control in PARAMETER_CONTROLS:
                parameters.append(message)
                out.append((entry.output, message))
            else:
                slot = (entry.channel, Topic.CONTROL, control)
                self.tell(entry.output, slot, (message,), out)
        if parameters:
            slot = (entry.channel, Topic.PARAMETERS, 0)
            self.words[entry.output][slot] = tuple(parameters)
