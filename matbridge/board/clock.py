"""When a scan was read: the board's own clock, laid against the bridge's.

A scan arrives late by an amount that jumps about (USB frames, the scheduler of the computer), while
the board takes its scans evenly. So the arrival of one scan says only that it was read no later;
the least late of many says when. Of every read, as a whole:

    on the line   its scans are placed by the board's clock, `steps * period` after the one before;
                  how late the last of them arrived is remembered, as the least of a window
    early         the line would place the last one after its arrival, or the period is not known
                  yet: it is placed at its arrival, the others evenly since the scan before
    anew          the first read; or it arrived later than any link delays, for something slept,
                  scans were lost, or the pace changed: the last one is placed at its arrival, the
                  others a period apart. A period that was found out is found out again

    A window ends every so often: the line moves up by the least lateness seen in it, and the
    period moves towards what it measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from math import inf

# Longest delay of a link that works: USB adapters hold bytes up to 16 ms, a busy computer adds
# some tens. Beyond it the board's clock says nothing about the arrival. A board that counts no time
# may change its pace (with the digits it prints, or the work it does), so less is believed there.
MAX_LATE_S = 0.25
COUNTED_LATE_S = 0.05

# A window must hold some prompt arrivals. A crystal drifts by parts in a million, so a second is
# short; a pace that may change is measured sooner.
WINDOW_S = 1.0
COUNTED_WINDOW_S = 0.2

# How far one window moves the period: a mean over about four, or two, windows.
GAIN = 0.25
COUNTED_GAIN = 0.5

# Where nothing is known of the period yet, scans of one read are taken to be this far apart.
GUESSED_PERIOD_S = 0.001


class BoardClock:
    """Places scans in time: never later than their arrival, and never back.

    It works in steps of the board's own clock: microseconds where the wire format carries them
    (`period_s` 1e-6), or single scans, whose period is then found out (`period_s` None).
    """

    __slots__ = ("_gain", "_given_s", "_last_s", "_least_late_s", "_max_late_s", "_period_s",
                 "_window_end_s", "_window_s", "_window_start_s", "_window_steps")  # fmt: skip

    _least_late_s: float
    _window_end_s: float
    _window_start_s: float
    _window_steps: int

    def __init__(self, period_s: float | None) -> None:
        self._given_s = period_s or 0.0  # 0 is a period not known
        self._window_s = WINDOW_S if period_s else COUNTED_WINDOW_S
        self._max_late_s = MAX_LATE_S if period_s else COUNTED_LATE_S
        self._gain = GAIN if period_s else COUNTED_GAIN
        self._last_s = -inf  # where the last scan was placed
        self.restart()

    def restart(self) -> None:
        """Forget the board's pace, as for a link opened anew. Times still never go back."""
        self._period_s = self._given_s
        self._open_window(-inf, -inf)

    def times(self, steps: Sequence[int], now_s: float) -> list[float]:
        """Times in seconds for the scans of one read, in order.

        steps: for each scan, how far the board's clock had moved since the scan before, 0 or more;
        at least one. now_s: when the read was made; never before that of an earlier call.
        """
        total = sum(steps)
        from_s = self._last_s
        period_s = self._period_s
        late_s = now_s - from_s - total * period_s
        if late_s > self._max_late_s or self._window_end_s == -inf:
            if not self._given_s:
                self._period_s = 0.0
            period_s = period_s or GUESSED_PERIOD_S
            self._open_window(now_s, now_s)
            if now_s - total * period_s >= from_s:
                from_s = now_s - total * period_s
            elif total:
                period_s = (now_s - from_s) / total
            placed_s = now_s
        elif late_s >= 0.0 and period_s:
            if late_s < self._least_late_s:
                self._least_late_s = late_s
            placed_s = now_s - late_s
            self._window_steps += total
        else:
            self._least_late_s = 0.0
            period_s = (now_s - from_s) / total if total else 0.0
            placed_s = now_s
            self._window_steps += total
        self._last_s = placed_s
        if now_s >= self._window_end_s:
            self._close_window(now_s)
        if len(steps) == 1:
            return [placed_s]
        times = [min(from_s + moved * period_s, placed_s) for moved in accumulate(steps)]
        times[-1] = placed_s
        return times

    def _open_window(self, placed_s: float, now_s: float) -> None:
        self._window_start_s = placed_s
        self._window_end_s = now_s + self._window_s
        self._window_steps = 0
        self._least_late_s = inf

    def _close_window(self, now_s: float) -> None:
        if self._least_late_s < inf:
            self._last_s += self._least_late_s
        if self._window_steps:
            measured_s = (self._last_s - self._window_start_s) / self._window_steps
            gain = self._gain if self._period_s else 1.0
            self._period_s += gain * (measured_s - self._period_s)
        self._open_window(self._last_s, now_s)
