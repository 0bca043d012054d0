"""A mat that is computed: bodies, forces, sensors, converters and wires, down to the board's bytes.

    score      what bodies do: presses, as forces over time, and the touches that were meant by them
    gestures   hands, feet, stomps, rolls, jumps, bodies, objects: builders of presses
    pieces     written pieces to play: the demo's, and a walk over every zone
    sensor     force to conductance to the divider's voltage, with the flaws that parts have
    electrode  the same for capacitive electrodes and switches
    mat        the mat to simulate: its zones, its parts, its flaws
    faults     channels that fail
    render     all of it joined: presses in, scans out; no clock
    link       the scans as a board would send them, in time

Everything is drawn from a seed: the same mat, presses, rate and seed give the same scans.
"""

from matbridge.board.simulated.link import SimulatedLink
from matbridge.board.simulated.mat import SimulatedMat
from matbridge.board.simulated.render import render

__all__ = ["SimulatedLink", "SimulatedMat", "render"]
