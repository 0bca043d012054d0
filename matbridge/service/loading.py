"""A performance, its mat and the mat's calibration, loaded together; in a process of its own too.

To read, check and compile files takes tenths of a second, most of it for what is imported to do it.
A bridge has neither that time nor that memory to spare. When it starts, a fork of it loads while it
imports everything else; when it plays, a new process does. Each sends what `load` returned, or why
it did not, as a pickle.
"""

from __future__ import annotations

import contextlib
import gc
import os
import pickle
import signal
import traceback
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import NoReturn

from matbridge.errors import CalibrationError, MatbridgeError
from matbridge.mapping.plan import Show
from matbridge.sensing.calibration import Calibration

# A loader that takes longer has hung: the largest show is checked in a second.
LOADING_S = 30.0

# How much of what a loader sends is taken at once.
READ_BYTES = 1 << 18

_INTERRUPT = {signal.SIGINT}


@dataclass(frozen=True, slots=True)
class Loaded:
    """A show and the calibration of its mat, if it has one that fits.

    calibration_path: where it is or would be. calibration_error: why one that is there is not used.
    """

    show: Show
    calibration: Calibration | None
    calibration_path: Path
    calibration_error: str = ""


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


def send(file: str, to_fd: int) -> None:
    """Load, and write what comes of it to a descriptor, which is closed."""
    result: Loaded | MatbridgeError
    try:
        result = load(file)
    except MatbridgeError as error:
        result = error
    with open(to_fd, "wb") as out:
        pickle.dump(result, out, pickle.HIGHEST_PROTOCOL)


def received(data: bytes) -> Loaded | MatbridgeError:
    """What `send` wrote. Raises EOFError where it did not come to that."""
    try:
        result = pickle.loads(data)  # noqa: S301 - from our own process
    except Exception as error:
        raise EOFError(f"the loader ended without a result ({error})") from error
    if isinstance(result, Loaded | MatbridgeError):
        return result
    raise EOFError("the loader gave something else")


class Loading:
    """A load that goes on beside this process, in a fork of it: there must be no thread yet.

    Left as a context, it is ended, whatever it is at.
    """

    def __init__(self, file: str) -> None:
        """Raises MatbridgeError where there is no process to be had."""
        self.file = file
        self._fd, to_fd = os.pipe()
        # An interrupt amid the fork would be raised where nobody sees it, or in the child.
        signal.pthread_sigmask(signal.SIG_BLOCK, _INTERRUPT)
        try:
            self._pid = os.fork()
            if not self._pid:
                os.close(self._fd)
                _work(file, to_fd)
        except OSError as error:
            os.close(self._fd)
            raise MatbridgeError(f"{file}: no process to load in: {error.strerror}") from error
        finally:
            os.close(to_fd)
            signal.pthread_sigmask(signal.SIG_UNBLOCK, _INTERRUPT)

    def __enter__(self) -> Loading:
        return self

    def __exit__(
        self,
        _kind: type[BaseException] | None,
        _error: BaseException | None,
        _trace: TracebackType | None,
    ) -> None:
        if self._pid:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._pid, signal.SIGKILL)
                self._wait()

    def result(self) -> Loaded:
        """Wait for what `load` returns or raises. Once.

        Raises MatbridgeError too where the process ended without either.
        """
        data = []
        while piece := os.read(self._fd, READ_BYTES):
            data.append(piece)
        code = self._wait()
        try:
            result = received(b"".join(data))
        except EOFError as error:
            raise MatbridgeError(f"{self.file}: {_ended(code)}") from error
        if isinstance(result, Loaded):
            return result
        raise result

    def _wait(self) -> int:
        """The exit code of the child, or minus the signal that ended it."""
        # An interrupt meanwhile leaves all of it to be done again.
        _, status = os.waitpid(self._pid, 0)
        self._pid = 0
        os.close(self._fd)
        return os.waitstatus_to_exitcode(status)


def _ended(code: int) -> str:
    """How a child that gave no result came to its end."""
    if code == -signal.SIGALRM:
        return f"loading took longer than {LOADING_S:g} s"
    if code < 0:
        name = signal.Signals(-code).name
        return f"the process that loads it was ended by {name}; is there memory left?"
    return "the process that loads it failed by a mistake in matbridge; please report it"


def _work(file: str, to_fd: int) -> NoReturn:
    """What the fork does instead of all that its parent would go on to do."""
    code = 1
    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _INTERRUPT)
        # Whether or not somebody is left who waits for it.
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_REAL, LOADING_S)
        # It ends before there is much to collect.
        gc.disable()
        send(file, to_fd)
        code = 0
    except BrokenPipeError:
        pass  # the parent has gone
    except BaseException:  # noqa: BLE001 - nothing may get out of here into the parent's code
        traceback.print_exc()
    finally:
        os._exit(code)
