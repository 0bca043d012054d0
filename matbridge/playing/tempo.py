"""The beat: from the file, from tapping, or from a MIDI clock outside.

    source      until
    file        a tap, or an outside clock
    tapped      a preset with a tempo of its own, or an outside clock
    clock       no tick for CLOCK_LOST_S; then its last tempo runs on

A position in quarter-note beats is known for every second: beat = anchor + elapsed * tempo.
"""

from __future__ import annotations

from collections import deque

from matbridge.midi.messages import CLOCKS_PER_BEAT

# Nobody taps slower, and a clock outside this range is a broken one.
BPM_LOWEST, BPM_HIGHEST = 20.0, 400.0

# Two taps farther apart than the slowest tempo are not of one row.
TAP_APART_S = 60.0 / BPM_LOWEST
# A row of four taps has three intervals: enough to even out a foot, few enough to follow it.
TAPS = 4

# At the slowest tempo a clock ticks every 125 ms; four times that is silence.
CLOCK_LOST_S = 0.5


class Tempo:
    """Beats a minute, and where the beat stands.

    changed: called after every change, for whoever keeps calls at beats.
    """

    __slots__ = ("_beat", "_second", "_taps", "_tick", "_ticks", "bpm", "on_change")

    def __init__(self, bpm: float) -> None:
        self.bpm = bpm
        self._beat = 0.0
        self._second = 0.0
        self._taps: deque[float] = deque(maxlen=TAPS)
        self._ticks: deque[float] = deque(maxlen=CLOCKS_PER_BEAT + 1)
        self._tick = 0

    def beat_at(self, second: float) -> float:
        """The position in beats at a second."""
        return self._beat + (second - self._second) * self.bpm / 60.0

    def second_of(self, beat: float) -> float:
        """The second of a position in beats."""
        return self._second + (beat - self._beat) * 60.0 / self.bpm

    def begin(self, now_s: float) -> None:
        """Beat 0 is now."""
        self._anchor(0.0, now_s)

    def set(self, bpm: float, now_s: float) -> None:
        """Go on from here at another tempo."""
        self._anchor(self.beat_at(now_s), now_s)
        self.bpm = min(max(bpm, BPM_LOWEST), BPM_HIGHEST)

    def _anchor(self, beat: float, now_s: float) -> None:
        self._beat, self._second = beat, now_s
