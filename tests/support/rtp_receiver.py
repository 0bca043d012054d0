"""An RTP-MIDI receiver that makes good its losses from the recovery journal, written from RFC 6295.

It shares no code with the sender. As a program it is a peer on one address whose door loses and
swaps datagrams, and prints what it ended up with:

    python -m tests.support.rtp_receiver ADDRESS PORT LOSS SECONDS
"""

from __future__ import annotations

import json
import random
import select
import socket
import struct
import sys
import time
from collections.abc import Iterator


class Receiver:
    """The state of one stream's receiving end. notes: (channel 0-15, note) that sound now."""

    def __init__(self) -> None:
        self.notes: dict[tuple[int, int], int] = {}
        self.controls: dict[tuple[int, int], int] = {}
        self.programs: dict[int, tuple[int, int, int]] = {}
        self.bends: dict[int, tuple[int, int]] = {}
        self.pressures: dict[int, int] = {}
        self.poly: dict[tuple[int, int], int] = {}
        self.parameters: dict[tuple[int, int, int, int], tuple[int, int]] = {}
        self.highest: int | None = None
        self.lost = self.repaired = self.packets = self.struck = 0

    def take(self, packet: bytes) -> None:
        """One RTP packet."""
        flags, kind, sequence, _, _ = struct.unpack_from("!BBHII", packet)
        assert flags == 0x80
        assert kind & 0x7F == 0x61
        if self.highest is not None:
            ahead = (sequence - self.highest) & 0xFFFF
            if ahead == 0 or ahead >= 0x8000:
                return  # a repeat, or overtaken: the journal has made it good
            gap = ahead - 1
        else:
            gap = 0
        self.packets += 1
        self.highest = sequence
        head = packet[12]
        if head & 0x80:
            length, at = (head & 0x0F) << 8 | packet[13], 14
        else:
            length, at = head & 0x0F, 13
        commands, journal = packet[at : at + length], packet[at + length :]
        assert head & 0x40, "no journal"
        if gap:
            self.lost += gap
            before = dict(self.notes)
            self._repair(journal)
            self.repaired += before != self.notes
        for message in self._messages(commands):
            self._play(message)

    @staticmethod
    def _messages(commands: bytes) -> Iterator[bytes]:
        at = 0
        while at < len(commands):
            if at:
                while commands[at] & 0x80:  # a delta time of several octets
                    at += 1
                at += 1
            status = commands[at]
            size = 2 if status & 0xF0 in (0xC0, 0xD0) else 3 if status < 0xF0 else 1
            yield commands[at : at + size]
            at += size

    def _play(self, message: bytes) -> None:
        kind, channel = message[0] & 0xF0, message[0] & 0x0F
        if kind == 0x90 and message[2]:
            self.notes[channel, message[1]] = message[2]
            self.struck += 1
        elif kind in (0x80, 0x90):
            self.notes.pop((channel, message[1]), None)
        elif kind == 0xB0:
            self.controls[channel, message[1]] = message[2]
        elif kind == 0xC0:
            bank = self.controls.get((channel, 0), -1), self.controls.get((channel, 32), -1)
            self.programs[channel] = (message[1], *bank)
        elif kind == 0xD0:
            self.pressures[channel] = message[1]
        elif kind == 0xE0:
            self.bends[channel] = (message[1], message[2])
        elif kind == 0xA0:
            self.poly[channel, message[1]] = message[2]

    def _repair(self, journal: bytes) -> None:
        """Section 5: header, then TOTCHAN + 1 channel journals."""
        if not journal[0] & 0x20:
            return
        at = 3
        for _ in range((journal[0] & 0x0F) + 1):
            channel = journal[at] >> 3 & 0x0F
            length = (journal[at] & 0x03) << 8 | journal[at + 1]
            self._channel(channel, journal[at + 2], journal[at + 3 : at + length])
            at += length
        assert at == len(journal), "the journal is longer or shorter than it says"

    def _channel(self, channel: int, contents: int, body: bytes) -> None:
        if contents & 0x80:  # P
            program, msb, lsb = body[0] & 0x7F, body[1], body[2] & 0x7F
            bank = (msb & 0x7F, lsb) if msb & 0x80 else (-1, -1)
            self.programs[channel] = (program, *bank)
            body = body[3:]
        if contents & 0x40:  # C
            count = (body[0] & 0x7F) + 1
            for number, value in zip(
                body[1 : 1 + 2 * count : 2], body[2 : 2 + 2 * count : 2], strict=True
            ):
                if not value & 0x80:
                    self.controls[channel, number & 0x7F] = value
            body = body[1 + 2 * count :]
        if contents & 0x20:  # M
            length = (body[0] & 0x03) << 8 | body[1]
            for at in range(2, length, 5):
                lsb, msb, has, first, second = body[at : at + 5]
                assert has == 0xC2
                key = (channel, msb >> 7, msb & 0x7F, lsb & 0x7F)
                self.parameters[key] = (first & 0x7F, second & 0x7F)
            body = body[length:]
        if contents & 0x10:  # W
            self.bends[channel] = (body[0] & 0x7F, body[1] & 0x7F)
            body = body[2:]
        if contents & 0x08:  # N
            body = self._notes(channel, body)
        if contents & 0x02:  # T
            self.pressures[channel] = body[0] & 0x7F
            body = body[1:]
        if contents & 0x01:  # A
            count = (body[0] & 0x7F) + 1
            for number, value in zip(
                body[1 : 1 + 2 * count : 2], body[2 : 2 + 2 * count : 2], strict=True
            ):
                self.poly[channel, number & 0x7F] = value & 0x7F
            body = body[1 + 2 * count :]
        assert not body, "chapters do not fill the channel journal"

    def _notes(self, channel: int, body: bytes) -> bytes:
        count, low, high = body[0] & 0x7F, body[1] >> 4, body[1] & 0x0F
        if (count, low, high) == (127, 15, 0):
            count = 128
        at = 2
        for _ in range(count):
            note, velocity = body[at] & 0x7F, body[at + 1]
            at += 2
            if (channel, note) not in self.notes:
                self.notes[channel, note] = velocity & 0x7F
        if low <= high:
            for octet in range(low, high + 1):
                for bit in range(8):
                    if body[at] & 0x80 >> bit:
                        self.notes.pop((channel, octet * 8 + bit), None)
                at += 1
        return body[at:]


