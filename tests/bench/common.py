"""What every scene of the bench shares: who is measured, on what mat, and how long."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

Figures = dict[str, Any]

BRIDGE, PLAIN, LEAST, FLOOR = "matbridge", "plain script", "least Python", "C"
STAGES = "stages alone"
LOOP, PASS = "plain loop", "python -c pass"
ZONES = 24
RATE_HZ = 1000.0
SIZES = (24, 96, 384, 1024)
WIDE_RATE_HZ = 200.0


@dataclass(frozen=True, slots=True)
class Size:
    """How much of it: seconds a paced run, how often, seconds a flood."""

    seconds: float
    repeats: int
    flood_s: float
    starts: int


FULL = Size(seconds=10.0, repeats=5, flood_s=2.0, starts=20)
QUICK = Size(seconds=4.0, repeats=2, flood_s=1.0, starts=5)
