"""A process that plays a show: everything around the bridge, from the first lock to the last word.

name claimed, while files are read ─▶ boards claimed ─▶ outputs open, owed notes out
  ─▶ boards looked for ─▶ control socket ─▶ ready
  ─▶ the loop, until a signal or `stop` ─▶ boards, notes, outputs
"""

from __future__ import annotations

import faulthandler
import gc
import os
import signal
import sys
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from matbridge.errors import MatbridgeError
from matbridge.folders import runtime_folder, state_folder
from matbridge.loop import Timer
from matbridge.mapping.plan import Show
from matbridge.service.bridge import Bridge
from matbridge.service.claims import Claims, name_of
from matbridge.service.commands import Commands
from matbridge.service.control import ControlServer, socket_path
from matbridge.service.loading import Loaded, Loading
from matbridge.service.log import Log
from matbridge.service.loop import ServiceLoop
from matbridge.service.notify import Notifier
from matbridge.service.owed import OwedNotes
from matbridge.service.reload import Reloader
from matbridge.service.signals import Signals

# Only the engine computes, but the log and the disk have a thread each. Python's own 5 ms is how
# long one of them could hold up a note; this is not felt.
SWITCH_INTERVAL_S = 0.0005

# Above every ordinary process, below sound servers (common practice: they take 70 and more).
REALTIME_PRIORITY = 40

# mlockall(2): what is mapped now, and what will be.
MCL_CURRENT, MCL_FUTURE = 1, 2

# So many mistakes of our own between two signs of life are no progress: the watchdog shall act.
MISTAKES_ALLOWED = 100


# A mistake that comes with every scan must not silence every note at once.
AMEND_S = 1.0


@dataclass(frozen=True, slots=True)
class Options:
    """preset: to start with, by name. name: of the bridge. realtime, lock_memory: ask for them."""

    preset: str | None = None
    name: str | None = None
    realtime: bool = False
    lock_memory: bool = False


