"""Readings to load, by the law of the circuit.

FORCE: a force-sensitive resistor R from the supply to the converter's input, and a fixed resistor F
from there to ground. The converter is ratiometric (its reference is the supply), so

    reading / N = F / (F + R)        N = 2**bits steps of the converter

The conductance of such a sensor goes about linearly with force over its middle range, so load is
taken as conductance, in units of 1 / F, which the supply and the fixed resistor cancel out of:

    load = F / R = reading / (N - reading)

With the two parts swapped the reading falls as the load rises: `N - 1 - reading` obeys the same
law, to half a step at either end.

LEVEL: load = reading / N. SWITCH: 1 above half of full scale, else 0.
"""

from __future__ import annotations

from array import array

from matbridge.sensing.settings import SensorSpec, SensorType

# Without a calibration a full press is taken to read this share of full scale. On a force sensor
# with 1 kohm that is 4 mS, about 100 N: one heel.
DEFAULT_FULL = 0.8

# Nearer to the top than this a divider tells no loads apart: one step is a thirtieth of them all.
FULL_SHARE = 0.97

# Resistance of the last published point, 100 N, and about that where data sheets let range end.
LAST_POINT_OHM = 250.0
END_OHM = 150.0

# 1 over 0.65, the middle of the published powers.
FORCE_POWER = 1.5

# A full press, as calibrated, comes this near to where load ends; and force is not reckoned up to
# that end, where it would be without bound.
BEYOND_FULL = 1.08
LEAST_ROOM = 0.25

# A force sensor conducts no better than this, however hard it is pressed; data sheets give about
# 150 ohm for small round ones at the end of their range, larger ones and films go lower.
LEAST_SENSOR_OHM = 30.0


def load(sensor: SensorSpec, reading: float) -> float:
    """The load of a reading, in units of the law; readings beyond the converter are cut off."""
    steps = 1 << sensor.bits
    reading = min(max(reading, 0.0), steps - 1.0)
    if sensor.type is SensorType.FORCE:
        return reading / (steps - reading)
    if sensor.type is SensorType.LEVEL:
        return reading / steps
    return 1.0 if reading * 2 > steps - 1 else 0.0


def reading(sensor: SensorSpec, load: float) -> float:
    """The reading, not rounded, at which a load of 0 or more stands; the inverse of `load`."""
    steps = 1 << sensor.bits
    if sensor.type is SensorType.FORCE:
        return min(steps * load / (1.0 + load), steps - 1.0)
    if sensor.type is SensorType.LEVEL:
        return min(steps * load, steps - 1.0)
    return steps - 1.0 if load > 0.5 else 0.0


def load_table(sensor: SensorSpec) -> array[float]:
    """`load` of every reading from 0 to 2**bits - 1, as far as it can be told."""
    most = load(sensor, FULL_SHARE * ((1 << sensor.bits) - 1))
    return array("d", [min(load(sensor, code), most) for code in range(1 << sensor.bits)])


def force(load: float, most: float, power: float) -> float:
    """A rough force for a load, in units of its own: only the ratio of two means anything.

    Between the published points of a force-sensitive resistor (0.2, 1, 10, 100 N) conductance goes
    with force to the power of 0.78 down to 0.60, so force goes with load to the power of 1.5; above
    them it flattens out, and more and more force stands behind the next bit of load, up to `most`.
    """
    if load <= 0.0:
        return 0.0
    near = load / most
    near *= near
    return float(load**power) / max(1.0 - near * near, LEAST_ROOM)


def force_power(sensor: SensorSpec) -> float:
    """The power for `force`."""
    return FORCE_POWER if sensor.type is SensorType.FORCE else 1.0


def most_load(sensor: SensorSpec, full_load: float) -> float:
    """Where load ends, for `force`, by the load of a full press.

    A full press is one into saturation when it goes beyond the last published point of the sensor,
    or to the end of what the converter can tell; else the sensor's own end is taken.
    """
    converter_load = load(sensor, FULL_SHARE * ((1 << sensor.bits) - 1))
    saturated_load = min(sensor.fixed_resistor_ohm / LAST_POINT_OHM, 0.9 * converter_load)
    if sensor.type is SensorType.FORCE and full_load < saturated_load:
        return sensor.fixed_resistor_ohm / END_OHM
    return BEYOND_FULL * full_load


def highest_reading(sensor: SensorSpec) -> int:
    """The highest reading that the sensor can bring about; beyond it lies a short circuit."""
    top = (1 << sensor.bits) - 1
    if sensor.type is not SensorType.FORCE:
        return top
    return min(top, int(reading(sensor, sensor.fixed_resistor_ohm / LEAST_SENSOR_OHM)))


def sensor_ohm(sensor: SensorSpec, reading: float) -> float:
    """The resistance of a FORCE sensor at a reading; infinite at 0."""
    units = load(sensor, reading)
    return sensor.fixed_resistor_ohm / units if units else float("inf")
