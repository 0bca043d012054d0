"""What messages from outside ask of the bridge."""

from __future__ import annotations

from collections.abc import Iterator

from matbridge.mapping.plan import Act, ActionPart, InputPlan
from matbridge.midi.messages import (
    CLOCK,
    CONTINUE,
    CONTROL_CHANGE,
    PROGRAM_CHANGE,
    START,
    STOP,
    kind_and_channel,
)

# From which value a control is pressed (MIDI 1.0: switches are on from 64).
PRESSED = 64

TIMING = frozenset((CLOCK, START, CONTINUE, STOP))


class Outside:
    """The input of a performance, or none: then nothing means anything.

    A control acts when its value comes to 64 or above, and not again before it was below.
    """

    __slots__ = ("_plan", "_pressed")

    def __init__(self, plan: InputPlan | None) -> None:
        self._plan = plan
        self._pressed: set[tuple[int, int]] = set()  # channel and control

    def actions(self, message: bytes) -> Iterator[ActionPart]:
        """What a whole message asks for; nothing, if it is none of the kinds that can."""
        plan = self._plan
        if plan is None or not message:
            return
        kind, channel = kind_and_channel(message)
        if kind == PROGRAM_CHANGE and len(message) == 2:
            for on, program, preset in plan.programs:
                if on in (0, channel) and program == message[1]:
                    yield ActionPart(Act.PRESET, preset)
                    return
        elif kind == CONTROL_CHANGE and len(message) == 3 and self._is_pressed(channel, message):
            for on, control, action in plan.controls:
                if on in (0, channel) and control == message[1]:
                    yield action

    def keeps_time(self, message: bytes) -> bool:
        """Whether it is a timing message that counts here."""
        return self._plan is not None and self._plan.clock and message in TIMING

    def _is_pressed(self, channel: int, message: bytes) -> bool:
        """Whether a control has just come to be pressed."""
        place = (channel, message[1])
        if message[2] < PRESSED:
            self._pressed.discard(place)
            return False
        was_pressed = place in self._pressed
        self._pressed.add(place)
        return not was_pressed
