"""What a setting trades against what, on the scenes that feel it: one table a setting.

    python -m tests.bench.trades

The default of each setting is marked with a star.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

from matbridge.sensing.settings import SensingSettings
from tests.support.judging import Verdict, detector_for, judge, listen, scans_of
from tests.support.scenarios import BY_NAME

SECONDS = 120.0
SEED = 501


@dataclass(frozen=True, slots=True)
class Trade:
    """A setting, the values to try, and the scenes to try them on."""

    setting: str
    values: tuple[float, ...]
    scenes: tuple[str, ...]


TRADES = (
    Trade("peak_window_ms", (1, 2, 3, 5, 8, 12), ("hands", "noise and hum")),
    Trade("rise_window_ms", (1, 2, 3, 5, 8, 12), ("stomps", "stomps, 10 kohm")),
    Trade("threshold", (0.01, 0.02, 0.03, 0.05, 0.1), ("hands", "carpet", "leaky, by foot")),
    Trade("debounce_scans", (0, 1, 2, 4), ("hands", "noise and hum", "faults")),
    Trade("hold_off_ms", (0, 20, 40, 80, 120), ("rolls", "second strikes")),
    Trade("lift_share", (0.1, 0.2, 0.3, 0.5), ("hands", "standing", "heel and toe")),
    Trade("strike_share", (0.1, 0.25, 0.5), ("second strikes", "heel and toe")),
    Trade("crosstalk", (0.0, 0.1, 0.2, 0.3, 0.5), ("leaky, by foot", "too close", "band")),
)


def tried(setting: str, value: float, scene: str) -> Verdict:
    scenario = BY_NAME[scene]
    kind = type(getattr(SensingSettings(), setting))
    settings = replace(SensingSettings(), **{setting: kind(value)})
    scans, truth = scans_of(scenario, SECONDS, SEED)
    (said,) = listen([detector_for(scenario, SEED, settings)], scans)
    return judge(said, truth, scenario, SECONDS)


def table(trades: tuple[Trade, ...]) -> Iterator[str]:
    with ProcessPoolExecutor(max_workers=os.cpu_count()) as pool:
        for trade in trades:
            default = getattr(SensingSettings(), trade.setting)
            runs = {
                (value, scene): pool.submit(tried, trade.setting, value, scene)
                for scene in trade.scenes
                for value in trade.values
            }
            yield f"\n{trade.setting}"
            yield (
                f"{'':6}{'':17}{'touches':>8}{'miss':>6}{'false':>7}{'near':>6}{'double':>8}"
                f"{'off':>5}{'p5':>7}{'p50':>6}{'p95':>6}{'rho':>8}"
            )
            for (value, scene), run in runs.items():
                verdict = run.result()
                star = "*" if value == default else " "
                delays = [verdict.delay_s(share) * 1000 for share in (0.05, 0.5, 0.95)]
                yield (
                    f"{value:5g}{star}{scene:17}{verdict.touches:8}{verdict.misses:6}"
                    f"{verdict.false:7}{verdict.leaked:6}{verdict.doubles:8}{verdict.wrong_lifts:5}"
                    f"{delays[0]:7.1f}{delays[1]:6.1f}{delays[2]:6.1f}{verdict.rho:8.3f}"
                )


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.trades", description=__doc__)
    names = [trade.setting for trade in TRADES]
    parser.add_argument("--setting", action="append", choices=names, help="only this one")
    options = parser.parse_args()
    chosen = [t for t in TRADES if not options.setting or t.setting in options.setting]
    for line in table(tuple(chosen)):
        print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
