"""A reader of Bluetooth LE MIDI packets: everything the specification allows, not only ours.

It is itself held to published packets in tests/reference/test_ble_midi.py.
"""

from __future__ import annotations

_LENGTHS = {0x80: 2, 0x90: 2, 0xA0: 2, 0xB0: 2, 0xC0: 1, 0xD0: 1, 0xE0: 2}
_COMMON = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0}


class BleReader:
    """Feed it packets in order; `found` has (time in ms, message)."""

    def __init__(self) -> None:
        self.found: list[tuple[int, bytes]] = []
        self._sysex: bytearray | None = None

    @property
    def messages(self) -> list[bytes]:
        return [message for _, message in self.found]

    def feed(self, packet: bytes) -> None:
        assert packet[0] & 0xC0 == 0x80, "no header"
        high, low, status, at = packet[0] & 0x3F, 0, 0, 1
        stepped = False
        while at < len(packet):
            byte = packet[at]
            if byte & 0x80:
                if byte & 0x7F < low and not stepped:
                    high, stepped = high + 1, True
                low = byte & 0x7F
                at += 1
                if at == len(packet):
                    return
                byte = packet[at]
            time_ms = (high << 7 | low) % 8192
            if byte & 0x80:
                at += 1
                if byte == 0xF7:
                    assert self._sysex is not None
                    self.found.append((time_ms, bytes((*self._sysex, 0xF7))))
                    self._sysex = None
                elif byte == 0xF0:
                    self._sysex = bytearray((0xF0,))
                    status = 0
                elif byte >= 0xF8:
                    self.found.append((time_ms, bytes((byte,))))
                elif byte >= 0xF0:
                    size = _COMMON[byte]
                    self.found.append((time_ms, packet[at - 1 : at + size]))
                    at += size
                else:
                    status = byte
                    at = self._data(packet, at, status, time_ms)
            elif self._sysex is not None:
                self._sysex.append(byte)
                at += 1
            elif status:
                at = self._data(packet, at, status, time_ms)
            else:
                at += 1  # data without a status in this packet mean nothing

    def _data(self, packet: bytes, at: int, status: int, time_ms: int) -> int:
        size = _LENGTHS[status & 0xF0]
        self.found.append((time_ms, bytes((status,)) + packet[at : at + size]))
        return at + size
