"""Pressure of held zones to a paced stream of values.

A Flow takes the pressure of every zone that shares it; the zone pressed hardest counts. What it
sends is its plan's table of that, smoothed, and:

    change since the last value sent    sent
    none                                nothing
    within the dead band                nothing, unless it reaches an end of the table
    else, `interval_s` has passed       at once
    else                                when it has passed: the latest value of then
    the last zone lets go               the rest at once: the table's first value; a centred bend

So a value is at most `interval_s` late, and the last one always arrives.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from math import exp, floor

from matbridge.mapping.plan import PressurePlan, PressureTarget
from matbridge.midi import messages
from matbridge.midi.messages import BEND_CENTRE, DATA, FINE, POLY_PRESSURE_HEADS
from matbridge.playing.bend import bend_value
from matbridge.playing.controllers import Topic
from matbridge.playing.ledger import Sent
from matbridge.playing.stage import Stage
from matbridge.playing.timers import Timer
from matbridge.playing.voices import Voice

Sink = Callable[[int, list[Sent]], None]
"""Sends one value of a flow."""

# How often a smoothed value moves on: finer than the ear hears as steps, coarser than every scan.
SMOOTHING_STEP_S = 0.005
# Nearer than half a step of the table, a smoothed value has arrived.
ARRIVED = 0.5 / 1023

UNKNOWN = -1


class Flow:
    """One stream of values, without smoothing.

    rest: what it sends when nobody presses.
    """

    __slots__ = (
        "_band",
        "_ends",
        "_free_s",
        "_interval_s",
        "_levels",
        "_sent",
        "_sink",
        "_stage",
        "_table",
        "_timer",
        "_wanted",
        "rest",
    )

    def __init__(self, stage: Stage, plan: PressurePlan, sink: Sink) -> None:
        self.rest = BEND_CENTRE if plan.target is PressureTarget.BEND else plan.table[0]
        self._stage = stage
        self._table = plan.table
        self._ends = (plan.table[0], plan.table[-1])
        self._band = max(plan.dead_band, 1)
        self._interval_s = plan.interval_s
        self._sink = sink
        self._levels: dict[int, float] = {}
        self._sent = UNKNOWN
        self._wanted = UNKNOWN
        self._free_s = 0.0
        self._timer: Timer | None = None

    def press(self, zone: int, value: float, now_s: float, out: list[Sent]) -> None:
        """A zone is pressed to `value`, 0.0-1.0."""
        levels = self._levels
        levels[zone] = value
        if len(levels) > 1:
            value = max(levels.values())
        wanted = self._table[int(value * 1023 + 0.5)]
        if wanted != self._wanted:
            self._offer(wanted, now_s, out)

    def release(self, zone: int, now_s: float, out: list[Sent]) -> None:
        """A zone lets go; the rest is sent with the last of them, if anything else had been."""
        levels = self._levels
        if levels.pop(zone, None) is None:
            return
        if levels:
            self._fall(max(levels.values()), now_s, out)
            return
        self._stop()
        if self._sent not in (self.rest, UNKNOWN):
            self._send(self.rest, now_s, out)
        self._wanted = self._sent

    def forget(self, sent: int = UNKNOWN) -> None:
        """Nobody presses, and what the receiver was told last is `sent`; nothing is sent."""
        self._levels.clear()
        self._stop()
        self._sent = self._wanted = sent

    def reset(self) -> None:
        """Others may have told the receiver something else meanwhile."""
        if not self._levels:
            self.forget()

    def _fall(self, value: float, now_s: float, out: list[Sent]) -> None:
        """Of several zones the hardest has let go."""
        self._offer(self._table[int(value * 1023 + 0.5)], now_s, out)

    def _stop(self) -> None:
        self._stage.timers.cancel(self._timer)
        self._timer = None

    def _offer(self, wanted: int, now_s: float, out: list[Sent]) -> None:
        self._wanted = wanted
        if self._timer is not None:
            return
        if now_s >= self._free_s:
            self._send_if_worth(now_s, out)
        elif self._worth():
            self._timer = self._stage.timers.at(self._free_s, self._fire)

    def _fire(self, now_s: float, out: list[Sent]) -> None:
        self._timer = None
        self._send_if_worth(now_s, out)

    def _worth(self) -> bool:
        change = abs(self._wanted - self._sent)
        return change >= self._band or (change > 0 and self._wanted in self._ends)

    def _send_if_worth(self, now_s: float, out: list[Sent]) -> None:
        if self._worth() or self._sent == UNKNOWN:
            self._send(self._wanted, now_s, out)

    def _send(self, value: int, now_s: float, out: list[Sent]) -> None:
        self._sent = value
        self._free_s = now_s + self._interval_s
        self._sink(value, out)


class SmoothFlow(Flow):
    """A stream that follows the pressure through a first-order low-pass.

    While it is on its way a timer moves it on, step by step; a press only sets where it goes. The
    steps are whole multiples of their length, so that many flows are moved on at one time.
    """

    __slots__ = ("_at", "_at_s", "_goal", "_smoothing_s", "_step_s")

    def __init__(self, stage: Stage, plan: PressurePlan, sink: Sink) -> None:
        super().__init__(stage, plan, sink)
        self._smoothing_s = plan.smoothing_s
        self._step_s = max(plan.interval_s, SMOOTHING_STEP_S)
        self._at = 0.0
        self._at_s = 0.0
        self._goal = 0.0

    def press(self, zone: int, value: float, now_s: float, out: list[Sent]) -> None:
        levels = self._levels
        levels[zone] = value
        if len(levels) > 1:
            value = max(levels.values())
        self._fall(value, now_s, out)

    def _fall(self, value: float, now_s: float, out: list[Sent]) -> None:
        if self._timer is not None:
            self._goal = value
        elif abs(value - self._at) > ARRIVED:
            self._at_s = now_s
            self._goal = value
            self._take_step(now_s)

    def _take_step(self, now_s: float) -> None:
        due_s = (floor(now_s / self._step_s + 1e-6) + 1) * self._step_s
        self._timer = self._stage.timers.at(due_s, self._fire)

    def _stop(self) -> None:
        super()._stop()
        self._at = self._goal = 0.0

    def _fire(self, now_s: float, out: list[Sent]) -> None:
        self._at += (self._goal - self._at) * (1.0 - exp((self._at_s - now_s) / self._smoothing_s))
        self._at_s = now_s
        if abs(self._goal - self._at) <= ARRIVED:
            self._at = self._goal
            self._timer = None
        else:
            self._take_step(now_s)
        self._wanted = self._table[int(self._at * 1023 + 0.5)]
        self._send_if_worth(now_s, out)


def make_flow(stage: Stage, plan: PressurePlan, sink: Sink) -> Flow:
    """The flow that a plan asks for."""
    return (SmoothFlow if plan.smoothing_s > 0 else Flow)(stage, plan, sink)


def channel_sink(stage: Stage, plan: PressurePlan, output: int, channel: int) -> Sink:
    """Where a flow goes that a whole channel shares: all targets but polyphonic pressure."""
    words = stage.controllers.words[output]
    if plan.target is PressureTarget.BEND:
        bend = stage.bend(output, channel)
        who = object()
        return lambda value, out: bend.lean(who, value, out)
    if plan.target is PressureTarget.CONTROL_14:
        slot = (channel, Topic.CONTROL, plan.control)
        coarse = messages.control_change(channel, plan.control, 0)[:2]
        fine = messages.control_change(channel, plan.control + FINE, 0)[:2]

        def send_14(value: int, out: list[Sent]) -> None:
            pair = (coarse + DATA[value >> 7], fine + DATA[value & 0x7F])
            words[slot] = pair
            out.append((output, pair[0]))
            out.append((output, pair[1]))

        return send_14
    if plan.target is PressureTarget.CONTROL:
        slot = (channel, Topic.CONTROL, plan.control)
        head = messages.control_change(channel, plan.control, 0)[:2]
    else:
        slot = (channel, Topic.PRESSURE, 0)
        head = messages.channel_pressure(channel, 0)[:1]

    def send(value: int, out: list[Sent]) -> None:
        message = head + DATA[value]
        words[slot] = (message,)
        out.append((output, message))

    return send


def key_sink(output: int, voices: Callable[[], Iterable[Voice]]) -> Sink:
    """Polyphonic pressure on each key that the voices of a part sound."""

    def send(value: int, out: list[Sent]) -> None:
        data = DATA[value]
        out.extend(
            [
                (output, POLY_PRESSURE_HEADS[voice.key & 2047] + data)
                for voice in voices()
                if voice.key >= 0
            ]
        )

    return send


def member_sink(plan: PressurePlan, output: int, voices: Callable[[], Iterable[Voice]]) -> Sink:
    """Each MPE voice's own channel; either kind of pressure is channel pressure there."""

    def said(channel: int, voice: Voice, value: int) -> tuple[bytes, ...]:
        if plan.target is PressureTarget.BEND:
            return (messages.pitch_bend(channel, bend_value(voice.steps + value - BEND_CENTRE)),)
        if plan.target is PressureTarget.CONTROL_14:
            return messages.control_14(channel, plan.control, value)
        if plan.target is PressureTarget.CONTROL:
            return (messages.control_change(channel, plan.control, value),)
        return (messages.channel_pressure(channel, value),)

    def send(value: int, out: list[Sent]) -> None:
        for voice in voices():
            if voice.member is not None:
                said_now = said(voice.member.channel, voice, value)
                out.extend([(output, message) for message in said_now])

    return send
