"""The script anyone would write first: a line at a time, a threshold, a library for the messages.

usage: python plain.py BOARD OUT ZONES     (text only; OUT is a serial device for raw MIDI)
"""

import sys

import mido
import serial

THRESHOLD = 200
FIRST_NOTE = 36

board_path, out_path, zones = sys.argv[1], sys.argv[2], int(sys.argv[3])
keys = [divmod(FIRST_NOTE + zone, 128) for zone in range(zones)]
pressed = [False] * zones

with serial.Serial(board_path, 115200) as board, serial.Serial(out_path, 31250) as out:
    while True:
        try:
            readings = [int(field) for field in board.readline().split(b",")]
        except ValueError:
            continue
        if len(readings) != zones:
            continue
        for zone, reading in enumerate(readings):
            channel, note = keys[zone]
            if reading >= THRESHOLD and not pressed[zone]:
                pressed[zone] = True
                velocity = max(1, min(127, reading // 8))
                message = mido.Message("note_on", channel=channel, note=note, velocity=velocity)
                out.write(message.bin())
            elif reading < THRESHOLD and pressed[zone]:
                pressed[zone] = False
                out.write(mido.Message("note_off", channel=channel, note=note).bin())
