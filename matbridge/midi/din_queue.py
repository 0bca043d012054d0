"""What waits for a MIDI cable, in which order it leaves, and when.

At 31 250 baud a byte takes 320 us, a chord of ten notes 7 ms, so order is what can be chosen:

- Clock and the like (system real time) go first, between any two messages.
- Notes, switches and whatever depends on order come next, in the order they were given. Once too
  many wait, new note-ons are dropped, never note-offs.
- Values that move (pressure, bend, most controls) come last, each thinned to its latest value, the
  longest waiting first. What a note needs to sound right goes with it: the bend, pressure and
  brightness of its channel are sent before it. What a program or a reset would undo goes before.

No more is handed to the driver than AHEAD_S of wire; the rest can still be overtaken or thinned.

Status bytes that repeat are left out (running status), except for the first in REFRESH_S, so that
a receiver that was plugged in late or missed a byte catches on.

Pure: the time comes in. Sources: MIDI 1.0 Detailed Specification (rate, running status), MPE 1.0
(bend, pressure and control 74 before a note-on).
"""

from __future__ import annotations

from collections import deque

from matbridge.midi import messages as m

BAUD = 31_250

# A byte on the wire: start, eight of data, stop.
BITS = 10

# What the driver may hold: enough that a late timer of a busy machine leaves no gap on the wire.
AHEAD_S = 0.010

# How long a status byte stays in force before it is sent again.
REFRESH_S = 0.3

# Note-ons are dropped when so many messages wait, about a second of wire: a rhythm that late is
# none, and a peer that takes nothing must not eat the memory.
MAX_WAITING = 1000

# For how long the worst delay is remembered.
WORST_S = 10.0

# Controls whose order among notes and each other carries the meaning: bank select, data entry and
# the parameter numbers it goes to, switches (64-69), and channel mode messages.
IN_ORDER = frozenset((0, 32, 6, 38, *range(64, 70), *range(96, 102), *range(120, 128)))

# Of those, each one counts where several follow on each other: data increment and decrement.
_STEPS = frozenset((96, 97))

# Controls 0-31 have their fine half 32 higher.
_FINE = 32
_BRIGHTNESS = 74
_CHANNEL_MODE = 120
_SYSTEM = 0xF0
_REAL_TIME = 0xF8

_Key = tuple[int, int]


