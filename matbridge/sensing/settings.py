"""What the mat file says about its sensors and how to read them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class SensorType(StrEnum):
    """What lies under a zone.

    FORCE is a force-sensitive resistor in a divider, linearised; LEVEL the reading as it is;
    SWITCH on or off.
    """

    FORCE = "force"
    LEVEL = "level"
    SWITCH = "switch"


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """The sensor under every zone, and the converter that reads it.

    bits: width of a reading, 1-16. fixed_resistor_ohm: the divider's fixed part, for FORCE.
    """

    type: SensorType
    bits: int
    fixed_resistor_ohm: float


@dataclass(frozen=True, slots=True)
class SensingSettings:
    """How touches are told from readings. The defaults suit a foot mat."""
