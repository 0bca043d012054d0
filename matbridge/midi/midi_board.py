"""A controller that already speaks MIDI, as a board: its notes or controls become readings.

    channels 0 to n-1        the notes of the list, in its order
    channels n to n+m-1      the controls of the list

    note-on     the reading is its velocity, 1-127
    pressure    polyphonic pressure of a note that is on: the reading is its value, at least 1, for
                the note has not been let go; channel pressure: likewise for all notes that are on
    note-off    the reading is 0
    control     the reading is its value

So the mat is `sensor: {type: level, bits: 7}`, with velocity from the peak: the controller has
measured the strike, and here it comes in one step. A scan goes out when a reading has changed, and
now and then when none has, so that the bridge knows that the port is there.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence

from matbridge.board.hello import Hello
from matbridge.board.packed import encode_hello, encode_scan
from matbridge.midi import messages as midi

BITS = 8  # of the packed format; the readings have seven

# A bridge takes a board that has been silent for a fifth of a second for lost.
IDLE_S = 0.02

PROGRAM = "1.0"


class MidiBoard:
    """Messages to packed scans on a pipe. midi_channel: 1-16, or 0 for any."""

    def __init__(
        self, out_fd: int, notes: Sequence[int], controls: Sequence[int], midi_channel: int
    ) -> None:
        self._out_fd = out_fd
        os.set_blocking(out_fd, False)
        self._note = {note: channel for channel, note in enumerate(notes)}
        self._control = {control: len(notes) + place for place, control in enumerate(controls)}
        self._only = midi_channel - 1
        self.readings = [0] * (len(notes) + len(controls))
        self._sequence = 0
        self._sent_s = 0.0

    def announce(self) -> None:
        """Say what this is, as a board does when it starts."""
        hello = Hello(len(self.readings), BITS, round(1 / IDLE_S), "packed", PROGRAM, "midi")
        os.write(self._out_fd, b"\0" + encode_hello(hello))

    def take(self, messages: Sequence[bytes], now_s: float) -> None:
        """Send a scan for every message that changed a reading, or an idle one when it is time."""
        for message in messages:
            if self.change(message):
                self._send(now_s)
        if now_s - self._sent_s >= IDLE_S:
            self._send(now_s)

    def change(self, message: bytes) -> bool:
        """Whether a message changed a reading."""
        kind, channel = message[0] & 0xF0, message[0] & 0x0F
        if message[0] >= 0xF0 or self._only not in (-1, channel):
            return False
        if kind == midi.CHANNEL_PRESSURE:
            held = [place for place in self._note.values() if self.readings[place]]
            changed = [self._put(place, max(message[1], 1)) for place in held]
            return True in changed
        if kind == midi.CONTROL_CHANGE:
            return self._put(self._control.get(message[1], -1), message[2])
        place = self._note.get(message[1], -1)
        if kind == midi.NOTE_ON:
            return self._put(place, message[2])
        if kind == midi.NOTE_OFF:
            return self._put(place, 0)
        if kind == midi.POLY_PRESSURE and place >= 0 and self.readings[place]:
            return self._put(place, max(message[2], 1))
        return False

    def _put(self, place: int, reading: int) -> bool:
        if place < 0 or self.readings[place] == reading:
            return False
        self.readings[place] = reading
        return True

    def _send(self, now_s: float) -> None:
        frame = encode_scan(self._sequence, round(now_s * 1e6), self.readings, BITS)
        self._sequence += 1
        self._sent_s = now_s
        # A bridge that does not read loses scans, and counts them as lost.
        with contextlib.suppress(BlockingIOError):
            os.write(self._out_fd, frame)
