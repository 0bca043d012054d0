"""Real feet: recordings of ground force, through a simulated sensor, into the detector.

Sources, both from PyPI, data only:
    gaitanalysistoolkit 0.2.0 (Apache-2.0), example_vertical_grf.csv: vertical force under one foot
        of a walker on a treadmill, newtons, 100 Hz with the recorder's own uneven stamps, 47 steps
    spm1d 0.4.55 (GPL-3), ex_grf_subj000-009.npy: vertical force of ten walkers, 60 stances each,
        in body weights over 101 points of a stance (Pataky et al., J. Biomechanics 41, 2008);
        Dorn2012.npz: 18 stances of runners at 3.6 to 9.5 m/s, newtons (Dorn et al., J. Exp. Biol.
        215, 2012)

Our choices, for what the recordings do not say: a quarter of the force reaches the sensor (the
plate of a zone carries the rest), a walker weighs 700 N, a walking stance lasts 0.65 s and a
running one 0.2 s. What a plate shows under 25 N is its own noise: it shows as much, both ways,
with nobody on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest

from matbridge.board.simulated.sensor import ForceSensor, Part, published_conductance_us
from matbridge.sensing.calibration import Calibration, ZoneCalibration
from matbridge.sensing.detector import Detector
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import Touch, TouchKind, VelocitySource
from tests.support.judging import rank_correlation

SHARE = 0.25
PLATE_NOISE_NEWTON = 25.0
WEIGHT_NEWTON = 700.0
WALKING_S = 0.65
RUNNING_S = 0.20

# What the mat was calibrated with: a soft step and a stomp, on the sensor.
SOFT_NEWTON = 60.0
FULL_NEWTON = 400.0

BLOCK = 16
CODES = 1024

# A divider that suits feet, and one that any foot saturates: from 100 N to 400 N it has 6 codes.
RESISTORS = pytest.mark.parametrize("fixed_ohm", [1_000.0, 10_000.0])


@dataclass
class Found:
    """Onsets with the time they came at, and times of lifts."""

    onsets: list[tuple[float, Touch]]
    lifts_s: list[float]

    @property
    def values(self) -> list[float]:
        return [touch.value for _, touch in self.onsets]


def data_of(package: str, path: str) -> Path:
    """A data file of an installed package, without importing it."""
    spec = find_spec(package)
    if spec is None or spec.origin is None:
        pytest.fail(f"{package} is missing: pip install --no-deps -r tests/requirements-nodeps.txt")
    return Path(spec.origin).parent / path


def readings_of(forces: Sequence[float], step_s: float, fixed_ohm: float) -> list[int]:
    """Codes of a 10-bit converter, while these forces (newtons, whole foot) go over the zone."""
    sensor = ForceSensor(Part(break_newton=0.5), fixed_ohm, step_s, BLOCK)
    felt = [max(0.0, float(force)) * SHARE for force in forces]
    felt += [0.0] * (-len(felt) % BLOCK)
    rng = Random(1)
    voltages: list[float] = []
    for start in range(0, len(felt), BLOCK):
        voltages += sensor.voltages(felt[start : start + BLOCK])
    noisy = (int(voltage * CODES + rng.gauss(0.0, 0.6)) for voltage in voltages)
    return [min(max(code, 0), CODES - 1) for code in noisy]


def listened(
    readings: Sequence[int],
    times_s: Sequence[float],
    fixed_ohm: float,
    source: VelocitySource = VelocitySource.RISE,
    settings: SensingSettings | None = None,
) -> Found:
    sensor = SensorSpec(SensorType.FORCE, 10, fixed_ohm)

    def reading(newton: float) -> float:
        conductance_us = published_conductance_us(newton)
        return CODES * conductance_us / (conductance_us + 1e6 / fixed_ohm)

    zones = tuple(
        ZoneCalibration(name, 0.5, 0.6, reading(SOFT_NEWTON), reading(FULL_NEWTON), 0, channel)
        for channel, name in enumerate("ab")
    )
    calibration = Calibration("plate", sensor, "2025-06-01T19:30:00+00:00", zones)
    places = ((0.0, 0.0), (40.0, 0.0))
    detector = Detector(sensor, settings or SensingSettings(), (0, 1), places, calibration)
    detector.use([source] * 2, ())
    found = Found([], [])
    for time_s, code in zip(times_s, readings, strict=False):
        for touch in detector.scan(time_s, (code, 0)):
            assert touch.zone == 0
            if touch.kind is TouchKind.ONSET:
                found.onsets.append((time_s, touch))
            elif touch.kind is TouchKind.LIFT:
                found.lifts_s.append(time_s)
    return found


# Treadmill


def treadmill() -> tuple[Any, Any]:
    """Times and forces. It begins in the middle of a step; a second of empty plate goes first."""
    path = data_of("gaitanalysis", "tests/data/example_vertical_grf.csv")
    times_s, newtons = np.loadtxt(path, delimiter=",").T
    assert len(times_s) == 5559
    empty_s = times_s[0] - np.arange(1.0, 0.005, -0.01)
    newtons = np.where(newtons < PLATE_NOISE_NEWTON, 0.0, newtons)
    return np.concatenate([empty_s, times_s]), np.concatenate([0.0 * empty_s, newtons])


def two_level_count(newtons: Sequence[float], on: float, off: float) -> int:
    """Steps as one counts them on a plot: up through one level, and back down through the other."""
    count, under = 0, True
    for newton in newtons:
        if under and newton > on:
            count, under = count + 1, False
        elif not under and newton < off:
            under = True
    return count


def fine(times_s: Any, newtons: Any) -> tuple[Any, Any]:
    """The same at 1 kHz, straight between the recorded points."""
    fine_s = np.arange(times_s[0], times_s[-1], 0.001)
    return fine_s, np.interp(fine_s, times_s, newtons)


def contacts(newtons: Any) -> list[int]:
    """Indices at which the force leaves zero."""
    loaded = newtons > 0.0
    return [int(index) + 1 for index in np.flatnonzero(loaded[1:] & ~loaded[:-1])]


@pytest.mark.parametrize(("on", "off"), [(50.0, 25.0), (100.0, 50.0), (200.0, 100.0)])
def test_the_recording_has_47_steps_however_they_are_counted(on: float, off: float) -> None:
    assert two_level_count(treadmill()[1], on, off) == 47


@RESISTORS
def test_every_step_on_the_treadmill_is_one_touch_at_the_recorders_own_rate(
    fixed_ohm: float,
) -> None:
    times_s, newtons = treadmill()
    found = listened(readings_of(newtons, 0.01, fixed_ohm), times_s, fixed_ohm)
    assert len(found.onsets) == len(found.lifts_s) == 47


@RESISTORS
def test_every_step_on_the_treadmill_is_one_touch_that_lasts_as_long(fixed_ohm: float) -> None:
    times_s, newtons = fine(*treadmill())
    found = listened(readings_of(newtons, 0.001, fixed_ohm), times_s, fixed_ohm)
    began = contacts(newtons)
    ended = [int(i) for i in np.flatnonzero((newtons[1:] == 0.0) & (newtons[:-1] > 0.0))]
    assert len(found.onsets) == len(found.lifts_s) == 47 == len(began) == len(ended)
    for (at_s, _), lift_s, start, end in zip(
        found.onsets, found.lifts_s, began, ended, strict=True
    ):
        assert 0.0 < at_s - times_s[start] < 0.010
        assert abs(lift_s - times_s[end]) < 0.060


@RESISTORS
@pytest.mark.parametrize(
    ("window_ms", "source"),
    [(5, VelocitySource.RISE), (10, VelocitySource.RISE), (20, VelocitySource.PEAK)],
)
def test_velocities_order_the_steps_of_one_walker_by_their_rate_of_loading(
    fixed_ohm: float, window_ms: int, source: VelocitySource
) -> None:
    # One walker at one speed: steps differ by a few percent. Rate of loading is the mean over the
    # time that the detector is given; what comes later, no onset within it can know.
    times_s, newtons = fine(*treadmill())
    settings = SensingSettings(rise_window_ms=window_ms, peak_window_ms=window_ms)
    readings = readings_of(newtons, 0.001, fixed_ohm)
    found = listened(readings, times_s, fixed_ohm, source, settings)
    rates = [newtons[start + window_ms] / window_ms for start in contacts(newtons)]
    # The first step was cut by the start of the recording.
    assert rank_correlation(rates[1:], found.values[1:]) >= 0.9


# Ten walkers


def walk_of(walker: int) -> tuple[list[float], list[float], list[float]]:
    """Forces at 1 kHz of 60 stances with pauses; when each begins; each one's rate of loading.

    The recordings begin when the plate's trigger fired, at 5 % of the weight: the first line is
    drawn back to where it meets zero. The rate is that of the first hundredth of the stance.
    """
    stances = np.load(data_of("spm1d", f"data/datafiles/ex_grf_subj{walker:03}.npy"))
    assert stances.shape == (60, 101)
    step_s = WALKING_S / 100
    forces: list[float] = []
    starts_s, rates = [], []
    for stance in stances * WEIGHT_NEWTON:
        forces += [0.0] * 600
        starts_s.append(len(forces) * 0.001)
        slope = (stance[1] - stance[0]) / step_s
        lead_s = min(stance[0] / slope, step_s)
        at_s = np.concatenate([[0.0], lead_s + np.arange(102) * step_s])
        newtons = np.concatenate([[0.0], stance, [0.0]])
        forces += list(np.interp(np.arange(0.0, at_s[-1], 0.001), at_s, newtons))
        rates.append(slope)
    return [*forces, *[0.0] * 600], starts_s, rates


@RESISTORS
def test_every_stance_of_ten_walkers_is_one_touch_and_their_velocities_keep_the_order(
    fixed_ohm: float,
) -> None:
    every_rate: list[float] = []
    every_value: list[float] = []
    for walker in range(10):
        forces, starts_s, rates = walk_of(walker)
        readings = readings_of(forces, 0.001, fixed_ohm)
        times_s = [index * 0.001 for index in range(len(readings))]
        found = listened(readings, times_s, fixed_ohm)
        assert len(found.onsets) == len(found.lifts_s) == 60, f"walker {walker}"
        for (at_s, _), start_s in zip(found.onsets, starts_s, strict=True):
            assert 0.0 < at_s - start_s < 0.010
        assert rank_correlation(rates, found.values) >= 0.9, f"walker {walker}"
        every_rate += rates
        every_value += found.values
    assert rank_correlation(every_rate, every_value) >= 0.95


# Runners


@RESISTORS
def test_every_stance_of_runners_is_one_touch_and_their_velocities_keep_the_order(
    fixed_ohm: float,
) -> None:
    with np.load(data_of("spm1d", "data/datafiles/Dorn2012.npz")) as file:
        stances = file["Y"][:, :, 1]  # the middle column is the vertical one, by its size
    assert stances.shape == (18, 100)
    assert 1_900 < stances.max(axis=1).min() < stances.max() < 2_500
    step_s = RUNNING_S / 99
    forces: list[float] = []
    rates = []
    for stance in stances:
        newtons = np.interp(np.arange(0.0, RUNNING_S, 0.001), np.arange(100) * step_s, stance)
        newtons = np.where(newtons < PLATE_NOISE_NEWTON, 0.0, newtons)
        rates.append(float(newtons[np.flatnonzero(newtons)[0] + 4]) / 0.005)
        forces += [*[0.0] * 600, *newtons]
    readings = readings_of([*forces, *[0.0] * 600], 0.001, fixed_ohm)
    times_s = [index * 0.001 for index in range(len(readings))]
    found = listened(readings, times_s, fixed_ohm)
    assert len(found.onsets) == len(found.lifts_s) == 18
    assert rank_correlation(rates, found.values) >= 0.9
