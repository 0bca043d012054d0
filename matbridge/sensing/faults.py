"""What can be wrong with a zone, and how a person is told."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class FaultKind(StrEnum):
    """What is wrong with a zone, as far as its readings tell. All but OBJECT mute it."""

    DEAD = "dead"
    STUCK = "stuck"
    SHORTED = "shorted"
    CHATTERING = "chattering"
    DISCONNECTED = "disconnected"
    OBJECT = "object"


# What it means, and what to do.
ADVICE = {
    FaultKind.DEAD: "reads nothing at all; look at its sensor and both its wires",
    FaultKind.STUCK: "reads one value and never moves; look for a wire pinched to the supply",
    FaultKind.SHORTED: "moves as one with another zone; look for a bridge between the two wires",
    FaultKind.CHATTERING: "makes and breaks faster than any foot; look for a loose contact",
    FaultKind.DISCONNECTED: "picks up noise like an open input; look for a broken wire",
    FaultKind.OBJECT: "something lies on it; taken as its new rest until it is moved",
}


@dataclass(frozen=True, slots=True)
class FaultReport:
    """A fault found, or (recovered) a fault that is over.

    zone: index of the mat's zone. other: for SHORTED the zone it moves with, else -1.
    """

    kind: FaultKind
    zone: int
    time_s: float
    recovered: bool = False
    other: int = -1
