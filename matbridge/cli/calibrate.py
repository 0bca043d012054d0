"""`matbridge calibrate FILE`: measures what every zone reads at rest, pressed softly and hard."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

    from matbridge.board.scan import Scan
    from matbridge.mapping.plan import MatPlan
    from matbridge.sensing.advice import Advice
    from matbridge.sensing.calibration import Calibration

# With nobody to press a key, a press that does not come for so long is left out.
STEP_S = 10.0

GIVE_UP = ("q", "escape")
GO_ON = ("enter", "space", "right")
BACK = ("b", "backspace", "left")
NEXT_ZONE = ("n",)


def main(argv: Sequence[str]) -> int:
    """0: measured and kept (or shown); 1: not."""
    options = _parser().parse_args(argv)
    from matbridge.cli.mat_argument import load_mat_of
    from matbridge.display.calibration_drawing import check_target

    mat = load_mat_of(options.file)
    if options.report:
        check_target(options.report)
    if options.show:
        return _show(mat, options.report)
    session = _Session(mat, walk=options.walk, alone=options.yes, plain=options.plain)
    if not session.measure():
        print(
            "matbridge: nothing was kept; the calibration before is still in use", file=sys.stderr
        )
        return 1
    return session.keep(options.report)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="matbridge calibrate",
        description="Measure what every zone of the mat reads: at rest, pressed softly, and hard. "
        "The result is kept in the state folder, the one before it beside it; no file of yours is "
        "written.",
    )
    parser.add_argument("file", metavar="FILE", help="a mat file, or a performance that names one")
    parser.add_argument(
        "--walk", action="store_true", help="press the zones in any order, instead of as asked"
    )
    parser.add_argument(
        "--yes",
        action="store_true",
        help="never wait for a key: begin at once, leave out what is not pressed in "
        f"{STEP_S:.0f} s, and keep the result",
    )
    parser.add_argument(
        "--show", action="store_true", help="measure nothing: show the calibration in use"
    )
    parser.add_argument(
        "--report", metavar="PICTURE", type=Path, help="draw it too, as PICTURE.svg or .html"
    )
    parser.add_argument(
        "--plain", action="store_true", help="print lines, draw no bars (as without a terminal)"
    )
    return parser


class _Session:
    """One calibration, from the first scan to the file."""

    def __init__(self, mat: MatPlan, *, walk: bool, alone: bool, plain: bool) -> None:
        from matbridge.cli.listening import Listening
        from matbridge.cli.terminal import Terminal
        from matbridge.mapping.wiring import wiring
        from matbridge.sensing.guide import Guide

        self._mat = mat
        self._terminal = Terminal(plain=plain)
        self._alone = alone or self._terminal.alone
        self._guide = Guide(
            wiring(mat),
            [board.zones for board in mat.boards],
            walk=walk,
            step_s=STEP_S if self._alone else None,
        )
        self._listening = Listening(mat, self._take)
        self._latest: list[Sequence[int]] = [()] * len(mat.boards)
        self._kept = False
        if self._alone:
            self._guide.go_on()

    def measure(self) -> bool:
        """Until it is done; False if it was given up."""
        self._terminal.run(self._listening, self._picture, self._press_key, self._tick)
        return self._kept

    def keep(self, picture: Path | None) -> int:
        """Show it and write it down."""
        from matbridge.sensing.calibration_file import calibration_path, previous_path, save

        calibration = self._result()
        advice = self._advice(calibration)
        present(self._terminal.console, self._mat, calibration, advice, picture)
        path = calibration_path(self._mat.name)
        had = path.exists()
        save(calibration, path)
        print(f"\nkept in {path}")
        if had:
            print(f"the one before it in {previous_path(path)}")
        return 0

    def _result(self) -> Calibration:
        return self._guide.result(datetime.now().astimezone().isoformat(timespec="seconds"))

    def _advice(self, calibration: Calibration) -> list[list[Advice]]:
        from matbridge.sensing.advice import advise

        return advise(
            calibration,
            onset_readings(self._mat, calibration),
            [finding.rest for finding in self._guide.findings],
            [finding.companion for finding in self._guide.findings],
        )

    def _take(self, board: int, scan: Scan) -> None:
        self._latest[board] = scan.readings
        self._guide.feed(board, scan)

    def _press_key(self, key: str) -> None:
        from matbridge.sensing.guide import Stage

        if key in GIVE_UP:
            self._terminal.leave()
        elif key in GO_ON:
            if self._guide.stage is Stage.DONE:
                self._kept = True
                self._terminal.leave()
            self._guide.go_on()
        elif key in BACK:
            self._guide.back()
        elif key in NEXT_ZONE:
            self._guide.skip()

    def _tick(self) -> None:
        from matbridge.display import calibration_screen
        from matbridge.sensing.guide import Stage

        terminal, guide = self._terminal, self._guide
        terminal.say("trouble", self._listening.trouble())
        terminal.say("remark", calibration_screen.remark(guide))
        terminal.say("task", calibration_screen.task(guide))
        if self._alone:
            self._listening.check_patience()
            if guide.stage is Stage.DONE:
                self._kept = True
                terminal.leave()

    def _picture(self, width: int, height: int) -> Text:
        from matbridge.display.calibration_screen import screen
        from matbridge.sensing.guide import Stage

        done = self._guide.stage is Stage.DONE
        readings = [0] * len(self._mat.zones)
        for board, latest in zip(self._mat.boards, self._latest, strict=True):
            for zone, reading in zip(board.zones, latest, strict=False):
                if zone >= 0:
                    readings[zone] = reading
        return screen(
            self._guide,
            readings,
            self._listening.trouble(),
            width,
            height,
            advice=self._advice(self._result()) if done else (),
            plain=self._terminal.ascii,
        )


def present(
    console: Console,
    mat: MatPlan,
    calibration: Calibration,
    advice: Sequence[Sequence[Advice]],
    picture: Path | None,
) -> None:
    """Print a calibration, and draw it where `picture` says."""
    from matbridge.display.calibration_drawing import write
    from matbridge.display.calibration_report import report

    onsets = onset_readings(mat, calibration)
    console.print(report(calibration, advice, onsets))
    if picture is not None:
        places = [(zone.x_cm, zone.y_cm) for zone in mat.zones]
        write(picture, calibration, advice, onsets, places)
        print(f"drawn in {picture}")


def onset_readings(mat: MatPlan, calibration: Calibration) -> list[float | None]:
    """For each zone the reading at which the detector, so calibrated, begins a touch."""
    from matbridge.sensing import law
    from matbridge.service.boards import make_detector

    onsets: list[float | None] = [None] * len(mat.zones)
    top = float((1 << mat.sensor.bits) - 1)
    for board in mat.boards:
        for view in make_detector(board, mat, calibration).view():
            zone = calibration.zones[view.zone]
            full = law.DEFAULT_FULL * top if zone.full is None else zone.full
            falls = full < zone.rest
            # The law is that of a reading that rises.
            rest, full = (top - zone.rest, top - full) if falls else (zone.rest, full)
            rest_load = law.load(mat.sensor, rest)
            span = law.load(mat.sensor, full) - rest_load
            onset = law.reading(mat.sensor, rest_load + view.onset_level * span)
            onsets[view.zone] = top - onset if falls else onset
    return onsets


def _show(mat: MatPlan, picture: Path | None) -> int:
    from rich.console import Console

    from matbridge.errors import CalibrationError
    from matbridge.mapping.wiring import wiring
    from matbridge.sensing.advice import advise
    from matbridge.sensing.calibration import check_fit
    from matbridge.sensing.calibration_file import calibration_path, load

    path = calibration_path(mat.name)
    calibration = load(path)
    if calibration is None:
        raise CalibrationError(
            f"the mat '{mat.name}' has not been calibrated: {path} is not there; "
            "run matbridge calibrate"
        )
    check_fit(calibration, wiring(mat))
    advice = advise(calibration, onset_readings(mat, calibration))
    present(Console(highlight=False), mat, calibration, advice, picture)
    return 0
