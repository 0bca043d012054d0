"""Pitch bend: cents to steps, and the one bend that a channel outside MPE has.

All that sounds on a channel shares its bend. So where notes of different cents meet on one, the
note struck last is in tune and the others go with it. The bend stays when a note ends, for its
release to ring in tune, until another note needs it elsewhere. What a zone adds by bending comes
on top; of several that bend, the latest counts.
"""

from __future__ import annotations

from collections.abc import Hashable

from matbridge.midi.messages import BEND_CENTRE, BEND_MAX, pitch_bend
from matbridge.playing.controllers import Controllers, Slot, Topic
from matbridge.playing.ledger import Sent


def bend_steps(cents: float, semitones: int) -> int:
    """How many steps a bend departs from its centre for `cents`, at a range of `semitones`.

    Within -8192 to 8191: a full bend upward falls one step short, as the message cannot say it.
    """
    steps = round(BEND_CENTRE * cents / (100 * semitones)) if semitones else 0
    return min(max(steps, -BEND_CENTRE), BEND_MAX - BEND_CENTRE)


def bend_value(steps: int) -> int:
    """The value, 0-16383, of steps from the centre; what is out of reach is cut off."""
    return min(max(BEND_CENTRE + steps, 0), BEND_MAX)


class ChannelBend:
    """The bend of one channel: the tuning of its latest note, and what zones add."""

    __slots__ = ("_channel", "_leans", "_output", "_slot", "_tuning", "_value", "_words")

    def __init__(self, controllers: Controllers, output: int, channel: int) -> None:
        self._output = output
        self._channel = channel
        self._words = controllers.words[output]
        self._slot: Slot = (channel, Topic.BEND, 0)
        self._tuning = 0
        self._leans: dict[Hashable, int] = {}
        self._value = BEND_CENTRE

    def tune(self, steps: int, out: list[Sent]) -> None:
        """A note is about to be struck that sounds `steps` off its key."""
        if steps != self._tuning:
            self._tuning = steps
            self._send(out)

    def lean(self, who: Hashable, value: int, out: list[Sent]) -> None:
        """Somebody bends to `value`, 0-16383; the centre is to let go."""
        if value == BEND_CENTRE:
            self._leans.pop(who, None)
        else:
            self._leans[who] = value - BEND_CENTRE
        self._send(out)

    def _send(self, out: list[Sent]) -> None:
        value = bend_value(self._tuning + (next(reversed(self._leans.values()), 0)))
        if value != self._value:
            self._value = value
            message = pitch_bend(self._channel, value)
            self._words[self._slot] = (message,)
            out.append((self._output, message))
