"""What every part of a zone answers to, and the parts that play no notes.

A handler is made once for each part of each zone of each preset. It is told of:

    onset, pressure, lift   moments of a touch; a lift without an onset is no matter
    leave                   the preset is left, or all must end: let go of everything, now
    ring                    the preset is left: let go of all but what the zone still holds
    reset                   the preset is entered
    hush                    end the notes, and nothing else
    drop                    an output came back that had lost them: end its notes
"""

from __future__ import annotations

from collections.abc import Callable, Hashable

from matbridge.mapping.plan import (
    ActionPart,
    BendPart,
    ControlMode,
    ControlPart,
    ProgramPart,
)
from matbridge.midi import messages
from matbridge.midi.messages import BEND_CENTRE
from matbridge.playing.controllers import Slot, Topic
from matbridge.playing.ledger import Sent
from matbridge.playing.pressure import Flow
from matbridge.playing.stage import Stage


class Handler:
    """A part of a zone that does nothing at any time: what others leave out."""

    __slots__ = ()

    @property
    def wants_pressure(self) -> bool:
        """Whether `pressure` does anything."""
        return False

    def onset(self, velocity: int, time_s: float, now_s: float, out: list[Sent]) -> None:
        """The zone was struck at `time_s`, with a MIDI velocity."""

    def pressure(self, value: float, now_s: float, out: list[Sent]) -> None:
        """The held zone is pressed to `value`, 0.0-1.0."""

    def lift(self, velocity: int, now_s: float, out: list[Sent]) -> None:
        """The zone was let go, with a MIDI release velocity."""

    def leave(self, now_s: float, out: list[Sent]) -> None:
        """Let go of everything."""

    def ring(self, now_s: float, out: list[Sent]) -> None:
        """Let go of what no foot holds."""

    def reset(self) -> None:
        """Begin as new."""

    def hush(self, out: list[Sent]) -> None:
        """End all notes."""

    def drop(self, output: int, out: list[Sent]) -> None:
        """End the notes of one output."""


class Switch:
    """A control that zones hold at a value: while any does, the latest; else where it rests."""

    __slots__ = ("_channel", "_control", "_fine", "_holders", "_output", "_slot", "_stage")

    def __init__(self, stage: Stage, part: ControlPart) -> None:
        self._stage = stage
        self._output = part.output
        self._channel = part.channel
        self._control = part.control
        self._fine = part.fine
        self._slot: Slot = (part.channel, Topic.CONTROL, part.control)
        self._holders: dict[Hashable, int] = {}

    def hold(self, who: Hashable, value: int, out: list[Sent]) -> None:
        """Somebody sets the control and holds it there."""
        self._holders[who] = value
        self._send(value, out)

    def let_go(self, who: Hashable, rest: int, out: list[Sent]) -> None:
        """Somebody lets go."""
        if self._holders.pop(who, None) is not None:
            self._send(next(reversed(self._holders.values()), rest), out)

    def _send(self, value: int, out: list[Sent]) -> None:
        said = (
            messages.control_14(self._channel, self._control, value)
            if self._fine
            else (messages.control_change(self._channel, self._control, value),)
        )
        self._stage.controllers.tell(self._output, self._slot, said, out)


class ControlHandler(Handler):
    """A control while touched, or in turn."""

    __slots__ = ("_high", "_low", "_on", "_switch", "_toggle")

    def __init__(self, part: ControlPart, switch: Switch) -> None:
        self._switch = switch
        self._toggle = part.mode is ControlMode.TOGGLE
        self._low = part.low
        self._high = part.high
        self._on = False

    def onset(self, velocity: int, time_s: float, now_s: float, out: list[Sent]) -> None:
        if self._toggle and self._on:
            self.leave(now_s, out)
        else:
            self._on = True
            self._switch.hold(self, self._high, out)

    def lift(self, velocity: int, now_s: float, out: list[Sent]) -> None:
        if not self._toggle:
            self.leave(now_s, out)

    def leave(self, now_s: float, out: list[Sent]) -> None:
        self._on = False
        self._switch.let_go(self, self._low, out)

    def ring(self, now_s: float, out: list[Sent]) -> None:
        if self._toggle:
            self.leave(now_s, out)


class FlowHandler(Handler):
    """A control or a bend that follows the pressure."""

    __slots__ = ("_flow", "_zone")

    def __init__(self, flow: Flow, zone: int) -> None:
        self._flow = flow
        self._zone = zone

    @property
    def wants_pressure(self) -> bool:
        return True

    def pressure(self, value: float, now_s: float, out: list[Sent]) -> None:
        self._flow.press(self._zone, value, now_s, out)

    def lift(self, velocity: int, now_s: float, out: list[Sent]) -> None:
        self._flow.release(self._zone, now_s, out)

    def leave(self, now_s: float, out: list[Sent]) -> None:
        self._flow.release(self._zone, now_s, out)

    def reset(self) -> None:
        self._flow.reset()


class BendHandler(Handler):
    """A bend while touched."""

    __slots__ = ("_bend", "_value")

    def __init__(self, stage: Stage, part: BendPart) -> None:
        self._bend = stage.bend(part.output, part.channel)
        self._value = part.value

    def onset(self, velocity: int, time_s: float, now_s: float, out: list[Sent]) -> None:
        self._bend.lean(self, self._value, out)

    def lift(self, velocity: int, now_s: float, out: list[Sent]) -> None:
        self._bend.lean(self, BEND_CENTRE, out)

    def leave(self, now_s: float, out: list[Sent]) -> None:
        self._bend.lean(self, BEND_CENTRE, out)


class ProgramHandler(Handler):
    """A program at the onset."""

    __slots__ = ("_part", "_stage")

    def __init__(self, stage: Stage, part: ProgramPart) -> None:
        self._stage = stage
        self._part = part

    def onset(self, velocity: int, time_s: float, now_s: float, out: list[Sent]) -> None:
        part = self._part
        self._stage.controllers.program(part.output, part.channel, part.program, part.bank, out)


class ActionHandler(Handler):
    """An action at the onset."""

    __slots__ = ("_act", "_part")

    def __init__(
        self, part: ActionPart, act: Callable[[ActionPart, float, list[Sent]], None]
    ) -> None:
        self._part = part
        self._act = act

    def onset(self, velocity: int, time_s: float, now_s: float, out: list[Sent]) -> None:
        self._act(self._part, now_s, out)
