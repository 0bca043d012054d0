"""What bodies do to a mat: forces over time, and the touches a performer meant by them."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from math import ceil, cos, pi, sin
from typing import NamedTuple

Curve = tuple[tuple[float, float], ...]
"""Corners of a force over time: (seconds after the press began, newtons on the sensor).

Times rise strictly from 0.0; the first and the last force are 0. The way to the second corner is
an impact: compression goes as the first quarter of a sine, and force with its power of 3/2 (Hertz's
law of contact). From there on it follows half a cosine between two corners.
"""

# Hertz: the force of an elastic contact goes with the 3/2 power of its compression.
HERTZ = 1.5


class TrueTouch(NamedTuple):
    """One touch as it truly was, for a detector to be judged by.

    zone: index on the mat. start_s: contact began, or the new strike on a held zone did. end_s:
    contact ended, or the next strike began. peak_newton: highest force of the strike itself, on
    the sensor. rise_newton_per_s: mean rate of its first rise. gesture: name of its builder.
    sure: whether it must be heard; a body that lies down or a bag that is put there may be.
    left_s: when what struck had left, if that is before end_s because something else stayed on,
    as toes do when the heel is lifted to strike again.
    """

    zone: int
    start_s: float
    end_s: float
    peak_newton: float
    rise_newton_per_s: float
    gesture: str
    sure: bool = True
    left_s: float = float("inf")


class Press(NamedTuple):
    """One contact of a body, or of a thing, with one zone, from `start_s` on.

    touch: what was meant by it. Forces of two presses on one zone add up.
    """

    zone: int
    start_s: float
    curve: Curve
    touch: TrueTouch

    @property
    def end_s(self) -> float:
        return self.start_s + self.curve[-1][0]


def force_at(curve: Curve, offset_s: float) -> float:
    """Newtons at a time after the press began; 0 before and after it."""
    if offset_s <= 0.0 or offset_s >= curve[-1][0]:
        return 0.0
    after = bisect_right(curve, (offset_s, float("inf")))
    (from_s, low), (to_s, high) = curve[after - 1], curve[after]
    share = (offset_s - from_s) / (to_s - from_s)
    if after == 1:
        return high * float(sin(pi / 2 * share) ** HERTZ)
    return low + (high - low) * (0.5 - 0.5 * cos(pi * share))


def sample(curve: Curve, first_s: float, step_s: float, count: int) -> list[float]:
    """`force_at` for `count` times from `first_s` on, a step apart; quicker than one by one."""
    forces = [0.0] * count
    index = max(0, ceil(-first_s / step_s))
    corner, last = 1, len(curve) - 1
    while index < count:
        offset_s = first_s + index * step_s
        while corner <= last and curve[corner][0] <= offset_s:
            corner += 1
        if corner > last:
            break
        (from_s, low), (to_s, high) = curve[corner - 1], curve[corner]
        stop = min(count, int((to_s - first_s) / step_s) + 1)
        angle = (offset_s - from_s) / (to_s - from_s) * pi
        step = step_s / (to_s - from_s) * pi
        steps = range(stop - index)
        if corner == 1:
            angle, step = angle / 2, step / 2
            forces[index:stop] = [high * sin(angle + step * k) ** HERTZ for k in steps]
        elif low == high:
            forces[index:stop] = [high] * len(steps)
        else:
            middle, half = (low + high) / 2, (high - low) / 2
            forces[index:stop] = [middle - half * cos(angle + step * k) for k in steps]
        index = max(stop, index + 1)
    return forces


def truths(presses: Sequence[Press]) -> list[TrueTouch]:
    """The touches of some presses, by the time they started."""
    return sorted((press.touch for press in presses), key=lambda touch: touch.start_s)
