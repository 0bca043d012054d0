"""The circuit's law against published figures.

Sources:
    force, resistance and output voltage of a force-sensitive resistor, 5 V and 10 kohm, as printed
        in a widely used component tutorial
    Vout = V+ * RM / (RM + Rfsr): FSR 400 series data sheet, sensor to the supply, RM to ground
    code = 1024 * Vin / Vref, kept to 0-1023: MCP3008 data sheet DS21295
    conductance about proportional to force in the middle of the range: FSR integration guide
"""

from __future__ import annotations

from itertools import pairwise
from math import log

import pytest

from matbridge.sensing.law import FORCE_POWER, highest_reading, load, sensor_ohm
from matbridge.sensing.settings import SensorSpec, SensorType

# newtons, ohms, volts at 10 kohm as printed to a tenth; codes at 1, 3.3, 10 and 47 kohm follow from
# the two formulas above.
PUBLISHED = [
    (0.2, 30_000.0, 1.3, (33, 101, 256, 625)),
    (1.0, 6_000.0, 3.1, (146, 363, 640, 908)),
    (10.0, 1_000.0, 4.5, (512, 785, 930, 1002)),
    (100.0, 250.0, 4.9, (819, 951, 999, 1018)),
]
RESISTORS = (1_000.0, 3_300.0, 10_000.0, 47_000.0)
CASES = [
    (ohm, fixed, code)
    for _, ohm, _, codes in PUBLISHED
    for fixed, code in zip(RESISTORS, codes, strict=True)
]


def spec(fixed_ohm: float) -> SensorSpec:
    return SensorSpec(SensorType.FORCE, 10, fixed_ohm)


@pytest.mark.parametrize(("ohm", "fixed_ohm", "code"), CASES)
def test_the_sensor_is_found_again_from_its_code(ohm: float, fixed_ohm: float, code: int) -> None:
    """A code stands for all voltages up to the next; the published resistance is among them."""
    assert sensor_ohm(spec(fixed_ohm), code) >= ohm * 0.999
    assert sensor_ohm(spec(fixed_ohm), code + 1) <= ohm * 1.001


@pytest.mark.parametrize(("newton", "ohm", "volt", "codes"), PUBLISHED)
def test_load_is_the_printed_voltage_over_the_rest_of_the_supply(
    newton: float, ohm: float, volt: float, codes: tuple[int, ...]
) -> None:
    measured = load(spec(10_000.0), codes[2])
    assert measured == pytest.approx(10_000.0 / ohm, rel=0.02)
    # The table prints tenths of a volt, so near the supply it says little of the sensor.
    assert measured * 5.0 / (1.0 + measured) == pytest.approx(volt, abs=0.06)


@pytest.mark.parametrize("fixed_ohm", RESISTORS)
def test_load_does_not_depend_on_the_fixed_resistor_but_by_its_unit(fixed_ohm: float) -> None:
    for _, ohm, _, codes in PUBLISHED:
        code = codes[RESISTORS.index(fixed_ohm)]
        low, high = load(spec(fixed_ohm), code), load(spec(fixed_ohm), code + 1)
        assert low * 1e6 / fixed_ohm <= 1e6 / ohm * 1.001
        assert high * 1e6 / fixed_ohm >= 1e6 / ohm * 0.999


def test_force_goes_with_the_power_of_load_that_the_published_points_have() -> None:
    powers = [
        log(newton_b / newton_a) / log(ohm_a / ohm_b)
        for (newton_a, ohm_a, *_), (newton_b, ohm_b, *_) in pairwise(PUBLISHED)
    ]
    assert powers == pytest.approx([1.0, 1.285, 1.661], abs=0.001)
    assert powers[1] < FORCE_POWER < powers[2]


@pytest.mark.parametrize("fixed_ohm", RESISTORS[:3])
def test_a_bridge_to_the_supply_reads_higher_than_any_published_load(fixed_ohm: float) -> None:
    assert max(code for _, fixed, code in CASES if fixed == fixed_ohm) < highest_reading(
        spec(fixed_ohm)
    )
    assert highest_reading(spec(fixed_ohm)) < 1023
