"""The mat to simulate: what its owner would know of it, and what only its maker could."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import hypot
from typing import Literal

Sensor = Literal["force", "level", "switch"]

# A forefoot fills this much; zones cannot well be closer than this, so leakage is scaled to it.
NEAR_CM = 15.0

# Leakage under this is less than any sensor's break force, whoever jumps: not worth computing.
SMALLEST_LEAKAGE = 0.0005

# One chip reads eight channels in turn through one sampling capacitor (MCP3008 data sheet).
CONVERTER_CHANNELS = 8


@dataclass(frozen=True, slots=True)
class Flaws:
    """How far from ideal the mat is built. The defaults are a carefully built one.

    spread: of the parts' gain, +-. rest_newton: most that lies on a sensor at rest (a carpet).
    noise: standard deviation, as a share of full scale. hum, hum_hz: amplitude of mains hum, as a
    share of full scale. ghosting: share of the channel before it in the same converter that a
    channel still shows. leakage: share of a force that a zone `NEAR_CM` away feels; it halves with
    every `leakage_half_cm` more. leads: share of an electrode that its lead is, which runs off to
    the left under every zone of its row ("level" and "switch"). warm_up_c, warm_up_s: degrees that
    the mat warms up by, and the time constant of it. drift, drift_s: slow wandering of the rest,
    as a share of full scale, and its period (electrodes).
    """

    spread: float = 0.15
    rest_newton: float = 0.15
    noise: float = 0.0006
    hum: float = 0.0
    hum_hz: float = 50.0
    ghosting: float = 0.0
    leakage: float = 0.02
    leakage_half_cm: float = 10.0
    leads: float = 0.0
    warm_up_c: float = 0.0
    warm_up_s: float = 600.0
    drift: float = 0.0
    drift_s: float = 1800.0


@dataclass(frozen=True, slots=True)
class SimulatedMat:
    """A mat and the board that reads it.

    places_cm: centre (x, y) of each zone. channels: for each channel of the board the zone on it,
    or -1 for a channel left open; one a zone, in order, when empty. sensor: what lies under the
    zones. bits: width of a reading, 1-16. fixed_resistor_ohm: of the divider, for "force".
    """

    places_cm: tuple[tuple[float, float], ...]
    channels: tuple[int, ...] = ()
    sensor: Sensor = "force"
    bits: int = 10
    fixed_resistor_ohm: float = 1_000.0
    flaws: Flaws = field(default_factory=Flaws)

    @property
    def zone_of_channel(self) -> tuple[int, ...]:
        return self.channels or tuple(range(len(self.places_cm)))

    def neighbours(self) -> tuple[tuple[tuple[int, float], ...], ...]:
        """For each zone the zones that feel its force, each with the share that they feel."""
        flaws = self.flaws
        table = []
        for zone, (x_cm, y_cm) in enumerate(self.places_cm):
            felt = []
            for other, (other_x_cm, other_y_cm) in enumerate(self.places_cm):
                away_cm = hypot(other_x_cm - x_cm, other_y_cm - y_cm)
                share = flaws.leakage * 0.5 ** ((away_cm - NEAR_CM) / flaws.leakage_half_cm)
                share = min(share, 2 * flaws.leakage)
                if self.sensor != "force" and x_cm < other_x_cm and abs(y_cm - other_y_cm) < 1.0:
                    share += flaws.leads
                if other != zone and share >= SMALLEST_LEAKAGE:
                    felt.append((other, share))
            table.append(tuple(felt))
        return tuple(table)


def grid(columns: int, rows: int, pitch_cm: float) -> tuple[tuple[float, float], ...]:
    """Places of zones in straight rows, row by row."""
    return tuple(
        (column * pitch_cm, row * pitch_cm) for row in range(rows) for column in range(columns)
    )


def stepping_stones(first: int, rows: int, pitch_cm: float) -> tuple[tuple[float, float], ...]:
    """Places of zones in staggered rows: `first` in the first, one fewer in every second."""
    return tuple(
        ((column + (row % 2) / 2) * pitch_cm, row * pitch_cm * 0.9)
        for row in range(rows)
        for column in range(first - row % 2)
    )
