"""The speed of the bridge, beside a plain script and the same job in C, in one run.

    python -m tests.bench                 everything: most of an hour
    python -m tests.bench --quick         the same, shorter: about a quarter
    python -m tests.bench --json FILE --svg FILE --only latency,drain
    python -m tests.bench --accept        keep the ratios of this run as those to compare with

All are ratios of one run on one machine; the absolute times are that machine's and that moment's.
Ratios are printed beside those last accepted (accepted.json) of the same version of Python.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

from tests.bench import common, report, scenes

ACCEPTED = Path(__file__).with_name("accepted.json")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="shorter")
    parser.add_argument("--json", type=Path, help="write every figure here")
    parser.add_argument("--svg", type=Path, help="draw the latencies here")
    parser.add_argument("--only", default="", help=f"some of: {', '.join(scenes.SCENES)}")
    parser.add_argument("--accept", action="store_true", help="compare with this run from now on")
    options = parser.parse_args()
    chosen = [name for name in options.only.split(",") if name] or list(scenes.SCENES)
    unknown = set(chosen) - set(scenes.SCENES)
    if unknown:
        parser.error(f"there is no scene {', '.join(sorted(unknown))}")
    size = common.QUICK if options.quick else common.FULL
    with tempfile.TemporaryDirectory(prefix="bench-") as folder:
        figures = {name: scenes.SCENES[name](Path(folder), size) for name in chosen}
    for line in report.table(figures):
        print(line)
    now = report.ratios(figures)
    # Interpreters differ by more than a third; each has figures of its own.
    python = f"{sys.version_info.major}.{sys.version_info.minor}"
    accepted = json.loads(ACCEPTED.read_text())
    before = accepted.get(python, {})
    for line in report.beside_accepted(now, before):
        print(line)
    if options.accept:
        ACCEPTED.write_text(json.dumps(accepted | {python: before | now}, indent=1) + "\n")
    if options.json:
        options.json.write_text(json.dumps(figures, indent=1) + "\n")
    if options.svg and "latency" in figures:
        options.svg.write_text(report.drawing(figures["latency"]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
