"""A rise of load: when contact began, when it is decided, how high and how fast it goes.

Contact is reckoned back along the line through the first two loads, to where it leaves the base
that the rise starts from. The window opens there, not at the first reading that shows anything, so
that soft and hard strikes are decided equally long after they began.
"""

from __future__ import annotations

# Contact is reckoned back by no more than this beyond the last scan without a sign of it.
REACH_BACK_S = 0.002

# Speed is measured over at least this long, so that neither noise nor the place of one scan
# decides it.
SPEED_SPAN_S = 0.003


class Rise:
    """One rise of one zone; used again and again. Loads are shares of a full press.

    base: load that it starts from. peak: highest load so far. contact_s: when it began. decide_s:
    when its window is over. grown_s: when its load last went above all before. scans: how many
    loads of it are known, the one before it included.
    """

    __slots__ = (
        "_best", "_end_s", "_loads", "_speed", "_speed_before", "_times_s", "base", "contact_s",
        "decide_s", "grown_s", "peak", "scans",
    )  # fmt: skip

    def __init__(self) -> None:
        self.base = 0.0
        self.peak = 0.0
        self.contact_s = 0.0
        self.decide_s = 0.0
        self._end_s = 0.0
        self.grown_s = 0.0
        self.scans = 0
        # The last loads, as far back as speed is measured over.
        self._times_s: list[float] = []
        self._loads: list[float] = []
        self._best = 0.0
        self._speed = 0.0  # at the last load, and at the one before
        self._speed_before = 0.0

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
        self._begin_speed(before_s, before, time_s, load)
        self._reckon_contact(before_s, before, time_s, load, window_s)

    def go_on(self, time_s: float, load: float, window_s: float) -> None:
        """The next load."""
        times_s, loads = self._times_s, self._loads
        if self.scans == 2:
            self._reckon_contact(times_s[1], loads[1], time_s, load, window_s)
        self.scans += 1
        if load > self.peak:
            self.peak = load
            self.grown_s = time_s
        times_s.append(time_s)
        loads.append(load)
        until_s = time_s - SPEED_SPAN_S * 0.999
        while times_s[1] <= until_s and len(times_s) > 2:
            del times_s[0], loads[0]
        if times_s[0] <= until_s:
            speed = (load - loads[0]) / max(time_s - times_s[0], SPEED_SPAN_S)
            self._speed_before, self._speed = self._speed, speed
            if speed > self._best:
                self._best = speed

    def creep(self, time_s: float, load: float, from_s: float, low: float, base: float) -> None:
        """It has come up from `low` too slowly for a window; it counts from now."""
        self.base = base
        self.peak = load
        self.contact_s = self._end_s = time_s
        self._begin_speed(from_s, low, time_s, load)

    @property
    def last_s(self) -> float:
        """Time of its last load."""
        return self._times_s[-1]

    def height(self) -> float:
        """Highest load above the base, at the end of the window: it may end between two scans."""
        height = self.peak - self.base
        loads = self._loads
        if loads[-1] == self.peak:
            height -= (loads[-1] - loads[-2]) * self._beyond()
        return height

    def speed(self) -> float:
        """Highest speed over SPEED_SPAN_S or more, in load a second; 0 if it never rose.

        Where it still grew faster at the end of the window, that is allowed for as in `height`.
        """
        best, speed = self._best, self._speed
        if best and speed == best:
            best -= (speed - self._speed_before) * self._beyond()
        return best

    def _begin_speed(self, before_s: float, before: float, time_s: float, load: float) -> None:
        """From the first two loads, which may be nearer to each other than the span."""
        self.scans = 2
        self._times_s = [before_s, time_s]
        self._loads = [before, load]
        self._speed = (load - before) / max(time_s - before_s, SPEED_SPAN_S)
        self._speed_before = 0.0
        self._best = max(self._speed, 0.0)

    def _beyond(self) -> float:
        """What share of the last step lies after the end of the window; negative if before it."""
        times_s = self._times_s
        over_s, step_s = times_s[-1] - self._end_s, times_s[-1] - times_s[-2]
        return over_s / step_s if abs(over_s) < step_s else 0.0

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
