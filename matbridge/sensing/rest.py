"""What a sensor reads with nothing on it: level, noise, mains hum, and whether it kept still.

A reading is a whole number, so plain order statistics of a quiet sensor come out as whole numbers
too: a noise of 0 or 1 and nothing between. Here a reading `n` stands for everything from n - 0.5 to
n + 0.5, spread evenly (statistics of grouped data), which gives medians and deviations finer than
one reading, and never a noise of 0.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from operator import mul

# Standard deviation over median absolute deviation, of normal noise: 1 / quantile(3/4).
SIGMA_PER_MAD = 1.482602218505602

# The mains of the world (IEC 60038: 50 and 60 Hz).
MAINS_HZ = (50.0, 60.0)

# 20 periods of 50 Hz and 24 of 60 Hz: whole numbers of both, so that one does not leak into the
# other, and short enough that a few lost scans spoil only one window.
HUM_WINDOW_S = 0.4

# Below this the mains cannot be told from something slower that it folds down to.
HUM_MIN_RATE_HZ = 2.5 * MAINS_HZ[1]

# A normal noise passes 7 standard deviations once in 400 million readings, while a press or a loose
# contact goes far beyond. The readings added are for a sensor whose noise is all rounding.
STILL_SIGMAS = 7.0
STILL_READINGS = 3.0

# Medians of many readings differ by far less than one standard deviation, unless something moved.
SETTLED_SIGMAS = 3.0


# A deviation is found to this part of a reading, far below what its own scatter is.
FINEST = 0.001

# A normal noise lies within 1.96 standard deviations for 95 % of the time.
TAIL_SHARE = 0.475
SIGMAS_OF_TAIL = 1.96

# With so many readings at the least or the greatest of them, what lies beyond has been cut off.
CUT_SHARE = 0.3

# No converter that is of any use has a noise of a hundredth of its range.
MOST_NOISE_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class Rest:
    """A zone at rest; all but hum_hz in readings.

    level: median. noise: robust standard deviation, above 0. hum: amplitude of the mains in it, 0
    where there is none to be told from noise; hum_hz: 50.0 or 60.0, whichever is stronger.
    swing: how far the farthest reading was from the level. still: whether nothing moved.
    """

    level: float
    noise: float
    hum: float
    hum_hz: float
    swing: float
    still: bool


def measure_rest(readings: Sequence[int], rate_hz: float, bits: int) -> Rest:
    """Statistics of at least one reading of `bits`, taken evenly at `rate_hz` (0: not known)."""
    histogram = _Histogram(readings)
    level = histogram.quantile(0.5)
    noise = max(histogram.deviation(level) * SIGMA_PER_MAD, _cut_noise(histogram, level, bits))
    hum, hum_hz = _hum(readings, rate_hz, noise)
    swing = max(level - min(readings), max(readings) - level)
    still = swing <= max(STILL_SIGMAS * noise, STILL_READINGS) and _settled(readings)
    return Rest(level, noise, hum, hum_hz, swing, still)


def _cut_noise(histogram: _Histogram, level: float, bits: int) -> float:
    """Noise of a sensor that rests at an end of the range, where half of its noise is cut off.

    Half or more of its readings are then the end itself, and say nothing of the noise; what goes
    beyond does. 0 where there is none to see, or too much for noise.
    """
    low, high = histogram.quantile(0.5 - TAIL_SHARE), histogram.quantile(0.5 + TAIL_SHARE)
    cut_below, cut_above = histogram.share_of_ends()
    tails = [high - level] if cut_below > CUT_SHARE else []
    tails += [level - low] if cut_above > CUT_SHARE else []
    noise = min(tails, default=0.0) / SIGMAS_OF_TAIL
    return noise if noise <= (1 << bits) * MOST_NOISE_SHARE else 0.0


def _settled(readings: Sequence[int]) -> bool:
    """Whether the second half lies where the first one did, by the quieter half's own noise."""
    half = len(readings) // 2
    if not half:
        return True
    first, second = _Histogram(readings[:half]), _Histogram(readings[half:])
    before, after = first.quantile(0.5), second.quantile(0.5)
    noise = min(first.deviation(before), second.deviation(after)) * SIGMA_PER_MAD
    return abs(after - before) <= max(SETTLED_SIGMAS * noise, STILL_READINGS)


class _Histogram:
    """Readings as grouped data: values in order, and how many lie up to and with each."""

    __slots__ = ("_total", "_upto", "_values")

    def __init__(self, readings: Sequence[int]) -> None:
        counts = Counter(readings)
        self._values = sorted(counts)
        self._upto = list(accumulate(counts[value] for value in self._values))
        self._total = len(readings)

    def quantile(self, share: float) -> float:
        wanted = share * self._total
        before = 0
        for value, upto in zip(self._values, self._upto, strict=True):
            if upto >= wanted:
                return value - 0.5 + (wanted - before) / (upto - before)
            before = upto
        return self._values[-1] + 0.5

    def share_of_ends(self) -> tuple[float, float]:
        """The shares of the least and of the greatest reading in all of them."""
        greatest = self._total - (self._upto[-2] if len(self._upto) > 1 else 0)
        return self._upto[0] / self._total, greatest / self._total

    def deviation(self, centre: float) -> float:
        """Median absolute deviation from `centre`."""
        low, high = 0.0, max(centre - self._values[0], self._values[-1] - centre) + 0.5
        while high - low > FINEST:
            middle = (low + high) / 2
            if self._mass_upto(centre + middle) - self._mass_upto(centre - middle) < 0.5:
                low = middle
            else:
                high = middle
        return high

    def _mass_upto(self, level: float) -> float:
        before = 0
        for value, upto in zip(self._values, self._upto, strict=True):
            if level < value + 0.5:
                inside = max(0.0, level - value + 0.5) * (upto - before)
                return (before + inside) / self._total
            before = upto
        return 1.0


def _hum(readings: Sequence[int], rate_hz: float, noise: float) -> tuple[float, float]:
    """Amplitude and frequency of the stronger mains component; 0.0 where it is within noise."""
    size = round(HUM_WINDOW_S * rate_hz)
    windows = len(readings) // size if rate_hz >= HUM_MIN_RATE_HZ else 0
    if not windows:
        return 0.0, MAINS_HZ[0]
    parts = [readings[start : start + size] for start in range(0, windows * size, size)]
    best, best_hz = 0.0, MAINS_HZ[0]
    for hz in MAINS_HZ:
        power = 0.0
        cosines, sines, cosine_sum, sine_sum = _waves(size, hz / rate_hz)
        for part in parts:
            mean = sum(part) / size
            real = sum(map(mul, part, cosines)) - mean * cosine_sum
            imaginary = sum(map(mul, part, sines)) - mean * sine_sum
            power += (real * real + imaginary * imaginary) * 4.0 / (size * size)
        amplitude = math.sqrt(power / windows)
        if amplitude > best:
            best, best_hz = amplitude, hz
    # White noise alone gives a mean squared amplitude of 4 sigma**2 / size; three times that
    # amplitude is no accident of noise.
    floor = 3.0 * 2.0 * noise / math.sqrt(size)
    return (best, best_hz) if best > floor else (0.0, MAINS_HZ[0])


@lru_cache(maxsize=2 * len(MAINS_HZ))
def _waves(size: int, turns: float) -> tuple[list[float], list[float], float, float]:
    """Cosines and sines of `size` readings, `turns` of a circle apart, and their sums."""
    angles = [2.0 * math.pi * turns * index for index in range(size)]
    cosines, sines = list(map(math.cos, angles)), list(map(math.sin, angles))
    return cosines, sines, sum(cosines), sum(sines)
