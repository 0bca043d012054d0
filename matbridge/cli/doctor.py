"""`matbridge doctor FILE`: examines all that is between the mat and the synth."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import RenderableType

    from matbridge.display.doctor_report import Finding
    from matbridge.display.latency import Budget
    from matbridge.mapping.plan import MatPlan, Show

# Long enough to count scans and to see the mains hum in the noise.
LISTEN_S = 4.0
MAX_LISTEN_S = 3600.0


def main(argv: Sequence[str]) -> int:
    """0: nothing is wrong; 1: something is, and was said."""
    options = _parser().parse_args(argv)
    from matbridge.cli.doctor_board import examine_boards
    from matbridge.cli.mat_argument import split
    from matbridge.display.doctor_report import State

    mat, show = split(options.file)
    if not options.json:
        print(f"listening for {options.seconds:g} s; keep off the mat", flush=True)
    findings, budgets = examine_boards(mat, show, options.seconds)
    findings += [*_calibration(mat), *_midi(show)]
    if options.json:
        print(json.dumps(_facts(findings, budgets), indent=1))
    else:
        _print(findings, budgets)
    return int(any(finding.state is State.WRONG for finding in findings))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="matbridge doctor",
        description="Listen to the mat at rest and look at all that is between it and the synth: "
        "the board, its link, every zone, the calibration, the MIDI drivers, and where time goes.",
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


def _midi(show: Show | None) -> list[Finding]:
    from matbridge.cli.midi_systems import midi_systems
    from matbridge.display.doctor_report import Finding, State
    from matbridge.mapping.plan import OutputKind

    systems, trouble = midi_systems()
    if trouble:
        return [Finding("MIDI", State.WRONG, trouble)]
    found = []
    working = [system for system in systems if not system.missing]
    outputs = show.performance.outputs if show is not None else ()
    needed = any(output.kind in (OutputKind.VIRTUAL, OutputKind.PORT) for output in outputs)
    for system in systems:
        if system.missing:
            # One system that works is enough, and none is needed for a serial jack or a file.
            state = State.WRONG if needed and not working else State.NOTE
            found.append(Finding(system.title, state, system.missing))
        else:
            text = f"works, {len(system.outputs)} ports to send to"
            found.append(Finding(system.title, State.GOOD, text))
    found += _remarks({system.name: system.missing for system in systems})
    return found + _outputs(show, [name for system in working for name in system.outputs])


def _remarks(missing: dict[str, str]) -> list[Finding]:
    """What else stands in the way. missing: by driver that is built in, why it does not work."""
    from matbridge.board import adapter
    from matbridge.display.doctor_report import Finding, State

    found = []
    if sys.platform == "linux" and "alsa" not in missing:
        text = "python-rtmidi was built without ALSA, the MIDI system of most Linux desktops"
        remedy = "install its package of the system, or libasound2-dev and then python-rtmidi anew"
        found.append(Finding("MIDI", State.NOTE, text, remedy))
    if missing.get("jack") and adapter.running(("pipewire",)):
        text = "PipeWire runs; the JACK library that comes with python-rtmidi cannot reach it"
        remedy = "use ALSA, or build python-rtmidi against the JACK library of PipeWire"
        found.append(Finding("MIDI", State.NOTE, text, remedy))
    return found


def _outputs(show: Show | None, names: Sequence[str]) -> list[Finding]:
    """Whether the outputs of a performance that must exist already do."""
    from matbridge.cli.doctor_board import may_use
    from matbridge.display.doctor_report import Finding, State
    from matbridge.errors import OutputAmbiguous
    from matbridge.mapping.plan import OutputKind
    from matbridge.midi.port_names import find
    from matbridge.plain import escaped

    found = []
    for output in show.performance.outputs if show is not None else ():
        about, target = f"output {output.name}", escaped(output.target)
        if output.kind is OutputKind.PORT:
            try:
                there = find(output.target, list(names)) is not None
            except OutputAmbiguous as error:
                found.append(Finding(about, State.WRONG, escaped(str(error))))
                continue
            if there:
                found.append(Finding(about, State.GOOD, f"'{target}' is there"))
            else:
                text = f"no MIDI port fits '{target}' now"
                found.append(Finding(about, State.WRONG, text, "see matbridge ports"))
        elif output.kind is OutputKind.SERIAL:
            found.append(may_use(about, output.target))
    return found


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
