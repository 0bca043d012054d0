"""How long to wait before looking again for something that is not there."""

from __future__ import annotations

# Soon enough that a replugged cable plays on within the beat after it.
FIRST_DELAY_S = 0.1

# Seldom enough to cost nothing, and short enough that nobody reaches for a second remedy.
LONGEST_DELAY_S = 1.0


def next_delay_s(attempt: int) -> float:
    """Seconds from a failed attempt, counted from 0, to the next: doubled each time, capped."""
    doublings = min(attempt, 10)  # far beyond the cap, and no huge number after a long night
    return min(FIRST_DELAY_S * (1 << doublings), LONGEST_DELAY_S)
