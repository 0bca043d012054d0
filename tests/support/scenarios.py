"""Scenes on a simulated mat that a detector is judged by: one table, used by tests and bench."""

from __future__ import annotations

from dataclasses import dataclass, replace

from matbridge.board.simulated.faults import Fault, FaultKind
from matbridge.board.simulated.gestures import (
    HAND_NEWTON,
    STEP_NEWTON,
    STOMP_NEWTON,
    hand,
    heel_toe,
    lean,
    step,
    stomp,
)
from matbridge.board.simulated.mat import Flaws, SimulatedMat, grid
from matbridge.sensing.touch import VelocitySource
from tests.support import players
from tests.support.players import Player, limbs, repeating, together

# Sensors out of the bag differ by a quarter (the guides' 15-25 %).
SOUND = Flaws(spread=0.25)
MAT = SimulatedMat(grid(6, 4, 30.0), flaws=SOUND)

# One sheet of soft foam over all zones.
LEAKY = replace(MAT, places_cm=grid(6, 4, 15.0), flaws=replace(SOUND, leakage=0.06))

# An object is the new rest after the detector's 30 s; a little later it must play again.
KNOWN_S = 45.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """One scene.

    says: what goes on. minutes: of play, in the full run. hands: whether the mat was calibrated by
    hand, not by foot. source: of velocity, as a preset for it would choose. by_peak: whether its
    true strength is the strike's peak force, else its rate of rise. quick: whether the onset
    delay is held to the figures for hands and stomps. rho: least rank correlation, 0 for none.
    """

    name: str
    says: str
    minutes: float
    player: Player
    mat: SimulatedMat = MAT
    hands: bool = False
    source: VelocitySource = VelocitySource.RISE
    by_peak: bool = False
    quick: bool = False
    rho: float = 0.0
    faults: tuple[Fault, ...] = ()


HANDS = limbs(hand, HAND_NEWTON, 4.0, (0.08, 0.35))
STOMPS = limbs(stomp, STOMP_NEWTON, 2.0, (0.2, 0.5))
STEPS = limbs(step, STEP_NEWTON, 1.5, (0.3, 0.8))

_FAULTS = (
    Fault(2, FaultKind.LOOSE, 20.0),
    Fault(5, FaultKind.DEAD, 30.0),
    Fault(9, FaultKind.STUCK, 40.0),
    Fault(13, FaultKind.SHORTED, 50.0),
    Fault(18, FaultKind.CHATTER, 60.0),
    Fault(22, FaultKind.OPEN, 70.0),
)

