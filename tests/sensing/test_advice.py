"""Every judgement on a zone holds where it should, and not beside it."""

from dataclasses import replace

import pytest

from matbridge.sensing.advice import CHECKS, E6, Verdict, advise, nearest_e6, ohms
from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.sensing.presses import Companion
from matbridge.sensing.rest import Rest
from matbridge.sensing.settings import SensorSpec, SensorType

FORCE = SensorSpec(SensorType.FORCE, 10, 1000.0)
LEVEL = SensorSpec(SensorType.LEVEL, 10, 0.0)
SWITCH = SensorSpec(SensorType.SWITCH, 1, 0.0)

# A zone like many: 90 softly and 750 hard of 1023.
GOOD = ZoneCalibration("mast", 4.0, 0.6, 90.0, 750.0)
QUIET = Rest(level=4.0, noise=0.6, hum=0.0, hum_hz=50.0, swing=2.0, still=True)


def words(
    zone: ZoneCalibration,
    *,
    sensor: SensorSpec = FORCE,
    onset: float = 30.0,
    rest: Rest = QUIET,
    companion: Companion | None = None,
    others: ZoneCalibration = GOOD,
) -> list[str]:
    """What is said of `zone`, beside two good ones."""
    zones = (zone, replace(others, name="bow"), replace(others, name="keel"))
    calibration = Calibration("quay", sensor, "2025-06-01", zones)
    found = advise(calibration, (onset, 30, 30), (rest, QUIET, QUIET), (companion, None, None))
    assert [advice for other in found[1:] for advice in other] == []
    return [advice.word for advice in found[0]]


def test_a_good_zone_needs_nothing() -> None:
    assert words(GOOD) == []


# Of each judgement: a zone that has it, and the nearest one that has not.
CASES = {
    "shorted": (
        words(replace(GOOD, rest=1015.0, soft=None, full=None)),
        words(replace(GOOD, rest=980.0, soft=None, full=None)),
    ),
    "silent": (
        words(replace(GOOD, soft=None, full=None)),
        words(replace(GOOD, soft=None)),
    ),
    "backwards": (
        words(replace(GOOD, rest=900.0, soft=800.0, full=200.0)),
        words(GOOD),
    ),
    "jumps": (
        words(GOOD, rest=replace(QUIET, still=False, swing=80.0)),
        words(GOOD, rest=replace(QUIET, swing=4.0)),
    ),
    "deaf": (words(GOOD, onset=91.0), words(GOOD, onset=89.0)),
    "twin": (
        words(GOOD, companion=Companion(1, 0.85)),
        words(GOOD, companion=Companion(1, 0.75)),
    ),
    "held down": (
        words(replace(GOOD, rest=120.0, soft=200.0)),
        words(replace(GOOD, rest=100.0, soft=200.0)),
    ),
    "saturates early": (
        words(replace(GOOD, soft=1000.0, full=1022.0)),
        words(replace(GOOD, soft=900.0, full=1022.0)),
    ),
    "saturates": (
        words(replace(GOOD, full=1000.0)),
        words(replace(GOOD, full=980.0)),
    ),
    "narrow": (
        words(replace(GOOD, noise=0.3, soft=20.0, full=50.0), onset=10.0),
        words(replace(GOOD, noise=0.3, soft=20.0, full=70.0), onset=10.0),
    ),
    "one press": (words(replace(GOOD, soft=None)), words(GOOD)),
    "soft is hard": (
        words(replace(GOOD, soft=700.0)),
        words(replace(GOOD, soft=600.0)),
    ),
    "hum": (
        words(GOOD, rest=replace(QUIET, hum=40.0)),
        words(GOOD, rest=replace(QUIET, hum=30.0)),
    ),
    "noisy": (words(replace(GOOD, noise=20.0)), words(replace(GOOD, noise=17.0))),
    "leaks": (
        words(GOOD, companion=Companion(1, 0.4)),
        words(GOOD, companion=Companion(1, 0.3)),
    ),
}


@pytest.mark.parametrize("word", CASES)
def test_each_judgement_holds_where_it_should_and_not_beside_it(word: str) -> None:
    with_it, without_it = CASES[word]
    assert word in with_it
    assert word not in without_it


def test_a_switch_is_judged_by_what_it_can_do() -> None:
    on = ZoneCalibration("mast", 1.0, 0.37)
    off = ZoneCalibration("mast", 0.0, 0.37, None, 1.0)
    assert words(on, sensor=SWITCH, onset=0.5, others=off) == ["always on"]
    assert words(off, sensor=SWITCH, onset=0.5, others=off) == []


def test_every_judgement_is_tried_here() -> None:
    assert {word for _, word, _, _ in CHECKS} == {*CASES, "always on"}


def test_the_gravest_comes_first() -> None:
    calibration = Calibration("quay", FORCE, "2025-06-01", (replace(GOOD, noise=30.0),))
    found = advise(calibration, (95.0,), (QUIET,), (Companion(0, 0.4),))[0]
    assert [advice.verdict for advice in found] == sorted(
        (advice.verdict for advice in found), reverse=True
    )
    assert found[0].verdict is Verdict.FAULTY
    assert len(found) > 1


def test_a_stored_calibration_is_judged_without_what_its_file_does_not_keep() -> None:
    calibration = Calibration("quay", FORCE, "2025-06-01", (GOOD, replace(GOOD, full=1010.0)))
    assert [[advice.word for advice in zone] for zone in advise(calibration)] == [
        [],
        ["saturates"],
    ]


def test_sentences_say_what_to_change_and_to_what() -> None:
    ten_kohm = replace(FORCE, fixed_resistor_ohm=10_000.0)
    zones = (replace(GOOD, full=1010.0),)
    assert "3.3 kohm" in advise(Calibration("quay", ten_kohm, "", zones))[0][0].sentence
    assert "a lower gain" in advise(Calibration("quay", LEVEL, "", zones))[0][0].sentence


def test_resistors_are_of_the_series_that_is_sold() -> None:
    """IEC 60063, E6: 10, 15, 22, 33, 47, 68 in every decade (values from memory)."""
    assert [10 * step for step in E6] == [10, 15, 22, 33, 47, 68]
    assert nearest_e6(3333) == pytest.approx(3300)
    assert nearest_e6(820) == pytest.approx(680)
    assert nearest_e6(850) == pytest.approx(1000)
    assert nearest_e6(0.5) == pytest.approx(0.47)
    assert [ohms(value) for value in (330, 999.9, 1000, 4700, 1e6)] == [
        "330 ohm",
        "1 kohm",
        "1 kohm",
        "4.7 kohm",
        "1 Mohm",
    ]
