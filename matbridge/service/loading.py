"""A performance, its mat and the mat's calibration, loaded together; in a process of its own too.

To read, check and compile files takes a tenth of a second and more. A bridge that plays has none
to spare, so it has another process run `main`, which writes a pickle of what `load` returns, or of
its error as text, to standard output.
"""

from __future__ import annotations

import os
import pickle
import sys
from dataclasses import dataclass
from pathlib import Path

from matbridge.errors import CalibrationError, DocumentError, MatbridgeError
from matbridge.mapping.plan import Show
from matbridge.sensing.calibration import Calibration

# The child gives way to everything else; only the reload waits for it.
NICENESS = 10


@dataclass(frozen=True, slots=True)
class Loaded:
    """A show and the calibration of its mat, if it has one that fits.

    calibration_path: where it is or would be. calibration_error: why one that is there is not used.
    """

    show: Show
    calibration: Calibration | None
    calibration_path: Path
    calibration_error: str = ""


@dataclass(frozen=True, slots=True)
class NotLoaded:
    """What was wrong; files: what to watch until it is mended."""

    error: str
    files: tuple[str, ...]


def load(file: str) -> Loaded:
    """Raises DocumentError where a file is wrong."""
    from matbridge.mapping.load import load_show
    from matbridge.mapping.wiring import wiring
    from matbridge.sensing.calibration import check_fit
    from matbridge.sensing.calibration_file import calibration_path
    from matbridge.sensing.calibration_file import load as load_calibration

    show = load_show(file)
    path = calibration_path(show.mat.name)
    try:
        calibration = load_calibration(path)
        if calibration is not None:
            check_fit(calibration, wiring(show.mat))
    except CalibrationError as error:
        return Loaded(show, None, path, str(error))
    return Loaded(show, calibration, path)


def main(file: str) -> int:
    """The child's work; returns its exit code."""
    os.nice(NICENESS)
    result: Loaded | NotLoaded
    try:
        result = load(file)
    except DocumentError as error:
        files = dict.fromkeys(problem.path for problem in error.problems)
        result = NotLoaded(str(error), tuple(files))
    except MatbridgeError as error:
        result = NotLoaded(str(error), ())
    sys.stdout.buffer.write(pickle.dumps(result, pickle.HIGHEST_PROTOCOL))
    sys.stdout.buffer.flush()
    return 0