class DinQueue:
    """The queue of one cable. Feed it with `push`, write what `take` returns.

    baud: of the wire; others than MIDI's are for adapters that take it faster.

    delay_s: what the last message waited between `push` and the wire. dropped: note-ons.
    thinned: values replaced by later ones before they left.
    """

    __slots__ = (
        "_ahead_bytes",
        "_byte_s",
        "_free_s",
        "_in_order",
        "_moving",
        "_real_time",
        "_rest",
        "_status",
        "_status_s",
        "_worst_s",
        "_worst_until_s",
        "delay_s",
        "dropped",
        "thinned",
    )

    def __init__(self, baud: int = BAUD) -> None:
        self._byte_s = BITS / baud
        self._ahead_bytes = int(AHEAD_S / self._byte_s)
        self.delay_s = 0.0
        self.dropped = 0
        self.thinned = 0
        self._worst_s = 0.0
        self._worst_until_s = 0.0
        self.clear()

    def clear(self) -> None:
        """Forget what waits, and what the receiver may remember of running status."""
        self._real_time: deque[bytes] = deque()
        self._in_order: deque[tuple[bytes, float]] = deque()
        self._moving: dict[_Key, tuple[tuple[bytes, ...], float]] = {}
        self._rest = b""
        self._status = 0
        self._status_s = 0.0
        self._free_s = 0.0

    def __bool__(self) -> bool:
        return bool(self._in_order or self._moving or self._rest or self._real_time)

    def __len__(self) -> int:
        """Messages that wait."""
        moving = sum(len(pair) for pair, _ in self._moving.values())
        return len(self._real_time) + len(self._in_order) + moving + bool(self._rest)

    def push(self, message: bytes, now_s: float) -> None:
        """Add one whole message."""
        status = message[0]
        kind = status & 0xF0
        if kind == m.NOTE_ON and message[2]:
            if len(self._in_order) >= MAX_WAITING:
                self.dropped += 1
                return
            if self._moving:
                self._bring_forward(
                    (m.PITCH_BEND | status & 0x0F, 0),
                    (m.CHANNEL_PRESSURE | status & 0x0F, 0),
                    (m.CONTROL_CHANGE | status & 0x0F, _BRIGHTNESS),
                )
        elif kind in (m.NOTE_ON, m.NOTE_OFF):
            self._moving.pop((m.POLY_PRESSURE | status & 0x0F, message[1]), None)
        elif kind == m.CONTROL_CHANGE:
            if message[1] not in IN_ORDER:
                self._push_control(message, now_s)
                return
            if message[1] >= _CHANNEL_MODE:
                self._bring_channel_forward(status)
            elif (
                message[1] not in _STEPS
                and self._in_order
                and self._in_order[-1][0][:2] == message[:2]
            ):
                self._in_order[-1] = (message, now_s)
                self.thinned += 1
                return
        elif kind == m.POLY_PRESSURE:
            self._push_moving((status, message[1]), (message,), now_s)
            return
        elif kind in (m.CHANNEL_PRESSURE, m.PITCH_BEND):
            self._push_moving((status, 0), (message,), now_s)
            return
        elif kind == m.PROGRAM_CHANGE:
            self._bring_channel_forward(status)
        elif status >= _REAL_TIME:
            self._real_time.append(message)
            return
        self._in_order.append((message, now_s))

    def take(self, now_s: float) -> bytes:
        """The bytes to hand to the driver now. Empty while the wire has enough."""
        if self._free_s < now_s:
            self._free_s = now_s
        room = int((now_s + AHEAD_S - self._free_s) / self._byte_s + 1e-6)
        out = bytearray()
        while room > len(out):
            if self._real_time:
                out += self._real_time.popleft()
            elif self._rest:
                cut = room - len(out)
                out += self._rest[:cut]
                self._rest = self._rest[cut:]
            elif not self._take_message(out, room, now_s):
                break
        self._free_s += len(out) * self._byte_s
        return bytes(out)

    def next_s(self) -> float:
        """When to call `take` again; infinity when nothing waits."""
        return self._free_s - AHEAD_S / 2 if self else float("inf")

    def wire_s(self, now_s: float) -> float:
        """How long the wire is busy with what was taken."""
        return max(0.0, self._free_s - now_s)

    def held(self, count: int, now_s: float) -> None:
        """The driver says that it still holds `count` bytes: it may be slower than the rule."""
        self._free_s = max(self._free_s, now_s + count * self._byte_s)

    def worst_s(self, now_s: float) -> float:
        """The longest delay of the last WORST_S."""
        return self._worst_s if now_s < self._worst_until_s else 0.0

    def _take_message(self, out: bytearray, room: int, now_s: float) -> bool:
        """Append the next message to `out`, if there is one and it fits into `room` bytes."""
        if self._in_order:
            message, since_s = self._in_order[0]
            data = self._encoded(message, now_s)
            if len(out) + len(data) > room:
                if len(data) <= self._ahead_bytes:
                    return False
                self._rest = data
                data = b""
            self._in_order.popleft()
        elif self._moving:
            key = next(iter(self._moving))
            pair, since_s = self._moving[key]
            message = pair[0]
            data = self._encoded(message, now_s)
            if len(out) + len(data) > room:
                return False
            if len(pair) > 1:
                self._moving[key] = (pair[1:], since_s)
            else:
                del self._moving[key]
        else:
            return False
        self.delay_s = self._free_s + len(out) * self._byte_s - since_s
        if self.delay_s >= self._worst_s or now_s >= self._worst_until_s:
            self._worst_s = self.delay_s
            self._worst_until_s = now_s + WORST_S
        status = message[0]
        if data and status < _SYSTEM and len(data) == len(message):
            self._status, self._status_s = status, now_s
        elif status >= _SYSTEM:
            self._status = 0
        out += data
        return True

    def _encoded(self, message: bytes, now_s: float) -> bytes:
        if message[0] == self._status and now_s - self._status_s < REFRESH_S:
            return message[1:]
        return message

    def _push_control(self, message: bytes, now_s: float) -> None:
        status, control = message[0], message[1]
        if _FINE <= control < 2 * _FINE:
            coarse = (status, control - _FINE)
            waiting = self._moving.get(coarse)
            if waiting is None:
                self._moving[coarse] = ((message,), now_s)
            else:
                pair, _ = waiting
                kept = tuple(half for half in pair if half[1] != control)
                self.thinned += len(pair) - len(kept)
                self._moving[coarse] = ((*kept, message), now_s)
        else:
            self._push_moving((status, control), (message,), now_s)

    def _push_moving(self, key: _Key, pair: tuple[bytes, ...], now_s: float) -> None:
        replaced = self._moving.get(key)
        if replaced is not None:
            self.thinned += len(replaced[0])
        self._moving[key] = (pair, now_s)

    def _bring_channel_forward(self, status: int) -> None:
        channel = status & 0x0F
        self._bring_forward(*[key for key in self._moving if key[0] & 0x0F == channel])

    def _bring_forward(self, *keys: _Key) -> None:
        """Move values that wait in front of what comes next in order."""
        for key in keys:
            waiting = self._moving.pop(key, None)
            if waiting is not None:
                pair, since_s = waiting
                self._in_order.extend((message, since_s) for message in pair)
