"""Written pieces for the simulated mat; endless, so that whoever listens decides when to stop."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from random import Random

from matbridge.board.simulated.gestures import HAND_NEWTON, STEP_NEWTON, hand, lean, step, stomp
from matbridge.board.simulated.mat import SimulatedMat
from matbridge.board.simulated.score import Press

# A swell of three beats, at the pace of a walk over wet stones.
BEAT_S = 60.0 / 120.0

# Nothing is on the mat for so long at the start, so that whoever listens learns its rest.
REST_S = 1.0

# And for so long before what calibrate and identify ask for: they measure the rest for 3 s first.
CLEAR_S = 5.0

# "Stepping stones in the tide". A line is a voice: (beats, stone from 0, force from 0 to 1); a
# stone of None is a rest. On stones in playing order over D dorian: ebb, flood, and ebb again.
Line = tuple[tuple[float, int | None, float], ...]

_EBB: Line = (
    (2, 4, 0.35), (1, 7, 0.40), (1, 8, 0.45), (1, 9, 0.50), (1, 8, 0.40),
    (2, 7, 0.40), (1, 6, 0.35), (3, 4, 0.30),
    (2, 4, 0.40), (1, 6, 0.40), (1, 7, 0.45), (1, 8, 0.50), (1, 10, 0.60),
    (2, 11, 0.65), (1, 9, 0.50), (3, 8, 0.45),
)  # fmt: skip
_FLOOD: Line = (
    (1.5, 11, 0.70), (0.5, 10, 0.55), (1, 9, 0.55), (2, 8, 0.60), (1, 7, 0.50),
    (1, 9, 0.60), (0.5, 8, 0.50), (0.5, 9, 0.55), (1, 10, 0.60), (3, 11, 0.75),
    (1, 13, 0.95), (0.5, 12, 0.75), (0.5, 11, 0.70), (1, 10, 0.65), (1, 11, 0.70), (1, 8, 0.55),
    (1, 9, 0.60), (1, 8, 0.55), (1, 6, 0.45), (1, 7, 0.40), (3, 4, 0.35), (1, None, 0.0),
)  # fmt: skip
_EBB_BASS: Line = tuple(
    (3, stone, force) for stone, force in
    ((0, 0.5), (3, 0.4), (2, 0.4), (0, 0.5), (0, 0.5), (3, 0.5), (1, 0.5), (3, 0.5))
)  # fmt: skip
_FLOOD_BASS: Line = tuple(
    (1.5, stone, force) for stone, force in
    ((0, 0.7), (0, 0.4), (3, 0.6), (3, 0.4), (2, 0.6), (2, 0.4), (0, 0.8), (0, 0.5),
     (0, 0.9), (3, 0.5), (2, 0.7), (1, 0.5), (3, 0.6), (1, 0.4), (0, 0.7), (None, 0.0))
)  # fmt: skip


def tide(mat: SimulatedMat, seed: int) -> Iterator[Press]:
    """The demo: melody by hand and toe, bass by foot, and between them a wave over every stone."""
    rng = Random(seed)
    start_s = REST_S
    while True:
        for melody, bass in ((_EBB, _EBB_BASS), (_FLOOD, _FLOOD_BASS), (_EBB, _EBB_BASS)):
            presses = [
                *_voice(melody, start_s, mat, rng, hand),
                *_voice(bass, start_s, mat, rng, step),
            ]
            yield from _one_a_zone(presses)
            start_s += BEAT_S * max(_beats(melody), _beats(bass))
        yield from _wave(start_s, mat, rng)
        start_s += BEAT_S * 6


def walk(mat: SimulatedMat, seed: int, clear_s: float = CLEAR_S) -> Iterator[Press]:
    """Over every zone in turn, soft and then hard, again and again: what a calibration asks for."""
    rng = Random(seed)
    start_s = clear_s
    while True:
        for zone in range(len(mat.places_cm)):
            yield hand(zone, start_s, rng.uniform(4.0, 8.0), 0.3, rng)
            yield stomp(zone, start_s + 0.7, rng.uniform(300.0, 600.0), 0.4, rng)
            start_s += 1.5


def one_by_one(mat: SimulatedMat, seed: int, clear_s: float = CLEAR_S) -> Iterator[Press]:
    """Every zone once, in turn, again and again: what finding out the wiring asks for."""
    rng = Random(seed)
    start_s = clear_s
    while True:
        for zone in range(len(mat.places_cm)):
            yield hand(zone, start_s, rng.uniform(10.0, 40.0), 0.4, rng)
            start_s += 1.0


PIECES: dict[str, Callable[[SimulatedMat, int], Iterator[Press]]] = {
    "tide": tide,
    "walk": walk,
    "one by one": one_by_one,
}


def _beats(line: Line) -> float:
    return sum(beats for beats, _, _ in line)


Builder = Callable[[int, float, float, float, Random], Press]


def _voice(
    line: Line, start_s: float, mat: SimulatedMat, rng: Random, builder: Builder
) -> list[Press]:
    low, high = HAND_NEWTON if builder is hand else STEP_NEWTON
    presses = []
    for beats, stone, force in line:
        if stone is not None:
            zone = stone % len(mat.places_cm)
            newton = low * (high / low) ** min(1.0, max(0.0, force + rng.uniform(-0.06, 0.06)))
            early_s = rng.uniform(0.0, 0.012)
            held_s = 0.8 * beats * BEAT_S
            made = lean if builder is hand and beats >= 3 else builder
            presses.append(made(zone, start_s + early_s, newton, held_s, rng))
        start_s += beats * BEAT_S
    return presses


def _wave(start_s: float, mat: SimulatedMat, rng: Random) -> list[Press]:
    """By hand over every zone, from the left edge to the right, and a stomp where it breaks."""
    order = sorted(range(len(mat.places_cm)), key=lambda zone: mat.places_cm[zone])
    pace_s = BEAT_S * 5 / max(1, len(order))
    presses = []
    for place, zone in enumerate(order):
        at_s = start_s + place * pace_s
        newton = 8.0 + 30.0 * place / len(order)
        presses.append(hand(zone, at_s, newton, min(0.5, max(0.09, pace_s * 1.4)), rng))
    if order:
        presses.append(stomp(order[-1], start_s + BEAT_S * 5.4, 500.0, 0.3, rng))
    return _one_a_zone(presses)


def _one_a_zone(presses: list[Press]) -> list[Press]:
    """By time, without what would fall on a zone that is still held (a mat of few zones)."""
    free_s: dict[int, float] = {}
    kept = []
    for press in sorted(presses, key=lambda press: press.start_s):
        if free_s.get(press.zone, 0.0) <= press.start_s:
            kept.append(press)
            free_s[press.zone] = press.end_s + 0.08
    return kept
