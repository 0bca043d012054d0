"""Every error that matbridge raises on purpose.

    MatbridgeError                 anything below; its text is fit to be shown as it stands
    |-- DocumentError              a YAML file is wrong; carries every Problem in it
    |-- CalibrationError           a calibration that is damaged or made for another mat
    |-- TakeError                  a recording that is damaged, too new, or cannot be written
    |-- HandoverError              a packed show that is damaged or hostile, or cannot be written
    |-- BoardError                 the board
    |   |-- BoardUnavailable       it is not there, busy, or not ours to open; may come later
    |   `-- BoardLost              it was there and went away
    |-- OutputError                where MIDI goes
    |   |-- OutputUnavailable      the port or its driver is not there; may come later
    |   |-- OutputAmbiguous        a port pattern fits several ports; carries their names
    |   |-- OutputLost             it was open and went away
    |   `-- OutputClosed           a message for a port that is not open: a mistake of the caller
    `-- ControlError               the running bridge could not be reached, or refused

A message names the thing, the offending value, what is allowed, and what to do next.
"""

from __future__ import annotations

from dataclasses import dataclass


class MatbridgeError(Exception):
    """The root: catching it catches everything that matbridge raises on purpose."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong (or, for a warning, odd) in a file a person wrote.

    `line` and `column` count from 1; both are 0 when the whole file is meant. `source` is the
    text of that line, or empty.
    """

    path: str
    line: int
    column: int
    message: str
    source: str = ""

    def __str__(self) -> str:
        place = f"{self.path}:{self.line}:{self.column}" if self.line else self.path
        return f"{place}: {self.message}"


class DocumentError(MatbridgeError):
    """A mat or performance file is wrong. Raised once for a file, with every problem in it."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        super().__init__("\n".join(map(str, problems)))
        self.problems = problems

    def __reduce__(self) -> tuple[type[DocumentError], tuple[tuple[Problem, ...]]]:
        """An exception is otherwise made anew, in another process, from its text."""
        return DocumentError, (self.problems,)


class CalibrationError(MatbridgeError):
    """A calibration is damaged, or was made for another mat or sensor."""


class TakeError(MatbridgeError):
    """A recording is damaged, of a newer version, or cannot be written."""


class HandoverError(MatbridgeError):
    """A packed show is damaged, hostile or of a newer version, or cannot be written."""


class BoardError(MatbridgeError):
    """Something about the board."""


class BoardUnavailable(BoardError):
    """The board is not there, is held by another program, or may not be opened by this user."""


class BoardLost(BoardError):
    """An open board went away."""


class OutputError(MatbridgeError):
    """Something about a place where MIDI goes."""


class OutputUnavailable(OutputError):
    """The port, or the system that offers ports, is not there."""


class OutputAmbiguous(OutputError):
    """A pattern fits more than one port; `names` lists them."""

    def __init__(self, message: str, names: tuple[str, ...]) -> None:
        super().__init__(message)
        self.names = names


class OutputLost(OutputError):
    """An open output went away."""


class OutputClosed(OutputError):
    """A message was handed to an output that is not open."""


class ControlError(MatbridgeError):
    """The running bridge could not be reached, or refused what was asked."""
