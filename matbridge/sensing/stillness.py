"""Waits until the mat keeps still, and measures it then.

Scans are gathered for REST_S. If a place moved in that window, the window is thrown away and the
next one begins; but a place that moved in STUBBORN windows running is not a person but a bad
contact, and stops no one.
"""

from __future__ import annotations

from collections.abc import Sequence

from matbridge.board.scan import Scan
from matbridge.sensing.rest import Rest, measure_rest

# Long enough for 150 periods of the mains and for the sway of a floor, short enough to stand aside.
REST_S = 3.0

# Three windows of three seconds: nobody fidgets in one place alone for that long.
STUBBORN = 3

# Fewer readings than this have no statistics to speak of.
MIN_SCANS = 20


class Stillness:
    """boards: of each board, the place of each of its channels, or -1; places count from 0.

    size: how many places. bits: width of a reading. moved: the places that spoiled the last window,
    the one that moved most first. last: each place in the last window, still or not.
    """

    __slots__ = ("_bits", "_boards", "_moved_windows", "_scans", "_size", "last", "moved")

    def __init__(self, boards: Sequence[Sequence[int]], size: int, bits: int) -> None:
        self._bits = bits
        self._boards = boards
        self._size = size
        self._scans: list[list[Scan]] = [[] for _ in boards]
        self._moved_windows = [0] * size
        self.moved: tuple[int, ...] = ()
        self.last: list[Rest | None] | None = None

    def feed(self, board: int, scan: Scan) -> list[Rest | None] | None:
        """Each place at rest, once a window is still; None until then.

        A place is None within the list where the board sends no reading for it.
        """
        self._scans[board].append(scan)
        for scans in self._scans:
            if len(scans) < MIN_SCANS or scans[-1].time_s - scans[0].time_s < REST_S:
                return None
        rests = self.last = self._measure()
        swings = [0.0 if rest is None or rest.still else rest.swing for rest in rests]
        # The farthest first: a step on one zone shakes those beside it.
        moved = sorted(
            (place for place, swing in enumerate(swings) if swing), key=lambda place: -swings[place]
        )
        for place in range(self._size):
            self._moved_windows[place] = self._moved_windows[place] + 1 if place in moved else 0
        self.moved = tuple(moved)
        if all(self._moved_windows[place] >= STUBBORN for place in moved):
            return rests
        self._scans = [[] for _ in self._boards]
        return None

    def take_now(self) -> list[Rest | None] | None:
        """Each place by what was gathered so far, still or not; None where that is too little."""
        if any(len(scans) < MIN_SCANS for scans in self._scans):
            return None
        return self._measure()

    def share(self) -> float:
        """How much of the window has been gathered, 0.0 to 1.0."""
        return min(
            min(1.0, (scans[-1].time_s - scans[0].time_s) / REST_S) if scans else 0.0
            for scans in self._scans
        )

    def _measure(self) -> list[Rest | None]:
        rests: list[Rest | None] = [None] * self._size
        for places, scans in zip(self._boards, self._scans, strict=True):
            length_s = scans[-1].time_s - scans[0].time_s
            rate_hz = (len(scans) - 1) / length_s if length_s > 0.0 else 0.0
            columns = zip(*(scan.readings for scan in scans), strict=False)
            for place, column in zip(places, columns, strict=False):
                if place >= 0:
                    rests[place] = measure_rest(column, rate_hz, self._bits)
        return rests
