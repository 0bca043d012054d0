"""What a scan costs the sensing stage, beside a plain threshold loop over the same readings.

    python -m tests.bench.sensing [--json FILE]

quiet: nothing but noise. play: a hand or foot now and then. storm: every zone struck at once, all
the time, so that every machine is in its window. held: a body on every zone, swaying, with the
pressure of every zone wanted. The plain loop compares every reading with one level and does no
more. Runs are interleaved; each figure is the median of several, its ratio to the plain loop's
median beside it. Times are this machine's, ratios are what to compare.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Sequence
from math import cos, pi, sin
from pathlib import Path
from random import Random
from statistics import median

from matbridge.sensing.detector import Detector
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType
from matbridge.sensing.touch import VelocitySource

BITS = 10
RATE_HZ = 1000.0
SIZES = (24, 96, 384, 1024)
REPEATS = 3

# Readings a scan: enough for a steady time, few enough for a run of seconds at 1024 zones.
READINGS = 200_000

Scans = list[tuple[int, ...]]


def press(offset_s: float, hold_s: float, height: float) -> float:
    """A press of a hand as a share of the range: up in 8 ms, down in 20."""
    if not 0.0 <= offset_s < hold_s + 0.02:
        return 0.0
    if offset_s < 0.008:
        return height * sin(pi / 2 * offset_s / 0.008) ** 2
    if offset_s < hold_s:
        return height * (0.9 + 0.1 * cos(offset_s * 8.0))
    return height * cos(pi / 2 * (offset_s - hold_s) / 0.02) ** 2


def scene(name: str, zones: int) -> Scans:
    """Scans of one scene; the same every time."""
    rng = Random(f"{name} {zones}")
    count = max(500, READINGS // zones)
    top = (1 << BITS) - 1
    every_s, hold_s = {"play": (0.35, 0.15), "storm": (0.1, 0.03), "held": (9e9, 9e9)}.get(
        name, (0.0, 0.0)
    )
    starts = [0.05 if name in ("storm", "held") else rng.uniform(0.05, 8.0) for _ in range(zones)]
    heights = [rng.uniform(0.4, 0.8) for _ in range(zones)]
    noise = [max(0, round(rng.gauss(6.0, 0.6))) for _ in range(9973)]
    scans = []
    for index in range(count):
        now_s = index / RATE_HZ
        row = []
        for zone in range(zones):
            reading = noise[(index * zones + zone) % 9973]
            if every_s:
                if now_s - starts[zone] > every_s:
                    starts[zone] += every_s if name == "storm" else rng.uniform(4.0, 12.0)
                reading += int(press(now_s - starts[zone], hold_s, heights[zone]) * top)
            row.append(min(reading, top))
        scans.append(tuple(row))
    return scans


def plain(zones: int) -> Callable[[float, Sequence[int]], list[int]]:
    """The loop that anyone would write first."""
    level = 100
    on = [False] * zones

    def scan(_: float, readings: Sequence[int]) -> list[int]:
        struck = []
        for zone, reading in enumerate(readings):
            if reading > level:
                if not on[zone]:
                    on[zone] = True
                    struck.append(zone)
            elif on[zone]:
                on[zone] = False
        return struck

    return scan


def sensing(zones: int) -> Callable[[float, Sequence[int]], object]:
    places = [(30.0 * (zone % 32), 30.0 * (zone // 32)) for zone in range(zones)]
    detector = Detector(
        SensorSpec(SensorType.FORCE, BITS, 1000.0), SensingSettings(), range(zones), places
    )
    detector.use([VelocitySource.PEAK] * zones, range(zones))
    return detector.scan


def cost_us(scan: Callable[[float, Sequence[int]], object], scans: Scans) -> float:
    times_s = [index / RATE_HZ for index in range(len(scans))]
    began_ns = time.thread_time_ns()
    for time_s, readings in zip(times_s, scans, strict=True):
        scan(time_s, readings)
    return (time.thread_time_ns() - began_ns) / 1000 / len(scans)


def worst_us(scans: Scans, zones: int) -> float:
    """The dearest single scan: of a storm, the one that decides every zone."""
    scan = sensing(zones)
    worst_ns = 0
    for index, readings in enumerate(scans):
        began_ns = time.thread_time_ns()
        scan(index / RATE_HZ, readings)
        worst_ns = max(worst_ns, time.thread_time_ns() - began_ns)
    return worst_ns / 1000


def measure() -> dict[str, dict[str, float]]:
    found = {}
    for zones in SIZES:
        for name in ("quiet", "play", "storm", "held"):
            scans = scene(name, zones)
            ours, theirs = [], []
            for _ in range(REPEATS):
                ours.append(cost_us(sensing(zones), scans))
                theirs.append(cost_us(plain(zones), scans))
            found[f"{zones} zones, {name}"] = {
                "sensing_us": round(median(ours), 2),
                "plain_us": round(median(theirs), 2),
                "ratio": round(median(ours) / median(theirs), 2),
                "worst_scan_us": round(min(worst_us(scans, zones) for _ in range(3)), 1),
            }
    return found


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.sensing", description=__doc__)
    parser.add_argument("--json", type=Path, help="write every figure here")
    options = parser.parse_args()
    found = measure()
    print(f"{'':20}{'sensing us':>12}{'plain us':>10}{'ratio':>8}{'worst scan us':>16}")
    for name, row in found.items():
        print(
            f"{name:20}{row['sensing_us']:12.2f}{row['plain_us']:10.2f}{row['ratio']:8.2f}"
            f"{row['worst_scan_us']:16.1f}"
        )
    if options.json:
        options.json.write_text(json.dumps(found, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