class Host:
    """One process that plays one show."""

    def __init__(self, log: Log, options: Options, environ: Mapping[str, str] = os.environ) -> None:
        self._log = log
        self._options = options
        self._notifier = Notifier(environ)
        self._exit_code = 0
        self._mistakes = 0
        self._alive: Timer | None = None
        self._bridge: Bridge | None = None
        self._amending: Timer | None = None
        self.loop = ServiceLoop(self._mistake)

    def run(self, loading: Loading) -> int:
        """Play a performance that is being loaded, until told to stop; the exit code.

        Raises MatbridgeError where it cannot be played; nothing has been sent then.
        """
        claims = Claims(runtime_folder(), self._options.name or name_of(loading.file))
        try:
            claims.take_name()
            loaded = loading.result()
            preset = _preset(loaded.show, self._options.preset)
            claims.take_boards(loaded.show.mat.boards)
            bridge = Bridge(
                self.loop,
                self._log,
                loaded.show,
                loaded.calibration,
                owed=_owed(claims),
            )
            if loaded.calibration_error:
                self._log.warning("playing uncalibrated", reason=loaded.calibration_error)
            try:
                self._play(bridge, claims, loading.file, loaded, preset)
            finally:
                bridge.close()
        finally:
            claims.release()
            self._notifier.close()
        return self._exit_code

    def stop(self, exit_code: int) -> None:
        """End `run` with this code, after the turn of the loop that is under way."""
        self._exit_code = exit_code
        self.loop.stop()

    def _play(
        self, bridge: Bridge, claims: Claims, file: str, loaded: Loaded, preset: int | None
    ) -> None:
        reloader = Reloader(
            self.loop,
            file,
            lambda fresh: self._take(bridge, claims, fresh),
            self._reloaded,
        )
        commands = Commands(self.loop, bridge, reloader, claims.name, lambda: self.stop(0))
        server = ControlServer(
            self.loop, socket_path(claims.folder, claims.name), commands.handle, commands.watched
        )
        commands.show = server.show
        # Before the first note: from here on a signal ends it in good order.
        signals = Signals(
            self.loop,
            {
                signal.SIGINT: lambda: self.stop(128 + signal.SIGINT),
                signal.SIGTERM: lambda: self.stop(128 + signal.SIGTERM),
                signal.SIGHUP: reloader.reload,
            },
        )
        try:
            self._bridge = bridge
            bridge.on_preset = lambda preset: self._entered(preset, commands)
            bridge.open(preset)
            server.open()
            reloader.open(loaded)
            self._settle()
            show = loaded.show
            self._log.info("playing", performance=show.performance.name, mat=show.mat.name,
                           name=claims.name)  # fmt: skip
            self._notifier.ready(f"{show.performance.name}, {bridge.preset}")
            self._sign_of_life()
            self.loop.run()
        finally:
            self._notifier.stopping()
            for timer in (self._alive, self._amending):
                if timer is not None:
                    timer.cancel()
            reloader.close()
            bridge.close()
            server.close()  # last: who asked for the stop is told by the hang-up
            signals.close()
            self._log.info("stopped")

    def _settle(self) -> None:
        """From here on time is dear: what has been made stays, and threads take turns quickly."""
        if self._options.realtime:
            self._try("realtime priority", _realtime)
        if self._options.lock_memory:
            self._try("memory lock", _lock_memory)
        faulthandler.enable()
        sys.setswitchinterval(SWITCH_INTERVAL_S)
        gc.collect()
        gc.freeze()

    def _try(self, what: str, ask: Callable[[], None]) -> None:
        try:
            ask()
        except (OSError, MemoryError, AttributeError) as error:
            # The system refuses, a sandbox keeps ctypes from loading, or it is no Linux.
            self._log.warning(f"no {what}", reason=error)

    def _take(self, bridge: Bridge, claims: Claims, fresh: Loaded) -> str:
        """Take up a show that was loaded anew; why not, or an empty text."""
        try:
            claims.take_boards(fresh.show.mat.boards)
            bridge.swap(fresh.show, fresh.calibration)
        except MatbridgeError as error:
            return str(error)
        finally:
            claims.take_boards(bridge.show.mat.boards)
        return ""

    def _reloaded(self, error: str) -> None:
        if error:
            self._log.warning("not reloaded; the old mapping plays on", reason=error)
        else:
            self._log.info("reloaded")

    def _entered(self, preset: str, commands: Commands) -> None:
        self._log.info("preset", name=preset)
        self._notifier.status(preset)
        commands.entered()

    def _sign_of_life(self) -> None:
        """Feed the watchdog from the loop that does the work, and only while the work succeeds."""
        if self._notifier.watchdog_s is None:
            return
        if self._mistakes <= MISTAKES_ALLOWED:
            self._notifier.alive()
        self._mistakes = 0
        # Twice in its time, as sd_watchdog_enabled(3) advises, and once to spare.
        self._alive = self.loop.call_at(
            self.loop.now_s() + self._notifier.watchdog_s / 3, self._sign_of_life
        )

    def _mistake(self, error: Exception) -> None:
        """An exception that nobody expected: told once for each place, and survived."""
        self._mistakes += 1
        frames = traceback.extract_tb(error.__traceback__)
        place = f"{frames[-1].filename}:{frames[-1].lineno}" if frames else "nowhere"
        self._log.failed(f"mistake {place}", "a mistake in matbridge; please report it",
                         error=repr(error), place=place)  # fmt: skip
        if self._bridge is not None and self._amending is None:
            self._amending = self.loop.call_at(self.loop.now_s(), self._amend)

    def _amend(self) -> None:
        if self._bridge is not None:
            self._amending = self.loop.call_at(self.loop.now_s() + AMEND_S, self._amended)
            self._bridge.amend()

    def _amended(self) -> None:
        self._amending = None


def _owed(claims: Claims) -> OwedNotes:
    return OwedNotes(
        Path(claims.folder) / f"{claims.name}.sounding", state_folder() / f"{claims.name}.owed"
    )


def _preset(show: Show, name: str | None) -> int | None:
    if name is None:
        return None
    names = [preset.name for preset in show.performance.presets]
    if name not in names:
        raise MatbridgeError(
            f"there is no preset '{name}' in {show.files[0]}; there are {', '.join(names)}"
        )
    return names.index(name)


def _realtime() -> None:
    """Of this thread alone, and of no process that it starts."""
    os.sched_setscheduler(
        0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(REALTIME_PRIORITY)
    )


def _lock_memory() -> None:
    import ctypes

    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mlockall(MCL_CURRENT | MCL_FUTURE) != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
