"""What a detector must reach on a scene: the figures that a performer can trust."""

from __future__ import annotations

from math import sqrt

from tests.support.judging import Verdict
from tests.support.scenarios import Scenario

RECALL = 0.999
FALSE_PER_10_MIN = 1.0
DOUBLES = 0.001

# For hands and stomps: 95th percentile after true contact, and from the 5th to it. Ten milliseconds
# with one of jitter is the goal of musical control in the literature (Wessel and Wright, from
# memory); the window for the peak is the larger part of it.
DELAY_S = 0.008
JITTER_S = 0.003


def misses_of(scenario: Scenario, verdict: Verdict) -> list[str]:
    """What of it does not hold, in words."""
    missed = []
    if verdict.recall < RECALL:
        missed.append(f"recall {verdict.recall:.2%}")
    if verdict.false > FALSE_PER_10_MIN * verdict.seconds / 600.0:
        missed.append(f"{verdict.false} false")
    if verdict.leaked:
        missed.append(f"{verdict.leaked} of a neighbour")
    if verdict.double_share > DOUBLES:
        missed.append(f"{verdict.doubles} doubles")
    if verdict.wrong_lifts:
        missed.append(f"{verdict.wrong_lifts} lifts over 60 ms off")
    if scenario.quick:
        if verdict.delay_s(0.95) > DELAY_S:
            missed.append(f"delay {verdict.delay_s(0.95) * 1000:.1f} ms")
        jitter_s = verdict.delay_s(0.95) - verdict.delay_s(0.05)
        if jitter_s > JITTER_S:
            missed.append(f"jitter {jitter_s * 1000:.1f} ms")
    if scenario.rho and verdict.rho + uncertainty(verdict) < scenario.rho:
        missed.append(f"rank correlation {verdict.rho:.3f}")
    return missed


def uncertainty(verdict: Verdict) -> float:
    """Two standard errors of a rank correlation: what few touches cannot tell."""
    return 2 * (1.0 - verdict.rho**2) / sqrt(max(verdict.hits, 1))
