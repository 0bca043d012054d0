"""A force-sensitive resistor in a divider, as data sheets describe it: force to voltage.

    force ─▶ mechanical lag ─▶ hysteresis ─▶ law of the sensor ─▶ creep, temperature ─▶ divider

Sources of the figures, by the constant that holds them:
    [table]  force, resistance and voltage of a force-sensitive resistor at 5 V and 10 kohm, as
             published in a widely used component tutorial
    [sheet]  data sheet of a 12.7 mm round force-sensitive resistor (FSR 400 series)
    [guide]  integration guides of the maker of that series, older and newer issue
What has no source is said to be our choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt
from random import Random

# [table] Newtons and microsiemens (0.2 N 30 kohm, 1 N 6 kohm, 10 N 1 kohm, 100 N 250 ohm). Between
# the points conductance goes with a power of force, that is, straight in the logarithms.
PUBLISHED = ((0.2, 1e6 / 30_000), (1.0, 1e6 / 6_000), (10.0, 1e6 / 1_000), (100.0, 1e6 / 250))

# Above 100 N on 1.27 cm2, 0.8 MPa, the sensor goes into saturation ([guide]: near 0.7-1.4 MPa). How
# far it still goes is our choice: half as much again, with the slope it had at 100 N.
SATURATED_US = 6_000.0

# Where the law's table ends: a stomp with the whole body (our choice: nothing is left to tell).
MAX_NEWTON = 900.0

# [guide] (R+ - R-) / R+ is 10 %: resistance at one force, rising against falling. As force, with
# conductance going with about the 0.7th power in between, that is 7.5 % either way of the middle.
HYSTERESIS = 0.075

# [sheet] Less than 5 % a decade of time under a standing load; one exponential stands for a decade.
CREEP_A_DECADE = 0.05
CREEP_TIMES_S = (0.3, 3.0, 30.0)

# [guide] Mechanical rise of 1-2 ms from 10 to 90 %, 2.2 time constants of a first-order lag.
MECHANICAL_LAG_S = 0.0007

# [guide] 20-100 g before the resistance breaks down from above 100 kohm to 10 kohm.
BREAK_NEWTON = (0.2, 1.0)

# [sheet] Resistance falls 15 % at +85 C, an hour long; from 25 C that is 0.25 % a degree.
RESISTANCE_A_DEGREE = -0.15 / 60

# The top layer of a mat springs back late: a hundredth of the load that stood on it, for a while
# (our choice, for closed-cell foam).
FOAM_SHARE = 0.01
FOAM_RECOVERY_S = 0.3

# A sensor that is so near its rest again, as a share of the supply (a tenth of a 10-bit code), is
# taken to be there.
SETTLED = 0.0001

# The law as a table over the root of the force: fine where it is steep.
_STEPS_A_ROOT_NEWTON = 100


def published_conductance_us(newton: float) -> float:
    """Microsiemens of the published sensor under a force, in newtons."""
    if newton <= 0.0:
        return 0.0
    last_newton, last_us = PUBLISHED[-1]
    if newton > last_newton:
        before_newton, before_us = PUBLISHED[-2]
        power = log(last_us / before_us) / log(last_newton / before_newton)
        room_us = SATURATED_US - last_us
        return SATURATED_US - room_us * exp(
            -(newton - last_newton) * power * last_us / last_newton / room_us
        )
    above = next(index for index, (at, _) in enumerate(PUBLISHED) if newton <= at)
    # Under the first point, where the sensor breaks down anyway, its first stretch goes on.
    (low_newton, low_us), (high_newton, high_us) = PUBLISHED[max(above, 1) - 1 : max(above, 1) + 1]
    power = log(high_us / low_us) / log(high_newton / low_newton)
    return float(low_us * (newton / low_newton) ** power)


LAW = tuple(
    published_conductance_us((step / _STEPS_A_ROOT_NEWTON) ** 2)
    for step in range(int(sqrt(MAX_NEWTON)) * _STEPS_A_ROOT_NEWTON + 2)
)


@dataclass(frozen=True, slots=True)
class Part:
    """One sensor as it left the factory and was taped down.

    gain: its conductance against the published one. break_newton: force at which it starts to
    conduct. rest_newton: what lies on it always.
    """

    gain: float = 1.0
    break_newton: float = 0.3
    rest_newton: float = 0.0


def draw_part(rng: Random, spread: float, rest_newton: float) -> Part:
    """A part out of the bag: its gain within +-`spread` ([guide]: 15-25 %)."""
    return Part(
        gain=1.0 + rng.uniform(-spread, spread),
        break_newton=rng.uniform(*BREAK_NEWTON),
        rest_newton=rng.uniform(0.0, rest_newton),
    )


class ForceSensor:
    """One part in its divider, with what it remembers: `voltages` moves it on in time.

    Voltages are fractions of the supply, 0.0 to 1.0, across the fixed resistor to ground.
    """

    __slots__ = (
        "_creep",
        "_creep_follow",
        "_felt",
        "_fixed_us",
        "_foam",
        "_foam_follow",
        "_lag_follow",
        "_memory",
        "_part",
        "_rest_us",
        "_voltage",
        "_warmth",
    )

    def __init__(self, part: Part, fixed_resistor_ohm: float, step_s: float, block: int) -> None:
        """`step_s` between samples; `voltages` is called for `block` of them at a time."""
        self._part = part
        self._fixed_us = 1e6 / fixed_resistor_ohm
        self._lag_follow = 1.0 - exp(-step_s / MECHANICAL_LAG_S)
        self._creep_follow = tuple(1.0 - exp(-step_s * block / time_s) for time_s in CREEP_TIMES_S)
        self._foam_follow = 1.0 - exp(-step_s * block / FOAM_RECOVERY_S)
        # As after a press, which is how a mat that was laid out and walked on lies there.
        rest_memory = part.rest_newton / (1.0 - HYSTERESIS)
        self._felt = part.rest_newton
        self._memory = rest_memory
        self._creep = [0.0] * len(CREEP_TIMES_S)
        self._foam = 0.0
        self._warmth = 1.0  # conductance against that of 25 C
        self._rest_us = self._conductance_us(rest_memory)
        self._voltage = self.rest_voltage

    def set_temperature(self, above_25_c: float) -> None:
        self._warmth = 1.0 / (1.0 + RESISTANCE_A_DEGREE * above_25_c)

    @property
    def settled(self) -> bool:
        """Whether it is back at rest, so that `rest_voltage` holds until it is pressed."""
        return abs(self._voltage - self.rest_voltage) < SETTLED

    def pass_time(self, blocks: int) -> None:
        """Let blocks of time go by, unpressed and settled."""
        if self._foam or any(self._creep):
            self._foam *= (1.0 - self._foam_follow) ** blocks
            self._creep = [
                level * (1.0 - follow) ** blocks
                for level, follow in zip(self._creep, self._creep_follow, strict=True)
            ]

    @property
    def rest_voltage(self) -> float:
        conductance_us = self._rest_us * self._warmth
        return conductance_us / (conductance_us + self._fixed_us)

    def voltages(self, forces: list[float]) -> list[float]:
        """Voltages under forces (newtons) of one block."""
        part, law, root = self._part, LAW, sqrt
        rest, fixed_us, follow = part.rest_newton + self._foam, self._fixed_us, self._lag_follow
        felt, memory = self._felt, self._memory
        up, down = 1.0 / (1.0 + HYSTERESIS), 1.0 / (1.0 - HYSTERESIS)
        gain = part.gain * self._warmth * (1.0 + sum(self._creep))
        inverse_break, highest = 1.0 / part.break_newton, MAX_NEWTON
        out = []
        for force in forces:
            felt += (force + rest - felt) * follow
            if memory < felt * up:
                memory = felt * up
            elif memory > felt * down:
                memory = felt * down
            place = root(memory if memory < highest else highest) * _STEPS_A_ROOT_NEWTON
            step = int(place)
            low = law[step]
            opened = memory * inverse_break
            opened *= opened
            opened *= opened
            conductance = (
                gain * (low + (law[step + 1] - low) * (place - step)) * opened / (1.0 + opened)
            )
            out.append(conductance / (conductance + fixed_us))
        self._felt, self._memory = felt, memory
        self._voltage = out[-1]
        load = forces[-1]
        # Creep is a growth of contact: it needs a load, and leaves with it.
        target = CREEP_A_DECADE if felt > rest + part.break_newton else 0.0
        creep = self._creep
        for index, creep_follow in enumerate(self._creep_follow):
            creep[index] += (target - creep[index]) * creep_follow
        self._foam += (FOAM_SHARE * load - self._foam) * self._foam_follow
        return out

    def _conductance_us(self, newton: float) -> float:
        place = sqrt(min(newton, MAX_NEWTON)) * _STEPS_A_ROOT_NEWTON
        step = int(place)
        opened = (newton / self._part.break_newton) ** 4
        law_us = LAW[step] + (LAW[step + 1] - LAW[step]) * (place - step)
        return self._part.gain * law_us * opened / (1.0 + opened)
