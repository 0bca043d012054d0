"""The floor of the interpreter: what floor.c does, in as little Python as does it.

usage: python floor.py BOARD OUT ZONES text|packed

A blocking read, a parse, one level for all zones, one write a scan; nothing is sensed, mapped,
kept or recovered from. What a bridge in Python takes beyond this is its own; what this takes beyond
the same in C is the interpreter's.
"""

import os
import sys
import tty

from cobs import cobs

THRESHOLD = 200
FIRST_NOTE = 36
READ_BYTES = 4096

board, out = (os.open(path, os.O_RDWR | os.O_NOCTTY) for path in sys.argv[1:3])
zones, packed = int(sys.argv[3]), sys.argv[4] == "packed"
for fd in (board, out):
    tty.setraw(fd)
heads = [divmod(FIRST_NOTE + zone, 128) for zone in range(zones)]
pressed = [False] * zones
tail = b""


def text(line: bytes) -> list[int]:
    return list(map(int, line.split(b",")))


def frame(piece: bytes) -> list[int]:
    body = int.from_bytes(cobs.decode(piece)[10:-2], "little")
    return [body >> shift & 1023 for shift in range(0, zones * 10, 10)]


read, end = (frame, b"\0") if packed else (text, b"\n")
while data := os.read(board, READ_BYTES):
    *pieces, tail = (tail + data).split(end)
    for piece in pieces:
        said = b""
        for zone, reading in enumerate(read(piece)):
            if (reading >= THRESHOLD) != pressed[zone]:
                pressed[zone] = not pressed[zone]
                channel, note = heads[zone]
                if pressed[zone]:
                    said += bytes((0x90 | channel, note, max(1, min(127, reading >> 3))))
                else:
                    said += bytes((0x80 | channel, note, 64))
        if said:
            os.write(out, said)
