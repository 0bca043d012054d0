"""Velocity, pressure and lengths of a preset or zone, compiled to plans."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from matbridge.mapping.choice import Keyed
from matbridge.mapping.curves import DEFAULT_BEND, table
from matbridge.mapping.lengths import note_value
from matbridge.mapping.plan import (
    MIDI_BOARD,
    NO_LENGTH,
    Hold,
    Length,
    MatPlan,
    PressurePlan,
    PressureTarget,
    Table,
    VelocityPlan,
)
from matbridge.mapping.resolve import Said
from matbridge.mapping.schema_sound import (
    BendPressure,
    ChannelPressure,
    ControlPressure,
    Following,
    PolyphonicPressure,
)
from matbridge.midi.messages import BEND_CENTRE, BEND_MAX
from matbridge.sensing.settings import SensorType
from matbridge.sensing.touch import VelocitySource

# What a mat plays unless told otherwise: the speed of the rise still tells soft from hard
# where a standing foot saturates the sensor. A switch knows neither.
DEFAULT_SOURCES = {
    SensorType.FORCE: "rise",
    SensorType.LEVEL: "rise",
    SensorType.SWITCH: "fixed",
}

# The velocity of strikes that are all alike: mezzo-forte to forte on most synths (common practice).
FIXED_VELOCITY = 100

FULL_VELOCITY = (1, 127)


def default_source(mat: MatPlan) -> str:
    """What velocity comes from unless a preset says; a MIDI board has measured its peaks."""
    if all(board.port == MIDI_BOARD for board in mat.boards):
        return "peak"
    return DEFAULT_SOURCES[mat.sensor.type]


def velocity_plan(said: Mapping[str, Said], source: str) -> VelocityPlan:
    """The velocity of a zone from all that was said of it, by key; `source` unless it says one."""
    source = said["from"].value if "from" in said else source
    low, high = said["range"].value if "range" in said else FULL_VELOCITY
    curve = said["curve"].value if "curve" in said else None
    if curve is None and source == "fixed" and "range" not in said:
        curve = Keyed("fixed", FIXED_VELOCITY)
    release = "release" in said and said["release"].value
    return VelocityPlan(
        VelocitySource(source),
        curve_table(curve, low, high),
        table("linear", None, 0, 127) if release else None,
    )


def curve_table(curve: object, low: int, high: int) -> Table:
    """The table of a curve as written (None: linear) over a range."""
    match curve:
        case None:
            return table("linear", None, low, high)
        case Keyed("fixed", value):
            return table("linear", None, value, value)
        case Keyed(kind, detail):
            return table(kind, detail, low, high)
        case str():
            return table(curve, None if curve == "linear" else DEFAULT_BEND, low, high)
    raise AssertionError(curve)


def pressure_plans(pressure: object, bend_range: int) -> tuple[PressurePlan, ...]:
    """The plans of a `pressure` as written: nothing, one, or several."""
    if pressure is None or isinstance(pressure, str):
        return ()
    each = pressure if isinstance(pressure, list) else [pressure]
    return tuple(_pressure_plan(one, bend_range) for one in each)


def _pressure_plan(pressure: Any, bend_range: int) -> PressurePlan:
    match pressure:
        case ChannelPressure():
            return following(PressureTarget.CHANNEL, 0, pressure, pressure.range)
        case PolyphonicPressure():
            return following(PressureTarget.POLY, 0, pressure, pressure.range)
        case ControlPressure() if pressure.bits == 14:
            span = fine(pressure.range)
            return following(PressureTarget.CONTROL_14, pressure.control, pressure, span)
        case ControlPressure():
            return following(PressureTarget.CONTROL, pressure.control, pressure, pressure.range)
        case BendPressure():
            span = (BEND_CENTRE, bend_value(pressure.semitones, bend_range))
            return following(PressureTarget.BEND, 0, pressure, span)
    raise AssertionError(pressure)


def following(
    target: PressureTarget, control: int, how: Following, span: tuple[int, int]
) -> PressurePlan:
    """How something follows the pressure."""
    wide = target in (PressureTarget.CONTROL_14, PressureTarget.BEND)
    return PressurePlan(
        target=target,
        control=control,
        table=curve_table(how.curve, *span),
        smoothing_s=how.smoothing_ms / 1000,
        dead_band=how.dead_band * (128 if wide else 1),
        interval_s=how.every_ms / 1000,
    )


def fine(span: tuple[int, int]) -> tuple[int, int]:
    """A range of 7 bits as the same part of 14: 0 is 0 and 127 is 16383."""
    low, high = span
    return low << 7 | low, high << 7 | high


def bend_value(semitones: float, bend_range: int) -> int:
    """The 14-bit pitch bend for so many semitones; the range's end where they go beyond it."""
    value = BEND_CENTRE + round(BEND_CENTRE * semitones / bend_range)
    return min(max(value, 0), BEND_MAX)


@lru_cache(maxsize=64)
def _note_value(text: str) -> Length:
    return note_value(text)


def length(said: object) -> Length:
    """A length as written."""
    match said:
        case str():
            return _note_value(said)
        case Keyed("beats", value):
            return Length(beats=value)
        case Keyed("seconds", value):
            return Length(seconds=value)
    raise AssertionError(said)


HOLDS = {"touch": Hold.TOUCH, "toggle": Hold.TOGGLE, "choke": Hold.GROUP}


def hold(said: object) -> tuple[Hold, Length]:
    """A hold as written: a word, or a length."""
    if said is None:
        return Hold.TOUCH, NO_LENGTH
    if isinstance(said, str) and said in HOLDS:
        return HOLDS[said], NO_LENGTH
    return Hold.LENGTH, length(said)
