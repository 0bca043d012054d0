"""The recovery journal of RTP-MIDI: what a receiver must know to make good the packets it lost.

Each packet carries the state that the packets since the *checkpoint* have made, this one left out.
A receiver that finds a gap compares the journal with what it has, and ends notes, moves controllers
and so on. The checkpoint moves up when a receiver says what it has got; until then history only
grows to the size of the state, never beyond.

    journal   header, then a channel journal for each channel that has history
    channel   header, then chapters: P program, C controls, M parameters (RPN, NRPN), W bend,
              N notes, T channel pressure, A polyphonic pressure

A structure's S bit is 0 when it holds something of the packet just before: one that has lost only
that packet need read nothing else. Source: RFC 6295, section 5 and appendices A.1 to A.9.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from matbridge.midi import messages as midi

# Bits of a channel journal's table of contents, in the order of its chapters (RFC 6295, figure 9).
P, C, M, W, N, T, A = 0x80, 0x40, 0x20, 0x10, 0x08, 0x02, 0x01

SAME = 0x80  # an S bit: nothing of the packet just before is in here

BANK_MSB, BANK_LSB, ENTRY_MSB, ENTRY_LSB = 0, 32, 6, 38
NRPN_LSB, NRPN_MSB, RPN_LSB, RPN_MSB = 98, 99, 100, 101
NULL_PARAMETER = (0x7F, 0x7F)

# Controls that are commands: they are counted, not given a value (RFC 6295, appendix A.3.3).
COUNTED = frozenset((120, 121, 123, 124, 125, 126, 127))
SILENCING = frozenset((120, 123, 124, 125, 126, 127))  # each of these ends all notes
COUNT_MODULUS = 64

# Reset all controllers does not touch these (MIDI recommended practice RP-015).
NOT_RESET = frozenset((0, 7, 10, 32, *range(70, 80), *range(91, 96)))

# A note-on this fresh should sound although it comes late; an older one should stay silent.
FRESH_S = 0.05

ALL_NOTES = 128

# A channel journal says its length in ten bits (RFC 6295, section 5: at most 1023 octets). Of those
# its header and all other chapters at their fullest take 785, chapter M 2 and 5 a parameter. Beyond
# this many the one that was set longest ago is no longer made good if its packet was lost; with a
# wrong length nothing would be.
MOST_PARAMETERS = (1023 - 785 - 2) // 5


class Value(NamedTuple):
    """Something that was sent, and the number of the packet that carried it last."""

    packet: int
    data: tuple[int, ...]


class Struck(NamedTuple):
    """A note that is on: the packet of its note-on, its velocity, and when it was struck."""

    packet: int
    velocity: int
    time_s: float


class ChannelHistory:
    """What one channel was sent since the checkpoint. Packet numbers never wrap here."""

    def __init__(self) -> None:
        self.program: Value | None = None
        self.controls: dict[int, Value] = {}
        self.counts: dict[int, int] = {}
        self.parameters: dict[tuple[int, int, int], Value] = {}  # in the order they were set
        self.bend: Value | None = None
        self.pressure: Value | None = None
        self.poly: dict[int, Value] = {}
        self.on: dict[int, Struck] = {}
        self.off: dict[int, int] = {}
        self._bank: dict[int, int] = {}
        self._parameter: tuple[int, int, int] | None = None  # (1 for NRPN, MSB, LSB)

    def take(self, packet: int, message: bytes, now_s: float) -> None:
        """Note a channel message that goes out in `packet`."""
        kind = message[0] & 0xF0
        if kind == midi.NOTE_ON and message[2]:
            self.on[message[1]] = Struck(packet, message[2], now_s)
            self.off.pop(message[1], None)
        elif kind in (midi.NOTE_ON, midi.NOTE_OFF):
            self.on.pop(message[1], None)
            self.poly.pop(message[1], None)
            self.off[message[1]] = packet
        elif kind == midi.CONTROL_CHANGE:
            self._control(packet, message[1], message[2])
        elif kind == midi.PROGRAM_CHANGE:
            bank = (self._bank.get(BANK_MSB, -1), self._bank.get(BANK_LSB, 0))
            self.program = Value(packet, (message[1], *bank))
            self.controls.pop(BANK_MSB, None)
            self.controls.pop(BANK_LSB, None)
        elif kind == midi.PITCH_BEND:
            self.bend = Value(packet, (message[1], message[2]))
        elif kind == midi.CHANNEL_PRESSURE:
            self.pressure = Value(packet, (message[1],))
        elif kind == midi.POLY_PRESSURE:
            self.poly[message[1]] = Value(packet, (message[2],))

    def _control(self, packet: int, number: int, value: int) -> None:
        if number in (NRPN_LSB, NRPN_MSB, RPN_LSB, RPN_MSB):
            self._select(number, value)
            return
        if number in (ENTRY_MSB, ENTRY_LSB) and self._parameter is not None:
            known = self.parameters.pop(self._parameter, Value(packet, (0, 0))).data
            entry = (value, 0) if number == ENTRY_MSB else (known[0], value)
            self.parameters[self._parameter] = Value(packet, entry)
            if len(self.parameters) > MOST_PARAMETERS:
                del self.parameters[next(iter(self.parameters))]
            return
        if number in (BANK_MSB, BANK_LSB):
            self._bank[number] = value
        if number == 121:
            self._reset()
        if number in SILENCING:
            self.off.update((note, packet) for note in self.on)
            self.on.clear()
        if number in COUNTED:
            self.counts[number] = value = (self.counts.get(number, 0) + 1) % COUNT_MODULUS
        self.controls[number] = Value(packet, (value,))

    def _select(self, number: int, value: int) -> None:
        nrpn = int(number in (NRPN_LSB, NRPN_MSB))
        chosen = self._parameter
        msb, lsb = chosen[1:] if chosen is not None and chosen[0] == nrpn else NULL_PARAMETER
        if number in (NRPN_MSB, RPN_MSB):
            msb = value
        else:
            lsb = value
        self._parameter = None if (msb, lsb) == NULL_PARAMETER else (nrpn, msb, lsb)

    def _reset(self) -> None:
        self.bend = self.pressure = None
        self.poly.clear()
        self.controls = {n: v for n, v in self.controls.items() if n in NOT_RESET}

    def forget(self, checkpoint: int) -> None:
        """Drop what lies in packets before the checkpoint."""

        def kept(value: Value | None) -> Value | None:
            return value if value is not None and value.packet >= checkpoint else None

        self.program, self.bend = kept(self.program), kept(self.bend)
        self.pressure = kept(self.pressure)
        self.controls = {n: v for n, v in self.controls.items() if v.packet >= checkpoint}
        self.parameters = {n: v for n, v in self.parameters.items() if v.packet >= checkpoint}
        self.poly = {n: v for n, v in self.poly.items() if v.packet >= checkpoint}
        self.on = {n: s for n, s in self.on.items() if s.packet >= checkpoint}
        self.off = {n: packet for n, packet in self.off.items() if packet >= checkpoint}

    def encode(self, channel: int, before: int, now_s: float) -> bytes:
        """The channel journal for channel 0-15, or nothing. before: the packet just before."""
        contents = 0
        body = bytearray()
        for bit, chapter in (
            (P, self._program(before)),
            (C, self._controls(before)),
            (M, self._parameters(before)),
            (W, _two(self.bend, before)),
            (N, self._notes(before, now_s)),
            (T, _two(self.pressure, before)),
            (A, self._poly(before)),
        ):
            if chapter:
                contents |= bit
                body += chapter
        if not contents:
            return b""
        same = SAME if all(packet != before for packet in self._packets()) else 0
        length = 3 + len(body)
        return bytes((same | channel << 3 | length >> 8, length & 0xFF, contents)) + body

    def _packets(self) -> Iterable[int]:
        values = (self.program, self.bend, self.pressure)
        yield from (value.packet for value in values if value is not None)
        for table in (self.controls, self.parameters, self.poly, self.on):
            yield from (value.packet for value in table.values())
        yield from self.off.values()

    def _program(self, before: int) -> bytes:
        """Appendix A.2: three octets; B says that a bank went before the program."""
        if self.program is None:
            return b""
        program, bank_msb, bank_lsb = self.program.data
        given = 0x80 if bank_msb >= 0 else 0
        bank = (given | max(bank_msb, 0), bank_lsb if given else 0)
        return bytes((_same(self.program, before) | program, *bank))

    def _controls(self, before: int) -> bytes:
        """Appendix A.3: a value each; commands are counted (A = 1, T = 1)."""
        if not self.controls:
            return b""
        logs = bytearray()
        for number, value in sorted(self.controls.items()):
            counted = 0x80 | 0x40 if number in COUNTED else 0
            logs += bytes((_same(value, before) | number, counted | value.data[0]))
        same = _all_same(self.controls.values(), before)
        return bytes((same | (len(self.controls) - 1),)) + logs

    def _parameters(self, before: int) -> bytes:
        """Appendix A.4, the oldest first: the number, and its data entry (J, K and V set)."""
        if not self.parameters:
            return b""
        logs = bytearray()
        for (nrpn, msb, lsb), value in self.parameters.items():
            number = (_same(value, before) | lsb, nrpn << 7 | msb)
            logs += bytes((*number, 0x80 | 0x40 | 0x02, *value.data))
        length = 2 + len(logs)
        same = _all_same(self.parameters.values(), before)
        return bytes((same | length >> 8, length & 0xFF)) + logs

    def _notes(self, before: int, now_s: float) -> bytes:
        """Appendix A.6: a log for each note that is on, a bit for each that is off."""
        if not self.on and not self.off:
            return b""
        logs = bytearray()
        for note, struck in sorted(self.on.items()):
            play = 0x80 if now_s - struck.time_s <= FRESH_S else 0
            same = 0 if struck.packet == before else SAME
            logs += bytes((same | note, play | struck.velocity))
        low, high, bits = 15, 0, b""
        if self.off:
            low, high = min(self.off) // 8, max(self.off) // 8
            octets = bytearray(high - low + 1)
            for note in self.off:
                octets[note // 8 - low] |= 0x80 >> note % 8
            bits = bytes(octets)
        elif len(self.on) >= ALL_NOTES - 1:
            # 127 logs and no bits would read as 128 (appendix A.6.1): 127 and low 15, high 1.
            high = 0 if len(self.on) == ALL_NOTES else 1
        quiet = 0 if before in self.off.values() else SAME
        return bytes((quiet | min(len(self.on), 127), low << 4 | high)) + logs + bits

    def _poly(self, before: int) -> bytes:
        """Appendix A.9: a log for each note with pressure."""
        if not self.poly:
            return b""
        logs = bytearray()
        for note, value in sorted(self.poly.items()):
            logs += bytes((_same(value, before) | note, value.data[0]))
        same = _all_same(self.poly.values(), before)
        return bytes((same | (len(self.poly) - 1),)) + logs


def _same(value: Value, before: int) -> int:
    return 0 if value.packet == before else SAME


def _all_same(values: Iterable[Value], before: int) -> int:
    return SAME if all(value.packet != before for value in values) else 0


def _two(value: Value | None, before: int) -> bytes:
    """Chapters W (appendix A.5) and T (A.8): an S bit and the data as they are."""
    if value is None:
        return b""
    first, *rest = value.data
    return bytes((_same(value, before) | first, *rest))


class Journal:
    """The history of one stream. Packets are numbered from 0 without end."""

    def __init__(self) -> None:
        self.checkpoint = 0
        self._channels: dict[int, ChannelHistory] = {}

    def take(self, packet: int, message: bytes, now_s: float) -> None:
        """Note a message of `packet`. System messages have no history here."""
        if 0x80 <= message[0] < 0xF0:
            channel = self._channels.setdefault(message[0] & 0x0F, ChannelHistory())
            channel.take(packet, message, now_s)

    def received(self, packet: int) -> None:
        """The receiver has everything up to `packet`."""
        if packet >= self.checkpoint:
            self.checkpoint = packet + 1
            for channel in self._channels.values():
                channel.forget(self.checkpoint)

    def encode(self, packet: int, now_s: float) -> bytes:
        """The journal that `packet` carries: from the checkpoint to the packet before."""
        before = packet - 1
        journals = [
            journal
            for number, channel in sorted(self._channels.items())
            if (journal := channel.encode(number, before, now_s))
        ]
        any_channel = 0x20 if journals else 0
        # An empty journal has its S bit clear: there are receivers that stumble over it.
        same = SAME if journals and all(journal[0] & SAME for journal in journals) else 0
        total = max(len(journals) - 1, 0)
        checkpoint = min(self.checkpoint, packet) & 0xFFFF
        head = bytes((same | any_channel | total, checkpoint >> 8, checkpoint & 0xFF))
        return head + b"".join(journals)