SCENARIOS: tuple[Scenario, ...] = (
    Scenario(
        "hands", "two hands, from a tap to a slap", 20, HANDS,
        hands=True, source=VelocitySource.PEAK, by_peak=True, quick=True, rho=0.95,
    ),
    Scenario(
        "rolls", "both hands in turn on one zone, 7 to 12 a second", 8,
        repeating(players.one_roll, (0.3, 0.8)),
        hands=True, source=VelocitySource.PEAK, by_peak=True, quick=True,
    ),
    Scenario("stomps", "feet come down hard", 15, STOMPS, quick=True, rho=0.9),
    Scenario(
        "stomps, 10 kohm", "the same with a fixed resistor that saturates under any foot", 8,
        STOMPS, mat=replace(MAT, fixed_resistor_ohm=10_000.0), quick=True, rho=0.9,
    ),
    Scenario("steps", "feet step on and roll off, with a double hump", 15, STEPS),
    Scenario(
        "heel and toe", "feet roll from heel to toe within a zone", 6,
        limbs(heel_toe, STEP_NEWTON, 1.5, (0.3, 0.9)),
    ),
    Scenario(
        "standing", "two feet stand and shift their weight", 8,
        repeating(players.one_stand, (0.3, 1.0)),
    ),
    Scenario(
        "second strikes", "a stomp, and another before the toes have left", 6,
        repeating(players.one_second_strike, (0.2, 0.6)),
    ),
    Scenario(
        "jumps", "up and down again on two zones", 6, repeating(players.one_jump, (0.2, 0.6))
    ),
    Scenario(
        "slides", "a foot glides from zone to zone", 5, repeating(players.one_slide, (0.2, 0.6))
    ),
    Scenario(
        "bodies", "someone sits or lies on many zones", 5,
        repeating(players.one_body, (1.0, 3.0)),
    ),
    Scenario(
        "things", "bags left on three zones, stomps on and beside them", 8,
        players.beside_things(STOMPS, KNOWN_S),
    ),
    Scenario(
        "leaky, by hand", "zones 15 cm apart in one sheet of foam: 6 % leaks to the next", 6, HANDS,
        mat=LEAKY, hands=True, source=VelocitySource.PEAK, by_peak=True, quick=True,
    ),
    Scenario(
        "leaky, by foot", "zones 30 cm apart in that sheet: 2 % leaks to the next", 6, STOMPS,
        mat=replace(LEAKY, places_cm=MAT.places_cm), quick=True,
    ),
    Scenario(
        "too close", "feet on zones 15 cm apart, narrower than a foot", 3, STOMPS,
        mat=LEAKY,
    ),
    Scenario(
        "noise and hum", "2 codes of noise and 8 of mains hum", 8, HANDS,
        mat=replace(MAT, flaws=replace(SOUND, noise=0.002, hum=0.008)),
        hands=True, source=VelocitySource.PEAK, by_peak=True, quick=True, rho=0.95,
    ),
    Scenario(
        "ghosts", "3 % of each channel in the next of its converter", 6, STOMPS,
        mat=replace(MAT, flaws=replace(SOUND, ghosting=0.03)), quick=True,
    ),
    Scenario(
        "carpet", "up to 3 N lie on every sensor", 8, HANDS,
        mat=replace(MAT, flaws=replace(SOUND, rest_newton=3.0)),
        hands=True, source=VelocitySource.PEAK, by_peak=True, quick=True, rho=0.95,
    ),
    Scenario(
        "warming up", "20 degrees in half an hour, with a carpet on", 12,
        limbs(hand, HAND_NEWTON, 1.0, (0.1, 0.4)),
        mat=replace(MAT, flaws=replace(SOUND, rest_newton=3.0, warm_up_c=20.0)),
        hands=True, source=VelocitySource.PEAK, by_peak=True, quick=True,
    ),
    Scenario(
        "faults", "six channels fail, one after the other, while others play", 5, HANDS,
        hands=True, source=VelocitySource.PEAK, by_peak=True, quick=True, faults=_FAULTS,
    ),
    Scenario(
        "electrodes", "capacitive, raw level, with drift and leads under other zones", 5,
        limbs(hand, HAND_NEWTON, 2.0, (0.15, 0.5)),
        mat=replace(MAT, sensor="level", flaws=replace(SOUND, leads=0.10, drift=0.01)),
        hands=True, source=VelocitySource.PEAK,
    ),
    Scenario(
        "touch chip", "on and off only", 5, limbs(hand, HAND_NEWTON, 3.0, (0.1, 0.4)),
        mat=replace(MAT, sensor="switch", bits=1),
        hands=True, source=VelocitySource.FIXED,
    ),
    Scenario(
        "band", "two on the mat at once: hands, feet, leaning, rolls", 12,
        together(
            limbs(hand, HAND_NEWTON, 3.0, (0.08, 0.35)),
            limbs(lean, (6.0, 20.0), 0.4, (0.6, 3.0), count=1),
            limbs(stomp, STOMP_NEWTON, 0.8, (0.2, 0.5)),
            repeating(players.one_stand, (1.0, 4.0)),
        ),
        source=VelocitySource.BOTH,
    ),
)  # fmt: skip

BY_NAME = {scenario.name: scenario for scenario in SCENARIOS}
