"""What a detector made of a scene, against what truly happened in it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from math import ceil, sqrt
from random import Random
from typing import NamedTuple, Protocol

from matbridge.board.scan import Scan
from matbridge.board.simulated.mat import SimulatedMat
from matbridge.board.simulated.render import render
from matbridge.board.simulated.score import TrueTouch, truths
from matbridge.sensing.calibration import Calibration, Wiring, ZoneWire
from matbridge.sensing.detector import Detector
from matbridge.sensing.guide import Guide, Stage
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import Touch, TouchKind
from tests.support.players import lessons
from tests.support.scenarios import Scenario

# An onset later than this after contact is no longer heard as one with the step.
LATE_S = 0.030

# What comes so soon after a touch has ended is of that touch: a double, not a false onset.
TAIL_S = 0.060

# A lift so far from the true one is wrong.
LIFT_S = 0.060

# An onset so little before contact is the clock's rounding.
EARLY_S = 0.0015

# A false onset so soon after another zone's strike was caused by it.
LEAK_S = 0.25

RATE_HZ = 1000.0


class Heard(Protocol):
    """A detector: the program's own, or the plain one it is compared with."""

    def scan(self, time_s: float, readings: Sequence[int]) -> Sequence[Touch]: ...


class Wrong(NamedTuple):
    """One thing that went wrong: what, on which zone, when, and of which touch if of any."""

    what: str
    zone: int
    at_s: float
    touch: TrueTouch | None


