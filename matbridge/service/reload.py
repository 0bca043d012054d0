"""A changed mapping, taken up while playing. One path for the file watch, SIGHUP and the command:

    watching ──a file changed, and is the same at the next look──┐
        ▲   ──asked──────────────────────────────────────────────┤
        │                                                        ▼
        ├──wrong: nothing changes, and it is told────────── loading (another process)
        ├──hung, or killed: likewise, and it is tried again──────┤
        └──right: the bridge takes the new show──────────────────┘

A wrong file is an error in the log, the reply and the status until a right one is there. So is a
calibration that does not fit, unless the bridge was started beside one and plays uncalibrated: then
it would keep every edit out. A request that comes while loading is loaded for once more, for the
files may have changed after they were read.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from matbridge.errors import DocumentError, MatbridgeError
from matbridge.loop import Loop, Timer
from matbridge.service.loading import LOADING_S, READ_BYTES, Loaded, received

# How often the files are looked at: an editor saves, a performer looks up, and it is there.
LOOK_S = 0.5

# How often an edit is tried whose loader hangs, is killed or finds no memory. What fails so often
# is no accident.
TRIES = 3

# The loader gives way to everything else; only the reload waits for it.
NICENESS = 10

# Not `-m`: the classes it pickles must be those of the module, not of __main__.
CHILD = f"""
import os, sys
os.nice({NICENESS})
from matbridge.service.loading import send
send(sys.argv[1], 1)
"""

Print = tuple[int, int, int] | None
"""What tells a file from what it was: time of change, size, inode (a rename); None when absent.
Compared for being other, not for being later: a file may be put back."""


class Reloader:
    """Watches the files of a show.

    on_loaded: called with what was loaded; returns an error text, or "" once it plays. on_done:
    called after each load with the error text or "". What `on_loaded` raises is told as an error
    and raised on, to the loop.
    """

    def __init__(
        self,
        loop: Loop,
        file: str,
        on_loaded: Callable[[Loaded], str],
        on_done: Callable[[str], None],
    ) -> None:
        self._loop = loop
        self._file = file
        self._on_loaded = on_loaded
        self._on_done = on_done
        self._files: tuple[str, ...] = ()
        self._prints: dict[str, Print] = {}
        self._changed: dict[str, Print] | None = None
        self._timer: Timer | None = None
        self._loader: _Loader | None = None
        self._tries = 0
        self._again = False
        self._asked: list[Callable[[str], None]] = []
        self._next_asked: list[Callable[[str], None]] = []
        self._unfit = False
        self.error = ""

    def open(self, loaded: Loaded) -> None:
        """Watch from now on the files that `loaded` came from."""
        self._watch_loaded(loaded)
        self._unfit = bool(loaded.calibration_error)
        self._timer = self._loop.call_at(self._loop.now_s() + LOOK_S, self._look)

    def close(self) -> None:
        """Stop watching, and loading. Twice is harmless."""
        if self._timer is not None:
            self._timer.cancel()
        if self._loader is not None:
            self._loader.close()
            self._loader = None

    def reload(self, answer: Callable[[str], None] | None = None) -> None:
        """Load now. answer: called when it is done, with the error text or ""."""
        if self._loader is not None:
            self._again = True
            if answer is not None:
                self._next_asked.append(answer)
            return
        if answer is not None:
            self._asked.append(answer)
        # Taken before the files are read: what changes later is a change.
        self._prints = {file: _print(file) for file in self._files}
        self._changed = None
        try:
            self._loader = _Loader(self._loop, self._file, self._loaded, self._not_read)
        except OSError as error:
            self._not_read(f"no process to load in: {error.strerror}")

    def _watch_loaded(self, loaded: Loaded) -> None:
        """Watch the files of what was loaded; one that is not as it was read then has changed."""
        self._watch((*loaded.show.files, str(loaded.calibration_path)))
        for file, text in zip(loaded.show.files, loaded.show.texts, strict=True):
            with contextlib.suppress(OSError):
                if Path(file).read_bytes() != text:
                    self._prints[file] = None

    def _watch(self, files: tuple[str, ...]) -> None:
        self._prints = {file: self._prints.get(file, _print(file)) for file in files}
        self._files = files

    def _look(self) -> None:
        prints = {file: _print(file) for file in self._files}
        if prints == self._prints:
            self._changed = None
        elif prints == self._changed and self._loader is None:
            self.reload()
        else:
            self._changed = prints
        self._timer = self._loop.call_at(self._loop.now_s() + LOOK_S, self._look)

    def _not_read(self, accident: str) -> None:
        """Whatever stands in the files, the process did not get to say: it counts as a change."""
        self._loader = None
        self._tries = (self._tries + 1) % TRIES
        if self._tries:
            self._prints = {}
            self._done(f"{accident}; it is tried again")
        else:
            self._done(f"{accident}; save a file again, or ask for a reload")

    def _loaded(self, result: Loaded | MatbridgeError) -> None:
        self._loader = None
        self._tries = 0
        if not isinstance(result, Loaded):
            if isinstance(result, DocumentError):
                # The mat file may be another one now: it must be watched to be seen mended.
                wrong = (problem.path for problem in result.problems)
                self._watch(tuple(dict.fromkeys((*self._files, *wrong))))
            self._done(str(result))
            return
        self._watch_loaded(result)
        # An edit must not take away the calibration that plays, nor leave a new one out unheard.
        error = "" if self._unfit else result.calibration_error
        try:
            error = error or self._on_loaded(result)
        except Exception as mistake:
            self._done(f"a mistake in matbridge: {mistake!r}")
            raise
        if not error:
            self._unfit = bool(result.calibration_error)
        self._done(error)

    def _done(self, error: str) -> None:
        self.error = error
        asked, self._asked, self._next_asked = self._asked, self._next_asked, []
        for answer in asked:
            answer(error)
        self._on_done(error)
        if self._again:
            self._again = False
            self.reload()


class _Loader:
    """The process that loads; calls `on_result` once, from the loop, or `on_accident`."""

    def __init__(
        self,
        loop: Loop,
        file: str,
        on_result: Callable[[Loaded | MatbridgeError], None],
        on_accident: Callable[[str], None],
    ) -> None:
        """Raises OSError where there is no process to be had."""
        self._loop = loop
        self._on_result = on_result
        self._on_accident = on_accident
        self._data: list[bytes] = []
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and module
            [sys.executable, "-P", "-c", CHILD, file],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        assert self._process.stdout is not None  # noqa: S101 - asked for above
        self._fd = self._process.stdout.fileno()
        os.set_blocking(self._fd, False)
        loop.add_reader(self._fd, self._read)
        self._limit = loop.call_at(loop.now_s() + LOADING_S, self._too_long)

    def close(self) -> None:
        """End the process, whatever it is at."""
        self._limit.cancel()
        self._loop.remove_reader(self._fd)
        with contextlib.suppress(OSError):
            self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()

    def _read(self) -> None:
        try:
            data = os.read(self._fd, READ_BYTES)
        except BlockingIOError:
            return
        if data:
            self._data.append(data)
            return
        self.close()
        try:
            result = received(b"".join(self._data))
        except EOFError as error:
            self._on_accident(str(error))
            return
        self._on_result(result)

    def _too_long(self) -> None:
        self.close()
        self._on_accident(f"loading took longer than {LOADING_S:g} s")


def _print(file: str) -> Print:
    try:
        found = Path(file).stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
