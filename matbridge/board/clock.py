"""When a scan was read: the board's own clock, laid against the bridge's.

A scan arrives late by an amount that jumps about (USB frames, the scheduler of the computer), while
the board takes its scans evenly. So the arrival of one scan says only that it was read no later;
the least late of many says when. The rules:

    arrived     the first scans, and a rate not yet known: the last scan of a read is placed at its
                arrival, those before it evenly in the time since the scan placed last
    on the line the scan is placed by the board's clock, `steps * period` after the one before; how
                late it arrived is remembered, as the least of a window
    early       the line would place it after its arrival: it is placed at the arrival, the scans
                of the same read evenly before it, and the line goes on from there
    late        it arrived later than any link delays: something slept, or scans were lost. The
                line is taken up anew at the arrival
    window ends the line moves up by the least lateness seen in the window, and the period moves
                towards what the window measured
"""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

# Longest delay of a link that works: USB adapters hold bytes up to 16 ms, a busy computer adds
# some tens. Beyond it the board's clock says nothing about the arrival.
MAX_LATE_S = 0.25

# One window: long enough to hold some prompt arrivals, short enough to follow a warming board.
WINDOW_S = 1.0

# The first window, when the period is not known at all.
FIRST_WINDOW_S = 0.1

# How far one window moves the period: three or four windows to follow, and a slow mean in between.
GAIN = 0.25

# Where nothing is known of the period yet, scans of one read are taken to be this far apart.
GUESSED_PERIOD_S = 0.001


class BoardClock:
    """Places scans in time: never later than their arrival, and never back.

    The work is in whole steps of the board's own clock: microseconds where the wire format carries
    them (`period_s` 1e-6), or single scans, whose period is then found out (`period_s` None).
    """

    __slots__ = ("_known", "_last_s", "_least_late_s", "_period_s", "_window_start_s",
                 "_window_steps", "_window_time_s")  # fmt: skip

    def __init__(self, period_s: float | None) -> None:
        self._known = period_s
        self._last_s = -inf
        self._period_s = inf
        self.restart()

    def restart(self) -> None:
        """Forget the board's rate and place, as for a link opened anew; times still never go back."""
        self._period_s = self._known or inf
        self._window_start_s = -inf
        self._window_time_s = 0.0
        self._window_steps = 0
        self._least_late_s = inf