@dataclass(slots=True)
class Verdict:
    """Counts and figures of one scene, or of several added up. Times in seconds.

    touches: those that must be heard. hits: heard, each with its delay, and strike and velocity in
    pairs. false: onsets where nothing was; leaked: those of them just after a strike elsewhere.
    faulty: onsets on channels that had failed. lifts: how late each hit was let go.
    """

    seconds: float = 0.0
    touches: int = 0
    hits: int = 0
    false: int = 0
    leaked: int = 0
    doubles: int = 0
    faulty: int = 0
    delays: list[float] = field(default_factory=list)
    lifts: list[float] = field(default_factory=list)
    strikes: list[float] = field(default_factory=list)
    velocities: list[float] = field(default_factory=list)
    wrongs: list[Wrong] = field(default_factory=list)

    def add(self, other: Verdict) -> None:
        for name in ("seconds", "touches", "hits", "false", "leaked", "doubles", "faulty"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name in ("delays", "lifts", "strikes", "velocities", "wrongs"):
            getattr(self, name).extend(getattr(other, name))

    @property
    def misses(self) -> int:
        return self.touches - self.hits

    @property
    def late(self) -> int:
        return sum(delay > LATE_S for delay in self.delays)

    @property
    def wrong_lifts(self) -> int:
        return sum(abs(lift) > LIFT_S for lift in self.lifts)

    @property
    def recall(self) -> float:
        return self.hits / self.touches if self.touches else 1.0

    @property
    def false_per_10_min(self) -> float:
        return self.false / self.seconds * 600.0 if self.seconds else 0.0

    @property
    def double_share(self) -> float:
        return self.doubles / self.hits if self.hits else 0.0

    @property
    def rho(self) -> float:
        return rank_correlation(self.strikes, self.velocities)

    def delay_s(self, share: float) -> float:
        return percentile(self.delays, share)

    def lift_s(self, share: float) -> float:
        return percentile([abs(lift) for lift in self.lifts], share)


def percentile(values: Sequence[float], share: float) -> float:
    """Nearest rank; 0 of nothing."""
    if not values:
        return 0.0
    ordered = sorted(values)
    return ordered[max(0, ceil(share * len(ordered)) - 1)]


def rank_correlation(one: Sequence[float], other: Sequence[float]) -> float:
    """Spearman's, ties sharing their mean rank; 0 where one side is all the same."""
    ranks_one, ranks_other = _ranks(one), _ranks(other)
    count = len(one)
    middle = (count - 1) / 2
    both = sum((a - middle) * (b - middle) for a, b in zip(ranks_one, ranks_other, strict=True))
    spread = sqrt(
        sum((a - middle) ** 2 for a in ranks_one) * sum((b - middle) ** 2 for b in ranks_other)
    )
    return both / spread if spread else 0.0


def _ranks(values: Sequence[float]) -> list[float]:
    order = sorted(range(len(values)), key=values.__getitem__)
    ranks = [0.0] * len(values)
    start = 0
    while start < len(order):
        end = start
        while end < len(order) and values[order[end]] == values[order[start]]:
            end += 1
        for place in range(start, end):
            ranks[order[place]] = (start + end - 1) / 2
        start = end
    return ranks


def sensor_of(mat: SimulatedMat) -> SensorSpec:
    return SensorSpec(SensorType(mat.sensor), mat.bits, mat.fixed_resistor_ohm)


@lru_cache(maxsize=8)
def calibrated(mat: SimulatedMat, hands: bool, seed: int, alike: bool = False) -> Calibration:
    """What `calibrate` would have written of this mat: at rest, then each zone soft and hard.

    alike: whether every zone was pressed exactly as hard as the others.
    """
    zones = range(len(mat.places_cm))
    wiring = Wiring(
        "simulated", sensor_of(mat), tuple(ZoneWire(f"z{zone}", 0, zone) for zone in zones)
    )
    guide = Guide(wiring, [mat.zone_of_channel], step_s=5.0)
    guide.go_on()
    presses = lessons(mat.places_cm, hands, 4.0, seed + 1, alike)
    for scan in render(presses, mat, RATE_HZ, seed):
        guide.feed(0, scan)
        if guide.stage is Stage.DONE:
            break
    return guide.result("2025-06-01T19:30:00+00:00")


def detector_for(
    scenario: Scenario,
    seed: int,
    settings: SensingSettings | None = None,
    *,
    alike: bool = False,
) -> Detector:
    """The program's own detector as it would stand on that mat on the night."""
    mat = scenario.mat
    detector = Detector(
        sensor_of(mat),
        settings or SensingSettings(),
        mat.zone_of_channel,
        mat.places_cm,
        calibrated(mat, scenario.hands, seed, alike),
    )
    detector.use([scenario.source] * len(mat.places_cm), ())
    return detector


def scans_of(
    scenario: Scenario, seconds: float, seed: int, rate_hz: float = RATE_HZ
) -> tuple[Iterable[Scan], list[TrueTouch]]:
    """A scene as scans, lazily, and the truth of it."""
    presses = scenario.player(scenario.mat.places_cm, seconds, Random(seed))
    scans = render(presses, scenario.mat, rate_hz, seed, seconds=seconds, faults=scenario.faults)
    return scans, truths(presses)


def listen(detectors: Sequence[Heard], scans: Iterable[Scan]) -> list[list[tuple[float, Touch]]]:
    """What each detector said, each touch with the time of the scan that brought it."""
    heard: list[list[tuple[float, Touch]]] = [[] for _ in detectors]
    for time_s, readings in scans:
        for detector, said in zip(detectors, heard, strict=True):
            touches = detector.scan(time_s, readings)
            if touches:
                said.extend((time_s, touch) for touch in touches)
    return heard


def judge(
    said: Sequence[tuple[float, Touch]],
    truth: Sequence[TrueTouch],
    scenario: Scenario,
    seconds: float,
) -> Verdict:
    """Every onset against the touches of its zone."""
    verdict = Verdict(seconds=seconds)
    broken = {
        scenario.mat.zone_of_channel[fault.channel]: fault.start_s for fault in scenario.faults
    }
    strikes_s = sorted(touch.start_s for touch in truth)
    zones = range(len(scenario.mat.places_cm))
    said_by: dict[int, list[tuple[float, Touch]]] = {zone: [] for zone in zones}
    for at_s, touch in said:
        said_by[touch.zone].append((at_s, touch))
    for zone in zones:
        broken_s = broken.get(zone, float("inf"))
        true = [t for t in truth if t.zone == zone and t.end_s < broken_s - TAIL_S]
        onsets = [(at_s, t) for at_s, t in said_by[zone] if t.kind is TouchKind.ONSET]
        lifts_s = [at_s for at_s, t in said_by[zone] if t.kind is TouchKind.LIFT]
        heard: set[int] = set()
        for at_s, onset in onsets:
            if at_s >= broken_s - TAIL_S:
                verdict.faulty += 1
                continue
            which = _owner(true, at_s, heard)
            if which is None:
                verdict.false += 1
                verdict.wrongs.append(Wrong("false", zone, at_s, None))
                before = bisect_right(strikes_s, at_s) - 1
                verdict.leaked += before >= 0 and at_s - strikes_s[before] < LEAK_S
            elif which in heard:
                verdict.doubles += 1
                verdict.wrongs.append(Wrong("double", zone, at_s, true[which]))
            else:
                heard.add(which)
                if true[which].sure:
                    _count_hit(verdict, true[which], scenario, at_s, onset, lifts_s)
        verdict.touches += sum(touch.sure for touch in true)
        verdict.wrongs += [
            Wrong("miss", zone, touch.start_s, touch)
            for index, touch in enumerate(true)
            if touch.sure and index not in heard
        ]
    return verdict


def _count_hit(
    verdict: Verdict,
    touch: TrueTouch,
    scenario: Scenario,
    at_s: float,
    onset: Touch,
    lifts_s: Sequence[float],
) -> None:
    verdict.hits += 1
    verdict.delays.append(at_s - touch.start_s)
    verdict.strikes.append(touch.peak_newton if scenario.by_peak else touch.rise_newton_per_s)
    verdict.velocities.append(onset.value)
    after = bisect_right(lifts_s, at_s - 1e-9)
    # The scan that brings an onset may also bring the lift of the touch before it.
    if after < len(lifts_s) and lifts_s[after] == at_s:
        after += 1
    lift_s = lifts_s[after] if after < len(lifts_s) else float("inf")
    # Between the leaving of what struck and the end of the touch, no lift is wrong.
    off_s = lift_s - touch.end_s
    if off_s < 0.0:
        off_s = min(0.0, lift_s - min(touch.left_s, touch.end_s))
    verdict.lifts.append(off_s)
    if abs(off_s) > LIFT_S:
        verdict.wrongs.append(Wrong("lift", touch.zone, lift_s, touch))


def _owner(true: Sequence[TrueTouch], at_s: float, heard: set[int]) -> int | None:
    """The touch that an onset belongs to: rather one not yet heard, rather one that is sure."""
    under = [
        index
        for index, touch in enumerate(true)
        if touch.start_s - EARLY_S <= at_s <= touch.end_s + TAIL_S
    ]
    if not under:
        return None
    return min(
        under, key=lambda index: (index in heard, not true[index].sure, -true[index].start_s)
    )
