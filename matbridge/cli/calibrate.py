"""`matbridge calibrate FILE`: measures what every zone reads at rest, pressed softly and hard."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path


def main(argv: Sequence[str]) -> int:
    """0: measured and kept, or shown; 1: not."""
    options = _parser().parse_args(argv)
    from matbridge.cli.calibrate_result import keep, show
    from matbridge.cli.calibrate_session import Session, now
    from matbridge.cli.mat_argument import load_mat_of
    from matbridge.cli.terminal import Terminal
    from matbridge.display.calibration_drawing import check_target
    from matbridge.sensing.calibration_file import calibration_path, check_place

    mat = load_mat_of(options.file)
    if options.report is not None:
        check_target(options.report)
    terminal = Terminal(plain=options.plain)
    if options.show:
        show(terminal.console, mat, options.report)
        return 0
    check_place(calibration_path(mat.name))
    if options.take is not None:
        from matbridge.cli.calibrate_take import walk_through

        guide, date = walk_through(options.take, mat)
        keep(terminal.console, mat, guide, date, options.report)
        return 0
    session = Session(terminal, mat, walk=options.walk, alone=options.yes)
    if not session.measure():
        print("matbridge: nothing was kept; what was in use still is", file=sys.stderr)
        return 1
    keep(terminal.console, mat, session.guide, now(), options.report)
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="matbridge calibrate",
        description="Measure what every zone of the mat reads: at rest, pressed softly, and hard. "
        "The result is kept in the state folder, the one before it beside it; no file of yours is "
        "written.",
    )
    parser.add_argument("file", metavar="FILE", help="a mat file, or a performance that names one")
    source = parser.add_mutually_exclusive_group()
    source.add_argument(
        "--walk", action="store_true", help="press the zones in any order, instead of as asked"
    )
    parser.add_argument(
        "--yes",
        action="store_true",
        help="never wait for a key: begin at once, leave out what is not pressed in "
        "10 s, and keep the result",
    )
    source.add_argument(
        "--take",
        metavar="TAKE",
        type=Path,
        help="measure from a recorded take: its first still moment, and every press in it",
    )
    source.add_argument(
        "--show", action="store_true", help="measure nothing: show the calibration in use"
    )
    parser.add_argument(
        "--report", metavar="PICTURE", type=Path, help="draw it too, as PICTURE.svg or .html"
    )
    parser.add_argument(
        "--plain", action="store_true", help="print lines, draw no bars (as without a terminal)"
    )
    return parser
