"""People on a simulated mat: who plays what, when and how hard. Seeded, and truthful.

A player has two hands or two feet, so its own strikes never fall closer on one zone than a limb
can; loudness goes by phrases, as music does, and every strike departs from its phrase.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import exp, hypot, log
from random import Random

from matbridge.board.simulated import gestures
from matbridge.board.simulated.score import Press

# How far one strike departs from the loudness of its phrase, as the spread of its logarithm.
STRIKE_SPREAD = 0.35

# A limb needs this long from one place to the next, and a zone this long between two limbs.
TRAVEL_S = 0.06

# Nothing starts in the first second, so that a detector sees the rest, nor so near the end that it
# would not be over.
HEAD_S = 1.0
TAIL_S = 2.0

Places = Sequence[tuple[float, float]]
Builder = Callable[[int, float, float, float, Random], Press]
Player = Callable[[Places, float, Random], list[Press]]
"""places in cm, seconds to fill, a source of chance: presses by the time they start."""


def limbs(
    builder: Builder,
    newton: tuple[float, float],
    each_per_s: float,
    hold_s: tuple[float, float],
    count: int = 2,
) -> Player:
    """`count` limbs of one or more players, each striking `each_per_s` times a second."""

    def play(places: Places, seconds: float, rng: Random) -> list[Press]:
        low, high = (log(force) for force in newton)
        free_s = [0.0] * len(places)
        limb_s = [HEAD_S + rng.expovariate(each_per_s) for _ in range(count)]
        phrase, phrase_ends_s = 0.0, 0.0
        presses: list[Press] = []
        while True:
            limb = min(range(count), key=limb_s.__getitem__)
            at_s = limb_s[limb]
            if at_s > seconds - TAIL_S:
                return sorted(presses, key=lambda press: press.start_s)
            if at_s > phrase_ends_s:
                phrase, phrase_ends_s = rng.uniform(low, high), at_s + rng.uniform(2.0, 6.0)
            ready = [zone for zone in range(len(places)) if free_s[zone] <= at_s]
            if not ready:
                limb_s[limb] += TRAVEL_S
                continue
            force = exp(min(high, max(low, rng.gauss(phrase, STRIKE_SPREAD))))
            press = builder(rng.choice(ready), at_s, force, rng.uniform(*hold_s), rng)
            presses.append(press)
            free_s[press.zone] = press.end_s + TRAVEL_S
            limb_s[limb] = press.end_s + TRAVEL_S + rng.expovariate(each_per_s)

    return play


def repeating(
    make: Callable[[Places, float, Random], list[Press]], pause_s: tuple[float, float]
) -> Player:
    """One thing done after another, with a pause between."""

    def play(places: Places, seconds: float, rng: Random) -> list[Press]:
        at_s = HEAD_S
        presses: list[Press] = []
        while True:
            made = make(places, at_s, rng)
            end_s = max(press.end_s for press in made)
            if end_s > seconds - TAIL_S:
                return sorted(presses, key=lambda press: press.start_s)
            presses += made
            at_s = end_s + rng.uniform(*pause_s)

    return play


def together(*players: Player) -> Player:
    """Several players at once; where two would strike one zone at one time, the later one does not.

    Loads that stay (things, bodies) do not keep others off.
    """

    def play(places: Places, seconds: float, rng: Random) -> list[Press]:
        every = [press for player in players for press in player(places, seconds, rng)]
        kept: list[Press] = []
        free_s = [0.0] * len(places)
        for press in sorted(every, key=lambda press: press.start_s):
            if not press.touch.sure:
                kept.append(press)
            elif free_s[press.zone] <= press.start_s:
                kept.append(press)
                free_s[press.zone] = press.end_s + TRAVEL_S
        return kept

    return play


def _loudness(rng: Random, newton: tuple[float, float]) -> float:
    return exp(rng.uniform(log(newton[0]), log(newton[1])))


def one_roll(places: Places, at_s: float, rng: Random) -> list[Press]:
    return gestures.roll(
        rng.randrange(len(places)),
        at_s,
        _loudness(rng, (6.0, 40.0)),
        rng.randint(6, 24),
        rng.uniform(7.0, 12.0),
        rng,
    )


def one_stand(places: Places, at_s: float, rng: Random) -> list[Press]:
    left, right = rng.sample(range(len(places)), 2)
    return gestures.stand(left, right, at_s, rng.uniform(120.0, 260.0), rng.uniform(6, 25), rng)


def one_jump(places: Places, at_s: float, rng: Random) -> list[Press]:
    left, right = rng.sample(range(len(places)), 2)
    return gestures.jump(
        left, right, at_s, _loudness(rng, (250.0, 700.0)), rng.uniform(0.2, 0.5), rng
    )


def one_second_strike(places: Places, at_s: float, rng: Random) -> list[Press]:
    force = _loudness(rng, gestures.STOMP_NEWTON)
    zone, hold_s = rng.randrange(len(places)), rng.uniform(0.3, 1.0)
    return gestures.strike_again(zone, at_s, force, hold_s, rng)


def one_slide(places: Places, at_s: float, rng: Random) -> list[Press]:
    """Three to five zones in a row, each the nearest one that was not yet slid over."""
    path = [rng.randrange(len(places))]
    for _ in range(rng.randint(2, 4)):
        here = places[path[-1]]
        left = [zone for zone in range(len(places)) if zone not in path]
        path.append(min(left, key=lambda zone: (_apart(here, places[zone]), rng.random())))
    return gestures.slide(path, at_s, rng.uniform(40.0, 120.0), rng)


def one_body(places: Places, at_s: float, rng: Random) -> list[Press]:
    """Someone sits or lies down on four to nine zones around a place."""
    middle = rng.choice(places)
    near = sorted(range(len(places)), key=lambda zone: _apart(middle, places[zone]))
    return gestures.body(near[: rng.randint(4, 9)], at_s, rng.uniform(5.0, 20.0), rng)


def things(places: Places, seconds: float, rng: Random) -> list[Press]:
    """Three bags that are put down early and stay to the end."""
    return [
        gestures.thing(zone, HEAD_S + 2.0 * place, rng.uniform(4.0, 15.0), seconds - 15.0, rng)
        for place, zone in enumerate(rng.sample(range(len(places)), 3))
    ]


def beside_things(player: Player, known_s: float) -> Player:
    """A player among `things`; strikes on one of them must be heard once it has lain `known_s`."""

    def play(places: Places, seconds: float, rng: Random) -> list[Press]:
        put = things(places, seconds, rng)
        known = {press.zone: press.start_s + known_s for press in put}
        presses = list(put)
        for press in player(places, seconds, rng):
            lying = known.get(press.zone, 0.0)
            if press.start_s < lying:
                continue  # what falls on a thing that has just been put down is no test of anything
            presses.append(press)
        return sorted(presses, key=lambda press: press.start_s)

    return play


def lessons(
    places: Places, hands: bool, start_s: float, seed: int, alike: bool = False
) -> list[Press]:
    """What a calibration asks for: each zone in turn, soft and then hard.

    alike: whether every zone gets exactly the same two presses.
    """
    rng = Random(seed)
    presses = []
    for zone in range(len(places)):
        if alike:
            rng = Random(seed)
        if hands:
            soft = gestures.hand(zone, start_s, rng.uniform(3.0, 6.0), 0.25, rng)
            hard = gestures.hand(zone, start_s + 0.6, rng.uniform(45.0, 60.0), 0.25, rng)
        else:
            soft = gestures.step(zone, start_s, rng.uniform(60.0, 100.0), 0.4, rng)
            hard = gestures.stomp(zone, start_s + 0.7, rng.uniform(400.0, 600.0), 0.3, rng)
        presses += [soft, hard]
        start_s = hard.end_s + 0.3
    return presses


def _apart(one: tuple[float, float], other: tuple[float, float]) -> float:
    return hypot(one[0] - other[0], one[1] - other[1])
