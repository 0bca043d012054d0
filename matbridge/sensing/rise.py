"""A rise of load: when contact began, when it is decided, how high and how fast it goes.

Contact is reckoned back along the line through the first two loads, to where it leaves the base
that the rise starts from. The window opens there, not at the first reading that shows anything, so
that soft and hard strikes are decided equally long after they began.
"""

from __future__ import annotations

# Contact is reckoned back by no more than this beyond the last scan without a sign of it.
REACH_BACK_S = 0.002

# A rise that takes its time keeps this many scans, from which its speed is reckoned.
HISTORY = 64

# Speed is measured over at least this long, so that neither noise nor the place of one scan
# decides it.
SPEED_SPAN_S = 0.003


class Rise:
    """One rise of one zone; used again and again. Loads are shares of a full press.

    base: load that it starts from. peak: highest load so far. contact_s: when it began. decide_s:
    when its window is over. grown_s: when its load last went above all before.
    """

    __slots__ = ("_end_s", "_loads", "_times_s", "base", "contact_s", "decide_s", "grown_s", "peak")

    def __init__(self) -> None:
        self.base = 0.0
        self.peak = 0.0
        self.contact_s = 0.0
        self.decide_s = 0.0
        self._end_s = 0.0
        self.grown_s = 0.0
        self._times_s: list[float] = []
        self._loads: list[float] = []

    def begin(
        self,
        time_s: float,
        load: float,
        before_s: float,
        before: float,
        base: float,
        window_s: float,
    ) -> None:
        """The first load that shows it, and the load of the scan before."""
        self.base = base
        self.peak = load
        self.grown_s = time_s
        self._times_s = [before_s, time_s]
        self._loads = [before, load]
        self._reckon_contact(before_s, before, time_s, load, window_s)

    def go_on(self, time_s: float, load: float, window_s: float) -> None:
        """The next load."""
        times_s, loads = self._times_s, self._loads
        if len(times_s) == 2:
            self._reckon_contact(times_s[1], loads[1], time_s, load, window_s)
        elif len(times_s) >= HISTORY:
            del times_s[: HISTORY // 2], loads[: HISTORY // 2]
        times_s.append(time_s)
        loads.append(load)
        if load > self.peak:
            self.peak = load
            self.grown_s = time_s

    def creep(self, time_s: float, load: float, from_s: float, low: float, base: float) -> None:
        """It has come up from `low` too slowly for a window; it counts from now."""
        self.base = base
        self.peak = load
        self.contact_s = self._end_s = time_s
        self._times_s = [from_s, time_s]
        self._loads = [low, load]

    @property
    def last_s(self) -> float:
        """Time of its last load."""
        return self._times_s[-1]

    @property
    def scans(self) -> int:
        """How many loads of it are known, the one before it included."""
        return len(self._times_s)

    def height(self) -> float:
        """Highest load above the base, at the end of the window: it may end between two scans."""
        height = self.peak - self.base
        loads, over_s, step_s = self._loads, self._over_s(), self._step_s()
        if loads[-1] == self.peak and abs(over_s) < step_s:
            height -= (loads[-1] - loads[-2]) * over_s / step_s
        return height

    def speed(self) -> float:
        """Highest speed over SPEED_SPAN_S or more, in load a second; 0 if it never rose.

        Where it still grew faster at the end of the window, that is allowed for as in `height`.
        """
        times_s, loads = self._times_s, self._loads
        best = before = speed = 0.0
        start = 0
        for end in range(1, len(times_s)):
            until_s = times_s[end] - SPEED_SPAN_S * 0.999
            while start + 1 < end and times_s[start + 1] <= until_s:
                start += 1
            if times_s[start] <= until_s or end == 1:
                span_s = max(times_s[end] - times_s[start], SPEED_SPAN_S)
                before, speed = speed, (loads[end] - loads[start]) / span_s
                best = max(best, speed)
        over_s, step_s = self._over_s(), self._step_s()
        if best and speed == best and abs(over_s) < step_s:
            best -= (speed - before) * over_s / step_s
        return best

    def _over_s(self) -> float:
        """How long after the end of the window its last load was read."""
        return self._times_s[-1] - self._end_s

    def _step_s(self) -> float:
        return self._times_s[-1] - self._times_s[-2]

    def shift(self, by_s: float) -> None:
        """The clock was set."""
        self.contact_s += by_s
        self.decide_s += by_s
        self._end_s += by_s
        self.grown_s += by_s
        self._times_s = [time_s + by_s for time_s in self._times_s]

    def _reckon_contact(
        self, before_s: float, before: float, time_s: float, load: float, window_s: float
    ) -> None:
        contact_s = self._times_s[0]
        if load > before:
            shown = before - self.base
            back_s = shown * (time_s - before_s) / (load - before)
            # What slows down from its first load on had not begun before the scan without a sign.
            earliest_s = contact_s - (REACH_BACK_S if load - before > shown else 0.0)
            contact_s = min(max(before_s - back_s, earliest_s), self._times_s[1])
        self.contact_s = contact_s
        self._end_s = contact_s + window_s
        # At the nearest scan, not the next.
        self.decide_s = self._end_s - (time_s - before_s) / 2
