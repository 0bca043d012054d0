"""A capacitive electrode behind a touch chip: what a board sends of it as level or switch.

The chip samples the electrode, keeps a baseline that follows slowly, and calls it touched when the
data are far enough under the baseline. Figures are those of an MPR121-class chip (data sheet and
application notes AN3892, AN3944): 10-bit data, the two thresholds and the three cases of the
baseline filter.
"""

from __future__ import annotations

from math import exp

# AN3944 quick start: touch 0F, release 0A, in counts of the 10-bit data.
TOUCH_COUNTS = 15.0
RELEASE_COUNTS = 10.0

# Sampling interval of the chip; it offers 1-128 ms, and 16 ms is too slow to play (our choice).
SAMPLE_S = 0.004

# How far a whole foot or hand pulls the data down, through carpet and shoe (our choice).
DEEP_COUNTS = 180.0

# Contact area grows with force and is full at a light stand: newtons to 63 % (our choice).
AREA_NEWTON = 8.0

# Baseline filter of the quick start: up by 1 count a sample at once, down by 1 count only after
# 255 samples in a row (NCL FF), and not at all while touched.
DOWN_AFTER_SAMPLES = 255

# A chip told to recalibrate does so after a touch that lasts this long (our choice).
RECALIBRATE_S = 20.0

# Level as the board sends it: baseline minus data, raised so that noise is not cut off at 0.
LEVEL_OFFSET_COUNTS = 30.0
FULL_COUNTS = 256.0


def area(newton: float) -> float:
    """How much of an electrode a force covers, 0.0 to 1.0."""
    return 1.0 - exp(-newton / AREA_NEWTON)


class Electrode:
    """One electrode: areas in, shares of full scale out, as `ForceSensor` does it."""

    __slots__ = (
        "_baseline",
        "_below",
        "_depth",
        "_hold",
        "_left_s",
        "_lifted",
        "_rest",
        "_step_s",
        "_switch",
        "_touched",
        "_touched_s",
    )

    def __init__(self, depth: float, switch: bool, step_s: float) -> None:
        """depth: this electrode's share of DEEP_COUNTS. switch: whether only on or off is sent."""
        self._depth = depth * DEEP_COUNTS
        self._switch = switch
        self._step_s = step_s
        self._baseline = 0.0
        self._below = 0
        self._touched = False
        self._touched_s = 0.0
        self._left_s = 0.0
        self._rest = self._hold = self._level(0.0)
        self._lifted = True

    @property
    def settled(self) -> bool:
        """Whether it is back at rest, so that `rest_voltage` holds until it is covered."""
        return self._lifted and not self._touched and self._baseline == 0.0

    @property
    def rest_voltage(self) -> float:
        return self._rest

    def pass_time(self, blocks: int) -> None:  # noqa: ARG002  nothing of it depends on how long
        """Let blocks of time go by, uncovered and settled."""
        self._hold = self._rest
        self._below = 0

    def voltages(self, areas: list[float]) -> list[float]:
        """Shares of full scale for a block of covered areas, each 0.0 to 1.0."""
        out = []
        for area in areas:
            self._left_s -= self._step_s
            if self._left_s <= 0.0:
                self._left_s += SAMPLE_S
                self._sample(self._depth * area)
            out.append(self._hold)
        self._lifted = max(areas) < 0.001
        return out

    def _sample(self, covered: float) -> None:
        data = -covered
        under = self._baseline - data
        if self._touched:
            self._touched_s += SAMPLE_S
            if under < RELEASE_COUNTS:
                self._touched = False
            elif self._touched_s > RECALIBRATE_S:
                self._baseline, self._touched = data, False
        elif under > TOUCH_COUNTS:
            self._touched, self._touched_s = True, 0.0
        elif under < 0.0:
            self._baseline += min(1.0, -under)
            self._below = 0
        elif under > 0.0:
            self._below += 1
            if self._below >= DOWN_AFTER_SAMPLES:
                self._baseline -= min(1.0, under)
                self._below = 0
        self._hold = self._level(self._baseline - data)

    def _level(self, under: float) -> float:
        if self._switch:
            return 1.0 if self._touched else 0.0
        return min(1.0, max(0.0, (under + LEVEL_OFFSET_COUNTS) / FULL_COUNTS))
