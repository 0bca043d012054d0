"""The beat: from the file, from tapping, or from a MIDI clock outside.

    source     goes on until
    file       a tap, or an outside clock
    taps       a preset with a tempo of its own, or an outside clock
    clock      no tick came for CLOCK_LOST_S; its last tempo then stays

Every second has a position in quarter-note beats, which never jumps: whoever waits for a beat is
not thrown about by a tap or a start. What a tap or a start moves is the grid, the beats that are
counted as whole ones.
"""

from __future__ import annotations

from collections import deque
from math import ceil

from matbridge.midi.messages import CLOCK, CLOCKS_PER_BEAT, START

# Nobody steps slower, and what is faster is no tempo but a bounce or a broken clock.
BPM_LOWEST, BPM_HIGHEST = 20.0, 400.0

# A row of four taps has three intervals: enough to even out a foot, few enough to follow it.
TAPS = 4

# The slowest tempo ticks every 125 ms; four times that is silence.
CLOCK_LOST_S = 0.5
# A tempo is believed after a quarter of a beat: single ticks come a millisecond early or late.
CLOCK_TICKS_BELIEVED = 6

# A touch so shortly after a line of the grid was meant for it: players are seldom closer.
GRID_GRACE_S = 0.025


class Tempo:
    """Beats a minute, where the beat stands, and where the grid lies."""

    __slots__ = ("_beat", "_grid", "_second", "_start", "_taps", "_ticks", "bpm")

    def __init__(self, bpm: float) -> None:
        self.bpm = bpm
        self._beat = 0.0
        self._second = 0.0
        self._grid = 0.0  # a position that is a whole beat
        self._taps: deque[float] = deque(maxlen=TAPS)
        self._ticks: deque[float] = deque(maxlen=CLOCKS_PER_BEAT + 1)
        self._start = False  # the next tick is a first one

    def beat_at(self, second: float) -> float:
        """The position in beats at a second."""
        return self._beat + (second - self._second) * self.bpm / 60.0

    def second_of(self, beat: float) -> float:
        """The second of a position in beats."""
        return self._second + (beat - self._beat) * 60.0 / self.bpm

    def line_after(self, second: float, beats: float) -> float:
        """The position of the line of the grid, one every `beats`, that a touch is meant for.

        It is the next one, or the one just past within GRID_GRACE_S.
        """
        meant = (self.beat_at(second - GRID_GRACE_S) - self._grid) / beats
        return self._grid + ceil(meant) * beats

    def line_after_s(self, second: float, seconds: float) -> float:
        """Likewise the second of a line, one every so many seconds from the whole beat on."""
        whole_s = self.second_of(self._grid)
        return whole_s + ceil((second - GRID_GRACE_S - whole_s) / seconds) * seconds

    def begin(self, second: float) -> None:
        """A whole beat falls on `second`."""
        self._grid = self.beat_at(second)

    def set(self, bpm: float, now_s: float) -> None:
        """Go on from here at another tempo, unless an outside clock rules."""
        if not self.outside(now_s):
            self._go_on(self.beat_at(now_s), now_s, bpm)
            self._taps.clear()

    def tap(self, now_s: float) -> None:
        """One tap: from the second of a row the tempo follows, and beats fall on the taps."""
        if self.outside(now_s):
            return
        taps = self._taps
        if taps and now_s - taps[-1] < 60.0 / BPM_HIGHEST:
            return
        if taps and now_s - taps[-1] > 60.0 / BPM_LOWEST:
            taps.clear()
        taps.append(now_s)
        beat = self.beat_at(now_s)
        if len(taps) > 1:
            self._go_on(beat, now_s, 60.0 * (len(taps) - 1) / (taps[-1] - taps[0]))
        self._grid = beat

    def clock(self, message: bytes, now_s: float) -> None:
        """A timing message from outside: a tick, or a start, which makes the next tick a beat."""
        if message == START:
            self._start = True
        if message != CLOCK:
            return
        ticks = self._ticks
        if not self.outside(now_s):
            ticks.clear()
            beat = self.beat_at(now_s)
            self._grid = beat + round((self._grid - beat) * CLOCKS_PER_BEAT) / CLOCKS_PER_BEAT
        else:
            beat = self._beat + 1 / CLOCKS_PER_BEAT
        ticks.append(now_s)
        bpm = self.bpm
        if len(ticks) > CLOCK_TICKS_BELIEVED and ticks[-1] > ticks[0]:
            bpm = 60.0 * (len(ticks) - 1) / CLOCKS_PER_BEAT / (ticks[-1] - ticks[0])
        self._go_on(beat, now_s, bpm)
        if self._start:
            self._start = False
            self._grid = beat

    def outside(self, now_s: float) -> bool:
        """Whether an outside clock rules the tempo."""
        return bool(self._ticks) and now_s - self._ticks[-1] < CLOCK_LOST_S

    def _go_on(self, beat: float, now_s: float, bpm: float) -> None:
        self._beat, self._second = beat, now_s
        self.bpm = min(max(bpm, BPM_LOWEST), BPM_HIGHEST)
