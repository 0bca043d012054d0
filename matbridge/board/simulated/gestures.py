"""What people do on a mat, as presses.

Every builder takes the zone, the second at which contact begins, how hard (newtons on the sensor
at the first peak) and a random source for what no two repeats share. Forces are what reaches the
sensor, about a fifth to a third of what the body gives: the plate spreads it. Durations of feet
follow ground-force recordings (rise of tens of milliseconds, double hump); hands and what is left
are our choice of what is plausible.
"""

from __future__ import annotations

from random import Random

from matbridge.board.simulated.score import Curve, Press, TrueTouch

# Peak forces on the sensor, from the softest to the hardest that people play (our choice).
HAND_NEWTON = (3.0, 60.0)
STEP_NEWTON = (80.0, 260.0)
STOMP_NEWTON = (150.0, 700.0)

# Hertz's law of impact: a strike of speed v has a peak as v^(6/5) and lasts as v^(-1/5), so the
# rise goes as peak^(-1/6). The scale is our choice for a palm on felt and on foam: 8 ms at 20 N.
HAND_RISE_S = 0.008
HAND_RISE_NEWTON = 20.0
HERTZ_RISE = -1.0 / 6.0

# No two strikes of one strength are alike: spread of the rise at one peak, +- (our choice).
RISE_SPREAD = 0.15


def _press(zone: int, start_s: float, curve: Curve, gesture: str) -> Press:
    """A press meant as one touch; its strike is the first rise."""
    rise_s, peak = curve[1]
    touch = TrueTouch(zone, start_s, start_s + curve[-1][0], peak, peak / rise_s, gesture)
    return Press(zone, start_s, curve, (touch,))


def hand(zone: int, start_s: float, newton: float, hold_s: float, rng: Random) -> Press:
    """A hand strikes and stays: a short peak, then what it leans on."""
    rise_s = HAND_RISE_S * (newton / HAND_RISE_NEWTON) ** HERTZ_RISE
    rise_s *= 1.0 + rng.uniform(-RISE_SPREAD, RISE_SPREAD)
    lean = newton * rng.uniform(0.35, 0.6)
    settle_s = rise_s + rng.uniform(0.010, 0.025)
    fall_s = rng.uniform(0.012, 0.035)
    stay_s = max(settle_s + 0.01, hold_s - fall_s)
    curve = ((0.0, 0.0), (rise_s, newton), (settle_s, lean), (stay_s, lean), (stay_s + fall_s, 0.0))
    return _press(zone, start_s, curve, "hand")


def step(zone: int, start_s: float, newton: float, hold_s: float, rng: Random) -> Press:
    """A foot steps on and rolls off: two humps with a dip between them."""
    rise_s = rng.uniform(0.030, 0.070)
    dip, second = newton * rng.uniform(0.65, 0.85), newton * rng.uniform(0.85, 1.1)
    fall_s = rng.uniform(0.05, 0.11)
    hold_s = max(hold_s, rise_s + fall_s + 0.10)
    middle_s = (hold_s - rise_s - fall_s) / 2
    curve = (
        (0.0, 0.0),
        (rise_s, newton),
        (rise_s + middle_s, dip),
        (rise_s + 2 * middle_s, second),
        (hold_s, 0.0),
    )
    return _press(zone, start_s, curve, "step")


def stomp(zone: int, start_s: float, newton: float, hold_s: float, rng: Random) -> Press:
    """A foot comes down hard and stands."""
    rise_s = rng.uniform(0.010, 0.025)
    weight = min(newton * 0.6, rng.uniform(80.0, 160.0))
    settle_s = rise_s + rng.uniform(0.025, 0.06)
    fall_s = rng.uniform(0.03, 0.08)
    stay_s = max(settle_s + 0.02, hold_s - fall_s)
    curve = (
        (0.0, 0.0),
        (rise_s, newton),
        (settle_s, weight),
        (stay_s, weight),
        (stay_s + fall_s, 0.0),
    )
    return _press(zone, start_s, curve, "stomp")


def lean(zone: int, start_s: float, newton: float, hold_s: float, rng: Random) -> Press:
    """A hand presses, and swells and ebbs while it stays: what pressure is for."""
    rise_s = rng.uniform(0.012, 0.030)
    fall_s = rng.uniform(0.03, 0.06)
    corners = [(0.0, 0.0), (rise_s, newton)]
    at_s, force = rise_s, newton
    while at_s + 0.6 < hold_s - fall_s:
        at_s += rng.uniform(0.3, 0.5)
        force = newton * (rng.uniform(1.5, 2.5) if force <= newton else rng.uniform(0.6, 0.9))
        corners.append((at_s, force))
    corners.append((max(hold_s, at_s + fall_s + 0.02), 0.0))
    return _press(zone, start_s, tuple(corners), "lean")
