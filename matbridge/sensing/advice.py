"""What a calibration says about each zone, and what its maker can do about it.

Every judgement is a row of CHECKS: a name, how grave it is, when it holds, and the advice. A zone's
verdict is its gravest row. All shares are of the full range of the converter unless they say
otherwise. The figures are common practice of pad and mat builders, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from statistics import median
from typing import NamedTuple

from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.sensing.presses import Companion
from matbridge.sensing.rest import Rest
from matbridge.sensing.settings import SensorSpec, SensorType

# A reading within 3 % of the top no longer grows with force: of a divider, the sensor is then below
# a thirtieth of its fixed resistor.
SATURATED_SHARE = 0.97

# Zones of one mat rest alike; one that rests a tenth of the range higher has something on it.
HELD_SHARE = 0.1

# Below a twentieth of the range, a press has fewer steps than MIDI velocity can use (51 of 1023).
NARROW_SHARE = 0.05

# Soft and hard must differ by this much of the press range, or velocity from peak cannot tell them.
APART_SHARE = 0.15

# Noise of a fortieth of the press range is as much as three steps of velocity.
NOISY_SHARE = 0.025
HUM_SHARE = 0.05

# Sensors of one kind differ by a quarter; nearer than that, two channels move as one.
TWIN_SHARE = 0.8
LEAK_SHARE = 0.35

# Values that fixed resistors are sold in (IEC 60063, E6).
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)


class Verdict(IntEnum):
    """How a zone does, from good to bad."""

    GOOD = 0
    USABLE = 1
    FAULTY = 2


class Advice(NamedTuple):
    """One thing to know about a zone: a word for a table, and a sentence on what to do."""

    verdict: Verdict
    word: str
    sentence: str


@dataclass(frozen=True, slots=True)
class _Zone:
    """What a row of CHECKS may look at; onset, rest and companion are None where not known."""

    zone: ZoneCalibration
    sensor: SensorSpec
    names: Sequence[str]
    usual_rest: float
    mostly_falls: bool
    onset: float | None
    rest: Rest | None
    companion: Companion | None

    @property
    def top(self) -> float:
        return float((1 << self.sensor.bits) - 1)

    @property
    def switch(self) -> bool:
        return self.sensor.type is SensorType.SWITCH

    @property
    def backwards(self) -> bool:
        """Whether it falls under a press where the mat's others rise, or the other way round."""
        full = self.zone.full
        return full is not None and (full < self.zone.rest) is not self.mostly_falls

    @property
    def span(self) -> float:
        """From rest to the full press, in readings, 0 where it was not pressed."""
        return abs(self.zone.full - self.zone.rest) if self.zone.full is not None else 0.0

    def saturated(self, reading: float | None) -> bool:
        if reading is None or self.switch:
            return False
        rises = self.zone.full is None or self.zone.full >= self.zone.rest
        return (
            reading >= self.top * SATURATED_SHARE
            if rises
            else reading <= self.top * (1.0 - SATURATED_SHARE)
        )

    def resistor(self, times: float) -> str:
        """Another fixed resistor, `times` as large, in words; what to change, without a divider."""
        if self.sensor.type is not SensorType.FORCE:
            return "a higher gain" if times > 1.0 else "a lower gain"
        size = "larger" if times > 1.0 else "smaller"
        wanted = self.sensor.fixed_resistor_ohm * times
        return f"a {size} fixed resistor, such as {ohms(nearest_e6(wanted))}"


def nearest_e6(value_ohm: float) -> float:
    """The resistor of the E6 series that is nearest by ratio."""
    decade = 10.0 ** math.floor(math.log10(value_ohm))
    values = [step * decade for step in (*E6, 10.0)]
    return min(values, key=lambda value: abs(math.log(value / value_ohm)))


def ohms(value_ohm: float) -> str:
    """A resistor as it is said: 470 ohm, 1.5 kohm, 1 Mohm."""
    for unit, size in (("Mohm", 1e6), ("kohm", 1e3)):
        if value_ohm >= size * 0.9995:
            return f"{value_ohm / size:.3g} {unit}"
    return f"{value_ohm:.3g} ohm"


def _held(z: _Zone) -> bool:
    above = z.zone.rest - z.usual_rest
    return not z.switch and above > z.top * HELD_SHARE and not z.saturated(z.zone.rest)


def _unpressed(z: _Zone) -> bool:
    return z.zone.full is None and z.zone.soft is None


def _deaf(z: _Zone) -> bool:
    """Whether a soft press makes no touch."""
    soft, onset = z.zone.soft, z.onset
    if soft is None or onset is None:
        return False
    return abs(soft - z.zone.rest) < abs(onset - z.zone.rest)


def _stuck(z: _Zone) -> bool:
    """At the top of its range, where no press could be seen."""
    return _unpressed(z) and z.zone.rest >= z.top * SATURATED_SHARE


def _hum_share(z: _Zone) -> float:
    return z.rest.hum / z.span if z.rest is not None and z.span else 0.0


def _hum(z: _Zone) -> str:
    return f"{z.rest.hum_hz:.0f} Hz and {z.rest.hum:.1f} readings" if z.rest else ""


def _companion_name(z: _Zone) -> str:
    return z.names[z.companion.place] if z.companion else ""


def _companion_share(z: _Zone) -> float:
    return z.companion.share if z.companion else 0.0


Check = tuple[Verdict, str, Callable[[_Zone], bool], Callable[[_Zone], str]]

