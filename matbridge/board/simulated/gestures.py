"""What people do on a mat, as presses.

Every builder takes the zone, the second at which contact begins, how hard (newtons on the sensor
at the first peak) and a random source for what no two repeats share. Forces are what reaches the
sensor, about a fifth to a third of what the body gives: the plate spreads it. Durations of feet
follow ground-force recordings (rise of tens of milliseconds, double hump); hands and what is left
are our choice of what is plausible.
"""

from __future__ import annotations

from collections.abc import Sequence
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
    return Press(zone, start_s, curve, touch)


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


def heel_toe(zone: int, start_s: float, newton: float, hold_s: float, rng: Random) -> Press:
    """A foot rolls from heel to toe within one zone; between the two there is little on it."""
    rise_s = rng.uniform(0.020, 0.050)
    fall_s = rng.uniform(0.05, 0.10)
    hold_s = max(hold_s, rise_s + fall_s + 0.20)
    middle_s = (hold_s - rise_s - fall_s) * rng.uniform(0.4, 0.6)
    curve = (
        (0.0, 0.0),
        (rise_s, newton),
        (rise_s + middle_s, newton * rng.uniform(0.35, 0.60)),
        (hold_s - fall_s, newton * rng.uniform(0.8, 1.2)),
        (hold_s, 0.0),
    )
    return _press(zone, start_s, curve, "heel_toe")


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
    off_s = max(hold_s, at_s + fall_s + 0.02)
    corners += [(off_s - fall_s, force), (off_s, 0.0)]
    return _press(zone, start_s, tuple(corners), "lean")


def roll(
    zone: int, start_s: float, newton: float, strokes: int, rate_hz: float, rng: Random
) -> list[Press]:
    """Two hands in turn on one zone, `rate_hz` strokes a second, up to about 12."""
    period_s = 1.0 / rate_hz
    presses = []
    for stroke in range(strokes):
        at_s = start_s + (stroke + rng.uniform(-0.05, 0.05)) * period_s
        force = newton * rng.uniform(0.7, 1.3)
        rise_s = HAND_RISE_S * (force / HAND_RISE_NEWTON) ** HERTZ_RISE
        fall_s = min(rng.uniform(0.015, 0.030), period_s * 0.3)
        off_s = min(rise_s + fall_s + rng.uniform(0.0, 0.02), period_s * 0.7)
        curve = ((0.0, 0.0), (rise_s, force), (max(off_s, rise_s + fall_s), 0.0))
        presses.append(_press(zone, at_s, curve, "roll"))
    return presses


def strike_again(
    zone: int, start_s: float, newton: float, hold_s: float, rng: Random
) -> list[Press]:
    """A stomp; then, the toes still down, the heel is lifted and comes down anew: two touches."""
    rise_s, again_s = rng.uniform(0.010, 0.025), rng.uniform(0.010, 0.025)
    second = rng.uniform(*STOMP_NEWTON)
    settle_s = rise_s + rng.uniform(0.03, 0.06)
    weight = rng.uniform(80.0, 160.0)
    toes = weight * rng.uniform(0.10, 0.25)
    lift_s = settle_s + max(0.15, hold_s / 2)
    low_s = lift_s + rng.uniform(0.06, 0.12)
    strike_s = low_s + rng.uniform(0.03, 0.10)
    stay_s = again_s + 0.05 + hold_s / 2
    fall_s = rng.uniform(0.03, 0.08)
    end_s = strike_s + stay_s + fall_s
    whole = (
        (0.0, 0.0),
        (rise_s, newton),
        (settle_s, weight),
        (lift_s, weight),
        (low_s, toes),
        (end_s - fall_s, toes),
        (end_s, 0.0),
    )
    heel = (
        (0.0, 0.0),
        (again_s, second),
        (again_s + 0.05, weight - toes),
        (stay_s, weight - toes),
        (stay_s + fall_s, 0.0),
    )
    first = _press(zone, start_s, whole, "stomp")
    ended = first.touch._replace(end_s=start_s + strike_s, left_s=start_s + low_s)
    first = first._replace(touch=ended)
    return [first, _press(zone, start_s + strike_s, heel, "strike_again")]


