"""Curves from how hard something is pressed to what is sent, compiled to tables.

Every shape goes from 0 to 1 as its argument does, and never falls; a range then stretches it over
what may be sent. A fixed value is a range of one value.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

from matbridge.mapping.plan import LEVELS, Table

Shape = Callable[[float], float]

# The bend of a curve that is named without a number; about what a velocity curve's middle setting
# is.
DEFAULT_BEND = 3.0


def linear(value: float) -> float:
    return value


def power(exponent: float) -> Shape:
    """`value ** exponent`, exponent above 0: below 1 soft playing comes out louder."""
    return lambda value: math.pow(value, exponent)


def exponential(bend: float) -> Shape:
    """Soft playing comes out softer; `bend` above 0, the more the higher it is."""
    whole = math.expm1(bend)
    return lambda value: math.expm1(bend * value) / whole


def logarithmic(bend: float) -> Shape:
    """Soft playing comes out louder; the mirror image of `exponential` about the diagonal."""
    steepness = math.expm1(bend)
    return lambda value: math.log1p(steepness * value) / bend


def s_shaped(bend: float) -> Shape:
    """Flat at both ends and steep in the middle; `bend` above 0."""
    whole = math.tanh(bend / 2)
    return lambda value: 0.5 + 0.5 * math.tanh(bend * (value - 0.5)) / whole


def through(points: Sequence[tuple[float, float]]) -> Shape:
    """Straight lines from point to point; the first at 0 and the last at 1, none going back."""
    across = [point[0] for point in points]

    def shape(value: float) -> float:
        place = min(bisect_right(across, value), len(points) - 1)
        (x0, y0), (x1, y1) = points[place - 1], points[place]
        return y1 if x1 == x0 else y0 + (y1 - y0) * (value - x0) / (x1 - x0)

    return shape


@lru_cache(maxsize=256)
def table(kind: str, detail: object, low: int, high: int) -> Table:
    """LEVELS whole numbers from `low` to `high` (which may be the lower one) along a shape.

    kind and detail: "linear"; "power", "exponential", "logarithmic", "s-shaped" with a number;
    "points" with a tuple of pairs. Tables are shared between all who ask for the same one.
    """
    shape = _shape(kind, detail)
    span = high - low
    return tuple(
        low + math.floor(span * min(max(shape(step / (LEVELS - 1)), 0.0), 1.0) + 0.5)
        for step in range(LEVELS)
    )


def _shape(kind: str, detail: object) -> Shape:
    if kind == "linear":
        return linear
    return SHAPES[kind](detail)


# How each kind of curve is made from its detail.
SHAPES: dict[str, Callable[[Any], Shape]] = {
    "power": power,
    "exponential": exponential,
    "logarithmic": logarithmic,
    "s-shaped": s_shaped,
    "points": through,
}
