"""What becomes of a calibration: said, drawn, and kept; and the one in use, shown."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from matbridge.display.calibration_drawing import write
from matbridge.display.calibration_report import report
from matbridge.errors import CalibrationError
from matbridge.mapping.plan import MatPlan
from matbridge.mapping.wiring import wiring
from matbridge.plain import escaped
from matbridge.sensing.advice import Advice, advise
from matbridge.sensing.calibration import Calibration, check_fit
from matbridge.sensing.calibration_file import calibration_path, load, previous_path, save
from matbridge.sensing.guide import Guide
from matbridge.service.boards import make_detector

if TYPE_CHECKING:
    from rich.console import Console


def keep(console: Console, mat: MatPlan, guide: Guide, date: str, picture: Path | None) -> None:
    """Say what was measured, draw it where `picture` says, and write it to the state folder.

    Raises CalibrationError where there is nothing to keep, or the folder refuses.
    """
    calibration = guide.result(date)
    _present(console, mat, calibration, advice_of(mat, guide, calibration), picture)
    path = calibration_path(mat.name)
    had = path.exists()
    save(calibration, path)
    print(f"\nkept in {escaped(str(path))}")
    if had:
        print(f"the one before it in {escaped(str(previous_path(path)))}")


def show(console: Console, mat: MatPlan, picture: Path | None) -> None:
    """Say and draw the calibration in use; raises CalibrationError where there is none."""
    path = calibration_path(mat.name)
    calibration = load(path)
    if calibration is None:
        raise CalibrationError(
            f"the mat '{mat.name}' has not been calibrated: {path} is not there; "
            "run matbridge calibrate"
        )
    check_fit(calibration, wiring(mat))
    _present(console, mat, calibration, advise(calibration, onsets(mat, calibration)), picture)


def advice_of(mat: MatPlan, guide: Guide, calibration: Calibration) -> list[list[Advice]]:
    """What there is to say of each zone, with all that the guide has learnt."""
    return advise(
        calibration,
        onsets(mat, calibration),
        [finding.rest for finding in guide.findings],
        [finding.companion for finding in guide.findings],
    )


def onsets(mat: MatPlan, calibration: Calibration) -> list[float | None]:
    """For each zone the reading at which the detector, so calibrated, begins a touch."""
    readings: list[float | None] = [None] * len(mat.zones)
    for board in mat.boards:
        for view in make_detector(board, mat, calibration).view():
            readings[view.zone] = view.onset_reading
    return readings


def _present(
    console: Console,
    mat: MatPlan,
    calibration: Calibration,
    advice: Sequence[Sequence[Advice]],
    picture: Path | None,
) -> None:
    readings = onsets(mat, calibration)
    console.print(report(calibration, advice, readings))
    if picture is not None:
        write(picture, calibration, advice, readings, mat.zones)
        print(f"drawn in {escaped(str(picture))}")