def stand(
    left: int, right: int, start_s: float, newton: float, hold_s: float, rng: Random
) -> list[Press]:
    """Two feet step on, one after the other, and the weight goes to and fro: one touch each."""
    rises_s = (rng.uniform(0.04, 0.08), rng.uniform(0.04, 0.08))
    second_s = rng.uniform(0.3, 0.7)
    share = 0.5
    feet: tuple[list[tuple[float, float]], ...] = (
        [(0.0, 0.0), (rises_s[0], newton * 0.9), (second_s + 0.3, newton * 0.5)],
        [(0.0, 0.0), (rises_s[1], newton * 0.4), (0.3, newton * 0.5)],
    )
    at_s = second_s + 0.3
    while at_s + 3.0 < hold_s:
        stay_s, shift_s = rng.uniform(0.2, 2.0), rng.uniform(0.3, 0.8)
        to = rng.uniform(0.2, 0.8)
        for foot, off_s in ((0, 0.0), (1, second_s)):
            before = share if foot == 0 else 1.0 - share
            after = to if foot == 0 else 1.0 - to
            feet[foot].append((at_s + stay_s - off_s, newton * before))
            feet[foot].append((at_s + stay_s + shift_s - off_s, newton * after))
        at_s, share = at_s + stay_s + shift_s, to
    for foot, off_s in ((0, 0.0), (1, second_s)):
        at = feet[foot][-1][1]
        stay_s = rng.uniform(0.3, 1.0)
        feet[foot].append((at_s + stay_s - off_s, at))
        feet[foot].append((at_s + stay_s + rng.uniform(0.06, 0.12) - off_s, 0.0))
    return [
        _press(left, start_s, tuple(feet[0]), "stand"),
        _press(right, start_s + second_s, tuple(feet[1]), "stand"),
    ]


def jump(
    left: int, right: int, start_s: float, newton: float, flight_s: float, rng: Random
) -> list[Press]:
    """Stand, crouch, push off, fly, and land on the same two zones: two touches each."""
    presses = []
    crouch_s, push_s = rng.uniform(0.5, 0.9), rng.uniform(0.15, 0.25)
    for zone in (left, right):
        rise_s = rng.uniform(0.04, 0.07)
        weight = newton * rng.uniform(0.25, 0.35)
        off_s = crouch_s + push_s + rng.uniform(0.06, 0.09)
        curve = (
            (0.0, 0.0),
            (rise_s, weight),
            (crouch_s, weight * 0.6),
            (crouch_s + push_s, weight * 2.0),
            (off_s, 0.0),
        )
        presses.append(_press(zone, start_s + rng.uniform(0.0, 0.02), curve, "stand"))
        land_s = start_s + off_s + 0.02 + flight_s + rng.uniform(0.0, 0.015)
        presses.append(stomp(zone, land_s, newton, rng.uniform(0.4, 1.0), rng))
    return presses


def slide(path: Sequence[int], start_s: float, newton: float, rng: Random) -> list[Press]:
    """A foot glides over zones that lie side by side: each fills slowly while the last empties."""
    presses = []
    for zone in path:
        rise_s, stay_s, fall_s = (rng.uniform(0.08, 0.20) for _ in range(3))
        full_s = rise_s + stay_s
        curve = ((0.0, 0.0), (rise_s, newton), (full_s, newton), (full_s + fall_s, 0.0))
        presses.append(_press(zone, start_s, curve, "slide"))
        start_s += rise_s * 0.6 + stay_s
    return presses


def body(zones: Sequence[int], start_s: float, hold_s: float, rng: Random) -> list[Press]:
    """Someone sits or lies down, shifts about, and gets up again."""
    presses = []
    for zone in zones:
        begin_s = start_s + rng.uniform(0.0, 0.6)
        rise_s = rng.uniform(0.15, 0.5)
        newton = rng.uniform(10.0, 60.0)
        corners = [(0.0, 0.0), (rise_s, newton)]
        at_s = rise_s
        while at_s + 2.0 < hold_s:
            at_s += rng.uniform(0.8, 3.0)
            corners.append((at_s, newton * rng.uniform(0.5, 1.5)))
        corners.append((max(hold_s, at_s + 0.3) + rng.uniform(0.0, 0.5), 0.0))
        presses.append(_unsure(_press(zone, begin_s, tuple(corners), "body")))
    return presses


def thing(zone: int, start_s: float, newton: float, stay_s: float, rng: Random) -> Press:
    """A bag or a bottle is put down, stays, and is taken away."""
    rise_s, fall_s = rng.uniform(0.03, 0.12), rng.uniform(0.05, 0.2)
    curve = (
        (0.0, 0.0),
        (rise_s, newton * 1.2),
        (rise_s + 0.08, newton),
        (stay_s - fall_s, newton),
        (stay_s, 0.0),
    )
    return _unsure(_press(zone, start_s, curve, "thing"))


def _unsure(press: Press) -> Press:
    return press._replace(touch=press.touch._replace(sure=False))
