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
    """Raises DocumentError where a file is wrong, OSError where the state folder refuses."""
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
    result: Loaded | MatbridgeError | OSError
    try:
        result = load(file)
    except (MatbridgeError, OSError) as error:
        result = error
    with open(to_fd, "wb") as out:
        pickle.dump(result, out, pickle.HIGHEST_PROTOCOL)


def received(data: bytes) -> Loaded | MatbridgeError | OSError:
    """What `send` wrote. Raises EOFError where it did not come to that."""
    try:
        result = pickle.loads(data)  # noqa: S301 - from our own process
    except Exception as error:
        raise EOFError(f"the loader ended without a result ({error})") from error
    if isinstance(result, Loaded | MatbridgeError | OSError):
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
        try:
            self._pid = os.fork()
        except OSError as error:
            raise MatbridgeError(f"{file}: no process to load in: {error.strerror}") from error
        if not self._pid:
            os.close(self._fd)
            _work(file, to_fd)
        os.close(to_fd)

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
        self._wait()
        try:
            result = received(b"".join(data))
        except EOFError as error:
            raise MatbridgeError(f"{self.file}: {error}") from error
        if isinstance(result, Loaded):
            return result
        raise result

    def _wait(self) -> None:
        # An interrupt meanwhile leaves all of it to be done again.
        os.waitpid(self._pid, 0)
        self._pid = 0
        os.close(self._fd)


# How much of what a loader sends is taken at once.
READ_BYTES = 1 << 18


def _work(file: str, to_fd: int) -> NoReturn:
    """What the fork does instead of all that its parent would go on to do."""
    code = 1
    try:
        # It ends before there is much to collect.
        gc.disable()
        send(file, to_fd)
        code = 0
    except (KeyboardInterrupt, BrokenPipeError):
        pass  # the parent was told as well, or has gone
    except BaseException:  # noqa: BLE001 - nothing may get out of here into the parent's code
        traceback.print_exc()
    finally:
        os._exit(code)
