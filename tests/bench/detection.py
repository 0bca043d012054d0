"""How well touches are told from readings, beside a plain fixed threshold on the same readings.

    python -m tests.bench.detection                    every scene, 2 hours and more of play
    python -m tests.bench.detection --quick            a minute of each
    python -m tests.bench.detection --scenario hands --scenario steps --json FILE
    python -m tests.bench.detection --scenario hands --show 5

Everything is simulated, seeded, and true to published figures of sensors as far as there are any;
see matbridge/board/simulated. The mat is calibrated first, as a performer would.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.bench.fixed_threshold import FixedThreshold
from tests.support.judging import RATE_HZ, Verdict, detector_for, judge, listen, scans_of
from tests.support.scenarios import BY_NAME, SCENARIOS, Scenario
from tests.support.targets import misses_of

# A scene is played in sittings of this length, each on a mat of its own, on all processors.
SITTING_S = 180.0
QUICK_S = 60.0

Sitting = tuple[str, float, int]
"""Name of the scene, seconds, seed."""

OURS, PLAIN = "matbridge", "threshold"


def sit(sitting: Sitting) -> tuple[str, dict[str, Verdict]]:
    """One sitting, heard by both detectors."""
    name, seconds, seed = sitting
    scenario = BY_NAME[name]
    detectors = (
        detector_for(scenario, seed),
        FixedThreshold(scenario.mat.zone_of_channel, scenario.mat.bits),
    )
    scans, truth = scans_of(scenario, seconds, seed)
    ours, plain = listen(detectors, scans)
    return name, {
        OURS: judge(ours, truth, scenario, seconds),
        PLAIN: judge(plain, truth, scenario, seconds),
    }


def shown(scenario: Scenario, count: int) -> Iterator[str]:
    """The first things that go wrong in one sitting of a scene, with the readings around them."""
    seconds, seed = SITTING_S, 1
    lazy, truth = scans_of(scenario, seconds, seed)
    scans = list(lazy)
    (said,) = listen([detector_for(scenario, seed)], scans)
    verdict = judge(said, truth, scenario, seconds)
    for wrong in sorted(verdict.wrongs, key=lambda wrong: wrong.at_s)[:count]:
        yield f"\n{wrong.what} on zone {wrong.zone} at {wrong.at_s:.3f} s, {wrong.touch}"
        for touch in truth:
            if touch is not wrong.touch and touch.start_s - 0.1 < wrong.at_s < touch.end_s + 0.1:
                yield (
                    f"    meanwhile {touch.gesture} on zone {touch.zone}, {touch.start_s:.3f} to "
                    f"{touch.end_s:.3f} s, {touch.peak_newton:.0f} N"
                )
        for at_s, heard in said:
            if heard.zone == wrong.zone and abs(at_s - wrong.at_s) < 1.0:
                yield f"    {at_s:.3f} s: {heard.kind.name} {heard.value:.3f}"
        if wrong.at_s < seconds:
            middle = round(wrong.at_s * RATE_HZ)
            channel = scenario.mat.zone_of_channel.index(wrong.zone)
            around = scans[max(0, middle - 30) : middle + 30]
            yield "    readings " + " ".join(str(scan.readings[channel]) for scan in around)


def sittings(chosen: list[Scenario], quick: bool) -> Iterator[Sitting]:
    for scenario in chosen:
        left_s = QUICK_S if quick else scenario.minutes * 60.0
        # A mat that warms up, or fails bit by bit, is one sitting.
        whole = bool(scenario.faults or scenario.mat.flaws.warm_up_c)
        seed = 1
        while left_s > 0.0:
            seconds = left_s if whole else min(SITTING_S, left_s)
            yield scenario.name, seconds, seed
            left_s -= seconds
            seed += 1


def played(chosen: list[Scenario], quick: bool) -> dict[str, dict[str, Verdict]]:
    """By scene, and by detector within it; the longest sittings first, so that none waits."""
    found = {scenario.name: {OURS: Verdict(), PLAIN: Verdict()} for scenario in chosen}
    order = sorted(sittings(chosen, quick), key=lambda sitting: -sitting[1])
    with ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        for name, verdicts in pool.map(sit, order):
            for detector, verdict in verdicts.items():
                found[name][detector].add(verdict)
    return found


_HEAD = (
    f"{'scene':17}{'detector':>10}{'min':>5}{'touches':>9}{'miss':>6}{'false':>6}{'near':>6}"
    f"{'double':>7}{'late':>6}{'off':>5}{'lift99':>8}{'p5':>7}{'p50':>6}{'p95':>6}{'p99':>7}{'rho':>7}"
)


def _row(name: str, detector: str, verdict: Verdict) -> str:
    delays = [f"{verdict.delay_s(share) * 1000:.1f}" for share in (0.05, 0.5, 0.95, 0.99)]
    return (
        f"{name:17}{detector:>10}{verdict.seconds / 60:5.0f}{verdict.touches:9}{verdict.misses:6}"
        f"{verdict.false:6}{verdict.leaked:6}{verdict.doubles:7}{verdict.late:6}"
        f"{verdict.wrong_lifts:5}{verdict.lift_s(0.99) * 1000:8.0f}"
        f"{delays[0]:>7}{delays[1]:>6}{delays[2]:>6}{delays[3]:>7}{verdict.rho:7.3f}"
    )


def table(found: dict[str, dict[str, Verdict]]) -> Iterator[str]:
    yield _HEAD
    total = {OURS: Verdict(), PLAIN: Verdict()}
    for name, verdicts in found.items():
        for detector, verdict in verdicts.items():
            yield _row(name if detector == OURS else "", detector, verdict)
            total[detector].add(verdict)
        missed = misses_of(BY_NAME[name], verdicts[OURS])
        if missed:
            yield f"{'':17}misses: {', '.join(missed)}"
        if verdicts[OURS].faulty or verdicts[PLAIN].faulty:
            counts = ", ".join(f"{name} {found.faulty}" for name, found in verdicts.items())
            yield f"{'':17}onsets on failed channels: {counts}"
    for detector, verdict in total.items():
        yield _row("all of these" if detector == OURS else "", detector, verdict)
    yield (
        "times in ms after true contact; late: over 30 ms; off: lifts over 60 ms off; "
        "near: false ones just after a strike elsewhere"
    )


def figures(verdict: Verdict) -> dict[str, float]:
    return {
        "minutes": verdict.seconds / 60,
        "touches": verdict.touches,
        "hits": verdict.hits,
        "misses": verdict.misses,
        "false": verdict.false,
        "leaked": verdict.leaked,
        "doubles": verdict.doubles,
        "late": verdict.late,
        "faulty": verdict.faulty,
        "wrong_lifts": verdict.wrong_lifts,
        "lift_p99_ms": verdict.lift_s(0.99) * 1000,
        "delay_p5_ms": verdict.delay_s(0.05) * 1000,
        "delay_p50_ms": verdict.delay_s(0.5) * 1000,
        "delay_p95_ms": verdict.delay_s(0.95) * 1000,
        "delay_p99_ms": verdict.delay_s(0.99) * 1000,
        "rank_correlation": verdict.rho,
    }


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.detection", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="a minute of each scene")
    parser.add_argument("--scenario", action="append", choices=list(BY_NAME), help="only this one")
    parser.add_argument(
        "--show", type=int, metavar="N", help="only show the first N things that go wrong"
    )
    parser.add_argument("--json", type=Path, help="write every figure here")
    options = parser.parse_args()
    if options.show:
        for name in options.scenario or BY_NAME:
            for line in shown(BY_NAME[name], options.show):
                print(line)
        return 0
    chosen = [s for s in SCENARIOS if not options.scenario or s.name in options.scenario]
    found = played(chosen, options.quick)
    for line in table(found):
        print(line)
    if options.json:
        written = {
            name: {detector: figures(verdict) for detector, verdict in verdicts.items()}
            for name, verdicts in found.items()
        }
        options.json.write_text(json.dumps(written, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
