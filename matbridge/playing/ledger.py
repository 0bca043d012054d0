"""What sounds: the only place where note-ons and note-offs are made.

For every key (one note on one channel of one output) the rules are:

    state       strike                       join          release              clear
    silent      note-on       -> sounding    as strike     nothing              nothing
    sounding    off, note-on, one more       one more      one less; with the   note-off -> silent
                holder                       holder        last: note-off

So each note-on is followed by exactly one note-off on its own key, whatever is asked in whatever
order. A key is a number: output * KEYS + (the MIDI key of midi/messages.py).

Of an output that is lost, what sounded is *owed*: it stays in the image until the output is back.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from itertools import chain
from typing import NamedTuple

from matbridge.midi.messages import (
    DATA,
    KEYS,
    NOTE_OFF_HEADS,
    NOTE_ON_HEADS,
    RELEASE_UNSENSED,
    key_channel,
    key_note,
)
from matbridge.midi.messages import key as midi_key

Image = bytearray | memoryview
"""A writable buffer of bytes."""

Sent = tuple[int, bytes]
"""The index of an output, and one whole message for it."""

# Note-offs that may have gone into a cable already pulled: a port that is only looked at once a
# second hides at most the lifts of that second, and nobody lifts 32 feet in one.
RECENT_OFFS = 32


class Sounding(NamedTuple):
    """One note that sounds, and the zone that struck it last. Channels 1-16."""

    output: int
    channel: int
    note: int
    zone: int


def key_of(output: int, channel: int, note: int) -> int:
    """The key of a note (0-127) on a channel (1-16) of an output."""
    return output * KEYS + midi_key(channel, note)


# KEYS is 2048, so `key >> 11` is the output and `key & 2047` the MIDI key.


class Ledger:
    """Every sounding key, its holders, and what is owed.

    image: one byte a key, 1 while the key sounds or is owed; any writable buffer of
        outputs * KEYS zero bytes, such as one that survives the process.
    """

    __slots__ = ("_more", "_owed", "_recent", "_zones", "image")

    def __init__(self, outputs: int, image: Image | None = None) -> None:
        self.image: Image = bytearray(outputs * KEYS) if image is None else image
        if len(self.image) != outputs * KEYS:
            raise ValueError(f"image of {len(self.image)} bytes for {outputs} outputs")
        self._zones: dict[int, int] = {}
        self._more: dict[int, int] = {}  # holders beyond the first
        self._owed: dict[int, set[int]] = {}  # by lost output
        self._recent: deque[int] = deque(maxlen=RECENT_OFFS)

    def strike(self, key: int, velocity: int, zone: int, out: list[Sent]) -> None:
        """Sound a key anew, with velocity 1-127; who held it before holds it still."""
        zones = self._zones
        if key in zones:
            self._more[key] = self._more.get(key, 0) + 1
            out.append((key >> 11, NOTE_OFF_HEADS[key & 2047] + DATA[RELEASE_UNSENSED]))
        else:
            self.image[key] = 1
        zones[key] = zone
        out.append((key >> 11, NOTE_ON_HEADS[key & 2047] + DATA[velocity]))

    def join(self, key: int, velocity: int, zone: int, out: list[Sent]) -> None:
        """Sound a key, or hold it along if it sounds already."""
        if key in self._zones:
            self._more[key] = self._more.get(key, 0) + 1
            self._zones[key] = zone
        else:
            self.strike(key, velocity, zone, out)

    def again(self, key: int, velocity: int, out: list[Sent]) -> None:
        """Strike a sounding key once more, with the holders it has."""
        if key in self._zones:
            out.append((key >> 11, NOTE_OFF_HEADS[key & 2047] + DATA[RELEASE_UNSENSED]))
            out.append((key >> 11, NOTE_ON_HEADS[key & 2047] + DATA[velocity]))

    def release(self, key: int, velocity: int, out: list[Sent]) -> None:
        """One holder lets go; the last one ends the key. Of a silent key: nothing."""
        if self._more and key in self._more:
            if self._more[key] == 1:
                del self._more[key]
            else:
                self._more[key] -= 1
        elif self._zones.pop(key, -1) >= 0:
            self.image[key] = 0
            self._recent.append(key)
            out.append((key >> 11, NOTE_OFF_HEADS[key & 2047] + DATA[velocity]))

    def clear(self, out: list[Sent]) -> None:
        """End every key, in the order they were struck."""
        for key in list(self._zones):
            self._more.pop(key, None)
            self.release(key, RELEASE_UNSENSED, out)

    def lose(self, output: int, unseen: bool) -> None:
        """An output went away: what sounds on it is owed. Of one already lost: nothing.

        unseen: the loss may have gone unnoticed for a while, so that the latest note-offs are owed
        once more. A synth takes a note-off too many in silence.
        """
        if output in self._owed:
            return
        maybe_heard = chain(self._zones, self._recent if unseen else ())
        self._owed[output] = {key for key in maybe_heard if key >> 11 == output}
        self.keep_owed()

    def keep_owed(self) -> None:
        """Write what is owed into the image again, which notes struck in vain may have cleared."""
        for owed in self._owed.values():
            for key in owed:
                self.image[key] = 1

    def back(self, output: int, out: list[Sent]) -> None:
        """An output is there again, and its voices have been ended: send what is owed."""
        for key in sorted(self._owed.pop(output, ())):
            self.image[key] = 0
            out.append((output, NOTE_OFF_HEADS[key & 2047] + DATA[RELEASE_UNSENSED]))

    def owe(self, left: Iterable[int]) -> None:
        """Owe what another image marks, as one left by a process that was killed.

        The outputs concerned count as lost until they are back.
        """
        for key, marked in enumerate(left):
            if marked:
                self._owed.setdefault(key >> 11, set()).add(key)
        self.keep_owed()

    def inherit(self, before: Ledger, places: Mapping[int, int]) -> None:
        """Take over what another ledger owes; `places` are its outputs and where they are now."""
        for output, owed in before._owed.items():
            if output in places:
                shift = (places[output] - output) * KEYS
                self._owed[places[output]] = {key + shift for key in owed}
        self.keep_owed()

    @property
    def lost(self) -> Iterable[int]:
        """The outputs that are lost; false when there are none."""
        return self._owed.keys()

    @property
    def empty(self) -> bool:
        """Whether nothing sounds."""
        return not self._zones

    def sounding(self) -> Iterator[Sounding]:
        """What sounds, in the order it was struck."""
        for key, zone in self._zones.items():
            yield Sounding(key >> 11, key_channel(key & 2047), key_note(key & 2047), zone)


def recover(image: Iterable[int]) -> list[Sent]:
    """The note-offs for everything that an image says was sounding when its process ended."""
    return [
        (key >> 11, NOTE_OFF_HEADS[key & 2047] + DATA[RELEASE_UNSENSED])
        for key, sounds in enumerate(image)
        if sounds
    ]
