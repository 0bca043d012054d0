"""`matbridge pack FILE -o show.zip`: all that another machine needs to play it, in one file."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from matbridge.cli.show_argument import PACKED


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge pack",
        description="Pack a performance with its mat file, the calibration in use, the chart and a "
        "take or two. On another machine 'matbridge run show.zip' plays it; check, explain, chart "
        "and calibrate take it too.",
    )
    made.add_argument("file", metavar="FILE", help="the performance, a YAML file")
    made.add_argument(
        "-o", "--output", metavar="ZIP", type=_zip, required=True, help="where to: a .zip file"
    )
    made.add_argument(
        "--take",
        metavar="TAKE",
        nargs="+",
        action="extend",
        default=[],
        help="a take to go with it: its file, the name of one that is kept, or 'last'",
    )
    return made


def main(argv: Sequence[str]) -> int:
    options = parser().parse_args(argv)

    from matbridge.cli.take_argument import take_of
    from matbridge.display.chart import html
    from matbridge.plain import escaped
    from matbridge.sensing.calibration_file import to_text
    from matbridge.service.handover import Contents, pack
    from matbridge.service.loading import load

    loaded = load(options.file)
    show, calibration = loaded.show, loaded.calibration
    if loaded.calibration_error:
        print(f"packed uncalibrated: {escaped(loaded.calibration_error)}", file=sys.stderr)
    names = [Path(file).name for file in show.files]
    contents = Contents(
        performance=(names[0], show.texts[0]),
        mat=(names[1], show.texts[1]),
        chart=html(show, show.performance.presets),
        calibration=None if calibration is None else to_text(calibration),
        takes=tuple(take_of(take).path for take in options.take),
    )
    size = pack(contents, options.output)
    held = [*names, "a chart", "no calibration" if calibration is None else "its calibration"]
    held += [take.name for take in contents.takes]
    print(escaped(f"{options.output}: {size / 1e3:.1f} kB; {', '.join(held)}"))
    return 0


def _zip(text: str) -> Path:
    path = Path(text)
    if path.suffix.lower() != PACKED:
        raise argparse.ArgumentTypeError(f"{text} should end in {PACKED}")
    return path
