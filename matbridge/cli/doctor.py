"""`matbridge doctor FILE`: examines all that is between the mat and the synth."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import RenderableType

    from matbridge.display.doctor_report import Finding
    from matbridge.display.latency import Budget
    from matbridge.mapping.plan import MatPlan

# Long enough to count scans and to see the mains hum in the noise.
LISTEN_S = 4.0
MAX_LISTEN_S = 3600.0


def main(argv: Sequence[str]) -> int:
    """0: nothing is wrong; 1: something is, and was said."""
    options = _parser().parse_args(argv)
    from matbridge.cli.doctor_board import examine_boards
    from matbridge.cli.doctor_midi import examine_midi
    from matbridge.cli.mat_argument import split
    from matbridge.display.doctor_report import State

    mat, show = split(options.file)
    if not options.json:
        print(f"listening for {options.seconds:g} s; keep off the mat", flush=True)
    findings, budgets = examine_boards(mat, show, options.seconds)
    findings += [*_calibration(mat), *examine_midi(mat, show)]
    if options.json:
        print(json.dumps(_facts(findings, budgets), indent=1))
    else:
        _print(findings, budgets)
    return int(any(finding.state is State.WRONG for finding in findings))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="matbridge doctor",
        description="Listen to the mat at rest and look at all that is between it and the synth: "
        "the board, its link, every zone, the calibration, the MIDI system, and where time goes.",
    )
    parser.add_argument("file", metavar="FILE", help="a performance, or a mat file alone")
    parser.add_argument(
        "--seconds",
        metavar="S",
        type=_seconds,
        default=LISTEN_S,
        help=f"how long to listen ({LISTEN_S:g})",
    )
    parser.add_argument("--json", action="store_true", help="for programs: one JSON object")
    return parser


def _seconds(text: str) -> float:
    seconds = float(text)
    if not 1.0 <= seconds <= MAX_LISTEN_S:
        raise argparse.ArgumentTypeError(f"{text} is not within 1 and {MAX_LISTEN_S:g} s")
    return seconds


def _calibration(mat: MatPlan) -> list[Finding]:
    from matbridge.display.doctor_report import Finding, State
    from matbridge.errors import CalibrationError
    from matbridge.mapping.wiring import wiring
    from matbridge.sensing.advice import advise
    from matbridge.sensing.calibration import check_fit
    from matbridge.sensing.calibration_file import calibration_path, load

    about = "calibration"
    try:
        calibration = load(calibration_path(mat.name))
        if calibration is None:
            text = "none yet: zones are taken to be alike"
            return [Finding(about, State.NOTE, text, "run matbridge calibrate")]
        check_fit(calibration, wiring(mat))
    except CalibrationError as error:
        return [Finding(about, State.WRONG, str(error))]
    poor = sum(bool(found) for found in advise(calibration))
    if poor:
        text = f"of {calibration.date}; {poor} zones are not good"
        return [Finding(about, State.NOTE, text, "see matbridge calibrate --show")]
    return [Finding(about, State.GOOD, f"of {calibration.date}")]


def _print(findings: Sequence[Finding], budgets: Sequence[Budget]) -> None:
    from rich.console import Console

    from matbridge.display.doctor_report import budget_table, findings_table

    console = Console(highlight=False)
    shown: list[RenderableType] = [findings_table(findings)]
    shown += [budget_table(budget) for budget in budgets]
    for one in shown:
        console.print()
        console.print(one)


def _facts(findings: Sequence[Finding], budgets: Sequence[Budget]) -> dict[str, object]:
    return {
        "findings": [finding._asdict() for finding in findings],
        "latency": [
            {
                "way": [part._asdict() for part in budget.way],
                "outputs": [part._asdict() for part in budget.outputs],
                "usual_s": budget.sums_s()[0],
                "most_s": budget.sums_s()[1],
                "change_first": budget.change_first(),
            }
            for budget in budgets
        ],
    }
