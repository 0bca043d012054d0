# What both MicroPython programs share: the steady scan clock, the two wire formats, the
# announcement. The formats are drawn in README.md. A second example beside the Arduino programs:
# simpler to change, and not made for speed.
import select
import struct
import sys
import time

PROGRAM_VERSION = "1.0"


def _make_table():
    table = []
    for byte in range(256):
        value = byte << 8
        for _ in range(8):
            value = (value << 1) ^ 0x1021 if value & 0x8000 else value << 1
        table.append(value & 0xFFFF)
    return table


_TABLE = _make_table()


def _frame(payload):
    """The payload with its checksum, stuffed, and the zero that ends it."""
    total = 0xFFFF
    for byte in payload:
        total = ((total << 8) & 0xFFFF) ^ _TABLE[(total >> 8) ^ byte]
    framed = bytearray()
    for block in bytes(payload + struct.pack(">H", total)).split(b"\0"):
        framed.append(len(block) + 1)  # payloads are shorter than the 254 bytes of a long block
        framed.extend(block)
    framed.append(0)
    return framed


class Board:
    """Sends scans at a steady rate and answers the query; one object for the life of the program.

    zones 1-64; bits 8, 10, 12 or 16; packed or text; read(readings) fills a list of integers.
    line: None for the USB or UART that MicroPython itself speaks on, else a machine.UART.
    """

    def __init__(self, zones, bits, rate_hz, packed, name, read, line=None):
        self.zones, self.bits, self.rate_hz, self.packed, self.name = (
            zones,
            bits,
            rate_hz,
            packed,
            name,
        )
        self._read = read
        self._in = line or sys.stdin
        self._out = line or getattr(sys.stdout, "buffer", sys.stdout)
        self._poll_in = select.poll()
        self._poll_in.register(self._in, select.POLLIN)
        self._poll_out = select.poll()
        self._poll_out.register(line or sys.stdout, select.POLLOUT)
        self._readings = [0] * zones
        self._sequence = 0
        self._announce = True
        self._out.write(b"\0" if packed else b"\n")  # ends whatever half scan a reader may hold

    def announcement(self):
        if self.packed:
            head = struct.pack("<BBHH", 0x12, self.bits, self.rate_hz, self.zones)
            return _frame(head + PROGRAM_VERSION.encode() + b"\0" + self.name.encode())
        line = "# board: channels={} bits={} rate={} format=text program={} name={}\n"
        return line.format(self.zones, self.bits, self.rate_hz, PROGRAM_VERSION, self.name).encode()

    def scan(self, clock_us):
        self._read(self._readings)
        if not self.packed:
            return (",".join(map(str, self._readings)) + "\n").encode()
        body = bytearray()
        waiting = held = 0
        for reading in self._readings:
            waiting |= reading << held
            held += self.bits
            while held >= 8:
                body.append(waiting & 0xFF)
                waiting >>= 8
                held -= 8
        if held:
            body.append(waiting)
        clock = clock_us & 0xFFFFFFFF
        head = struct.pack("<BBHIH", 0x11, self.bits, self._sequence, clock, self.zones)
        return _frame(head + bytes(body))

    def run(self, scans=None):
        """Scan for ever, or so many times."""
        period_us = 1000000 // self.rate_hz
        due_us = time.ticks_us()
        clock_us, last_us = 0, due_us
        while scans is None or scans > 0:
            if self._poll_in.poll(0) and self._in.read(1) in ("?", b"?"):
                self._announce = True
            if self._announce:
                self._announce = False
                self._out.write(self.announcement())
            now_us = time.ticks_us()
            clock_us += time.ticks_diff(now_us, last_us)  # ticks wrap early; our clock at 32 bits
            last_us = now_us
            frame = self.scan(clock_us)
            if self._poll_out.poll(0):  # nobody reads: drop the scan, but use up its number
                self._out.write(frame)
            self._sequence = (self._sequence + 1) & 0xFFFF
            if scans is not None:
                scans -= 1
            due_us = time.ticks_add(due_us, period_us)
            wait_us = time.ticks_diff(due_us, time.ticks_us())
            if wait_us > 0:
                time.sleep_us(wait_us)
            else:
                self._sequence = (self._sequence + -wait_us // period_us) & 0xFFFF
                due_us = time.ticks_us()