def serve(address: str, port: int, loss: float, seconds: float) -> dict[str, object]:
    """Take an invitation and whatever follows, through a door that loses and swaps."""
    dice = random.Random(5)
    receiver = Receiver()
    sockets = []
    for number in (port, port + 1):
        made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        made.bind((address, number))
        sockets.append(made)
    ssrc, held = 0xBEEF, b""
    end_s = time.monotonic() + seconds
    feedback_s = 0.0
    sender = None
    while time.monotonic() < end_s:
        for ready in select.select(sockets, [], [], 0.02)[0]:
            data, origin = ready.recvfrom(4096)
            if data[:4] == b"\xff\xffIN":
                token = data[8:12]
                answer = b"\xff\xffOK" + struct.pack("!I", 2) + token + struct.pack("!I", ssrc)
                ready.sendto(answer + b"door\0", origin)
            elif data[:4] == b"\xff\xffCK" and data[8] == 0:
                stamps = data[12:20] + struct.pack("!Q", int(time.monotonic() * 10_000)) + bytes(8)
                sync = b"\xff\xffCK" + struct.pack("!IB3x", ssrc, 1) + stamps
                ready.sendto(sync, origin)
            elif data[:4] == b"\xff\xffBY":
                end_s = min(end_s, time.monotonic() + 0.1)
            elif data[0] == 0x80:
                sender = (origin[0], origin[1] - 1)
                if dice.random() < loss:
                    continue
                if not held and dice.random() < loss:
                    held = data  # the next one overtakes it
                    continue
                receiver.take(data)
                if held:
                    receiver.take(held)
                    held = b""
        now_s = time.monotonic()
        if sender and receiver.highest is not None and now_s - feedback_s > 0.2:
            feedback_s = now_s
            if dice.random() >= loss:
                words = struct.pack("!IHH", ssrc, receiver.highest, 0)
                sockets[0].sendto(b"\xff\xffRS" + words, sender)
    for made in sockets:
        made.close()
    return {
        "sounding": sorted(map(list, receiver.notes)),
        "packets": receiver.packets,
        "lost": receiver.lost,
        "repaired": receiver.repaired,
        "struck": receiver.struck,
        "controls": {f"{c}/{n}": value for (c, n), value in receiver.controls.items()},
    }


if __name__ == "__main__":
    print(json.dumps(serve(sys.argv[1], int(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4]))))
