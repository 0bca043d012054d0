"""The real program as a process, with folders of its own."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from tests.support.jack import wait_until

PROGRAM = str(Path(sys.executable).with_name("matbridge"))


def folders(root: Path) -> dict[str, str]:
    """Where the program keeps things, below `root`; no JACK server is started by itself."""
    made = {"XDG_STATE_HOME": root / "state", "XDG_RUNTIME_DIR": root / "runtime"}
    for folder in made.values():
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return {name: str(folder) for name, folder in made.items()} | {"JACK_NO_START_SERVER": "1"}


class Bridge:
    """`matbridge run FILE` as a context manager. `env` comes on top of `folders`."""

    def __init__(
        self, show: Path, root: Path, env: Mapping[str, str] | None = None, *more: str
    ) -> None:
        self._root = root
        self.env = {**os.environ, **folders(root), **(env or {})}
        self._command = [PROGRAM, "run", str(show), *more]
        self.log = root / "bridge.log"
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        if kind is not None:
            print(self.log.read_text(errors="replace")[-4000:])

    def start(self) -> None:
        """Start it; what it says goes to `log`."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=self.env
            )

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def signal(self, number: signal.Signals) -> None:
        os.kill(self.pid, number)

    def wait(self, limit_s: float = 10.0) -> int:
        """Its exit code, once it has ended."""
        assert self._process is not None
        return self._process.wait(limit_s)

    def until_logged(self, words: str, limit_s: float = 20.0) -> None:
        """Wait until its log says this."""
        wait_until(
            lambda: words in self.log.read_text(errors="replace"), f"{words!r} in the log", limit_s
        )

    def ask(self, *arguments: str, check: bool = True) -> str:
        """What another command of the program prints."""
        done = self.command(arguments)
        if check and done.returncode:
            raise AssertionError(f"{arguments} ended with {done.returncode}: {done.stderr}")
        return done.stdout

    def command(self, arguments: Sequence[str]) -> subprocess.CompletedProcess[str]:
        """Another command of the program, ended."""
        return subprocess.run(
            [PROGRAM, *arguments],
            env=self.env,
            capture_output=True,
            text=True,
            check=False,
            timeout=30,
        )