# In the order in which they are told; of two with one verdict, the earlier gives its word.
CHECKS: tuple[Check, ...] = (
    (
        Verdict.FAULTY,
        "shorted",
        lambda z: not z.switch and _stuck(z),
        lambda z: (
            f"stays at the top of its range ({z.zone.rest:.0f}) and no press moves it: look for "
            "a short across the sensor, or a broken fixed resistor"
        ),
    ),
    (
        Verdict.FAULTY,
        "always on",
        lambda z: z.switch and _stuck(z),
        lambda _: "is on all the time: look for a short, or raise the touch threshold of its chip",
    ),
    (
        Verdict.FAULTY,
        "silent",
        lambda z: _unpressed(z) and not _stuck(z),
        lambda _: (
            "no press was seen: press it again, and if it stays silent look for a broken lead "
            "or another channel under it (matbridge identify)"
        ),
    ),
    (
        Verdict.FAULTY,
        "backwards",
        lambda z: z.backwards,
        lambda z: (
            f"{'rises' if z.mostly_falls else 'falls'} when it is pressed, unlike the others: the "
            "sensor and its fixed resistor have changed places"
        ),
    ),
    (
        Verdict.FAULTY,
        "jumps",
        lambda z: z.rest is not None and not z.rest.still,
        lambda z: (
            f"moves at rest, by {z.rest.swing if z.rest else 0.0:.0f} readings: look for a loose "
            "contact, or keep off it while the rest is measured"
        ),
    ),
    (
        Verdict.FAULTY,
        "deaf",
        _deaf,
        lambda z: (
            f"a soft press ({z.zone.soft:.0f}) stays under the reading at which a touch begins "
            f"({z.onset:.0f}): press harder, or lower sensing: threshold in the mat file"
        ),
    ),
    (
        Verdict.FAULTY,
        "twin",
        lambda z: _companion_share(z) >= TWIN_SHARE,
        lambda z: (
            f"moves together with {_companion_name(z)}: press in its middle, and if it stays so "
            "look for two leads that touch"
        ),
    ),
    (
        Verdict.USABLE,
        "held down",
        _held,
        lambda z: (
            f"rests at {z.zone.rest:.0f} where others rest at {z.usual_rest:.0f}: is something "
            "on it, or is it taped down too tightly?"
        ),
    ),
    (
        Verdict.USABLE,
        "saturates early",
        lambda z: z.saturated(z.zone.soft),
        lambda z: (
            "saturates under the softest press: take velocity from rise (velocity: {from: "
            f"rise}}), or {z.resistor(0.1)}"
        ),
    ),
    (
        Verdict.USABLE,
        "saturates",
        lambda z: z.saturated(z.zone.full) and not z.saturated(z.zone.soft),
        lambda z: (
            "saturates under a hard press: take velocity from rise (velocity: {from: rise}), "
            f"or {z.resistor(1 / 3)}"
        ),
    ),
    (
        Verdict.USABLE,
        "narrow",
        lambda z: not z.switch and 0.0 < z.span < z.top * NARROW_SHARE,
        lambda z: (
            f"a full press moves it by only {z.span:.0f} of {z.top:.0f} readings: "
            f"{z.resistor(3.0)} would spread it"
        ),
    ),
    (
        Verdict.USABLE,
        "one press",
        lambda z: not z.switch and (z.zone.soft is None) is not (z.zone.full is None),
        lambda _: "was pressed once only: calibrate it again, softly and hard",
    ),
    (
        Verdict.USABLE,
        "soft is hard",
        lambda z: (
            z.zone.soft is not None
            and z.zone.full is not None
            and not z.saturated(z.zone.full)
            and abs(z.zone.full - z.zone.soft) < z.span * APART_SHARE
        ),
        lambda _: (
            "reads nearly the same soft and hard: calibrate it again with a truly soft press, "
            "or take velocity from rise (velocity: {from: rise})"
        ),
    ),
    (
        Verdict.USABLE,
        "hum",
        lambda z: _hum_share(z) > HUM_SHARE,
        lambda z: (
            f"has a hum of {_hum(z)} in it: lead its cable away from the mains, ground the board, "
            "or run it on a battery"
        ),
    ),
    (
        Verdict.USABLE,
        "noisy",
        lambda z: not z.switch and z.span > 0.0 and z.zone.noise > z.span * NOISY_SHARE,
        lambda z: (
            f"its noise is {100 * z.zone.noise / z.span:.0f} % of a full press: shorten or "
            "shield its cable, or average in the board"
        ),
    ),
    (
        Verdict.USABLE,
        "leaks",
        lambda z: LEAK_SHARE <= _companion_share(z) < TWIN_SHARE,
        lambda z: (
            f"a press of it moves {_companion_name(z)} by {100 * _companion_share(z):.0f} %: "
            "part the two with a gap or a stiffer board under each"
        ),
    ),
)


def advise(
    calibration: Calibration,
    onsets: Sequence[float | None] = (),
    rests: Sequence[Rest] = (),
    companions: Sequence[Companion | None] = (),
) -> list[list[Advice]]:
    """For each zone what there is to say, gravest first; nothing for a good one.

    onsets: for each zone the reading at which a touch begins. rests, companions: one for each zone,
    from the guide; empty for a calibration read from its file, which does not keep them.
    """
    names = [zone.name for zone in calibration.zones]
    usual_rest = median(zone.rest for zone in calibration.zones)
    falls = [zone.full < zone.rest for zone in calibration.zones if zone.full is not None]
    advice = []
    for index, zone in enumerate(calibration.zones):
        view = _Zone(
            zone=zone,
            sensor=calibration.sensor,
            names=names,
            usual_rest=usual_rest,
            mostly_falls=2 * sum(falls) > len(falls),
            onset=onsets[index] if onsets else None,
            rest=rests[index] if rests else None,
            companion=companions[index] if companions else None,
        )
        found = [
            Advice(verdict, word, sentence(view))
            for verdict, word, holds, sentence in CHECKS
            if holds(view)
        ]
        advice.append(sorted(found, key=lambda item: -item.verdict))
    return advice
