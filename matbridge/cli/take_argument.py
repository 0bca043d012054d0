"""The TAKE of commands: a path, the name of one that is kept, or `last`. And what they write."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from matbridge.board.take_reader import Take
from matbridge.errors import TakeError

if TYPE_CHECKING:
    from matbridge.mapping.plan import MatPlan
    from matbridge.sensing.calibration import Calibration

HELP = "a take: its file, the name of one that `matbridge takes` lists, or 'last'"


def take_of(given: str) -> Take:
    """The take; raises TakeError where there is none, or it is damaged at its beginning."""
    from matbridge.service.recorder import find_take, takes_folder

    return Take(find_take(given, takes_folder()))


def add_replace(parser: argparse.ArgumentParser) -> None:
    """The switch without which no file is written over."""
    parser.add_argument("--replace", action="store_true", help="write over a file that is there")


def check_new(path: Path, replace: bool) -> None:
    """Raises TakeError where a file is there that is not to be replaced.

    What is no file, such as a pipe, takes what it is given.
    """
    if path.is_file() and not replace:
        raise TakeError(f"{path} is there already; name another, or write over it with --replace")


def calibration_in(take: Take, mat: MatPlan) -> Calibration | None:
    """The calibration that the take holds, or None with a word about one that does not fit.

    The running bridge plays on uncalibrated then, and so does a replay.
    """
    from matbridge.errors import CalibrationError
    from matbridge.plain import escaped
    from matbridge.service.replaying import calibration_of

    try:
        return calibration_of(take, mat)
    except CalibrationError as error:
        print(f"played uncalibrated: {escaped(str(error))}", file=sys.stderr)
        return None
