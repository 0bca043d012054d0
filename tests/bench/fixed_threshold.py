"""The plain detector that a first sketch would have: one fixed level, and the peak just after."""

from __future__ import annotations

from collections.abc import Sequence

from matbridge.sensing.touch import Touch, TouchKind

# A tenth of the range: the usual first try.
LEVEL_SHARE = 0.1

# Waits so long for the peak.
WINDOW_S = 0.005


class FixedThreshold:
    """No rest, no hysteresis, no neighbours: above the level is on, under it is off."""

    def __init__(self, zones: Sequence[int], bits: int) -> None:
        self._zones = zones
        self._full = (1 << bits) - 1
        self._level = max(0.5, self._full * LEVEL_SHARE)
        self._began_s = [-1.0] * len(zones)
        self._peaks = [0] * len(zones)
        self._on = [False] * len(zones)

    def scan(self, time_s: float, readings: Sequence[int]) -> list[Touch]:
        touches: list[Touch] = []
        level, began_s, peaks, on = self._level, self._began_s, self._peaks, self._on
        for channel, reading in enumerate(readings):
            if reading > level:
                if began_s[channel] < 0.0:
                    began_s[channel], peaks[channel] = time_s, reading
                elif not on[channel]:
                    peaks[channel] = max(peaks[channel], reading)
                    if time_s - began_s[channel] >= WINDOW_S:
                        on[channel] = True
                        value = peaks[channel] / self._full
                        touches.append(Touch(TouchKind.ONSET, self._zones[channel], time_s, value))
            elif began_s[channel] >= 0.0:
                if on[channel]:
                    touches.append(Touch(TouchKind.LIFT, self._zones[channel], time_s, 0.0))
                began_s[channel], on[channel] = -1.0, False
        return touches
