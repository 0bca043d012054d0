"""A JACK server of our own, and a receiver that is not ours: the server's own jack_midi_dump."""

from __future__ import annotations

import ctypes
import fcntl
import os
import signal
import subprocess
import tempfile
import time
from collections.abc import Callable, Mapping
from itertools import count
from pathlib import Path
from types import TracebackType
from typing import Self

# What starting or ending a server or a client may take on a busy machine.
PATIENCE_S = 10.0

_numbers = count(1)

# A server that waits for its clients waits ten times as long: 100 ms. It does so for one too that
# leaves in the middle of a period, which must not hold up the others for long.
_TIMEOUT_MS = 10

# JACK's registry has eight places, and a server that did not end in peace keeps its own until one
# of the same name starts. So tests share a few names, each locked for as long as it is used.
_NAMES = 4
_PR_SET_PDEATHSIG = 1


def _reserve_name() -> tuple[str, int]:
    """A name that no other test uses, and the locked descriptor that says so."""
    held: list[tuple[str, int]] = []

    def found() -> bool:
        for number in range(_NAMES):
            name = f"matbridge-test-{number}"
            path = Path(tempfile.gettempdir()) / f"{name}-{os.getuid()}.lock"
            fd = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                os.close(fd)
                continue
            held.append((name, fd))
            return True
        return False

    wait_until(found, "a free name for a JACK server", patience_s=60.0)
    return held[0]


def _scheduling() -> str:
    """With real-time threads where we may, so that a busy machine makes nobody wait."""
    return "-R" if os.geteuid() == 0 else "-r"


def _end_with_the_test() -> None:
    """In the new process: be terminated when the one that started it goes, however it goes."""
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


def wait_until(met: Callable[[], bool], what: str, patience_s: float = PATIENCE_S) -> None:
    """Look until `met`, and fail with `what` after `patience_s`."""
    end_s = time.monotonic() + patience_s
    while not met():
        if time.monotonic() > end_s:
            raise AssertionError(f"waited {patience_s} s in vain for {what}")
        time.sleep(0.005)


def listed_ports(env: Mapping[str, str]) -> list[str]:
    """The names of all ports of the server that `env` leads to, by JACK's own lister."""
    done = subprocess.run("jack_lsp", env=env, capture_output=True, text=True, check=False)
    return done.stdout.split("\n")


class _Program:
    """One of JACK's own, in a process of ours."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def freeze(self) -> None:
        """Stop it where it is, as a debugger or a swapping machine does."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def _signal(self, number: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(number)


class JackServer(_Program):
    """`jackd` without a sound card, under a name of its own, as a context manager.

    It waits for its clients before it begins the next period. One that does not goes on without a
    receiver that is late, and what was sent in that period is lost.

    env: what a client needs to find it, and no other.
    """

    def __init__(self) -> None:
        super().__init__()
        self.name, self._lock = _reserve_name()
        self.env = {"JACK_DEFAULT_SERVER": self.name, "JACK_NO_START_SERVER": "1"}
        self._killed = False
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the server

    def __enter__(self) -> Self:
        try:
            self.start()
        except AssertionError:
            self.stop()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
        self._said.close()
        os.close(self._lock)

    def start(self) -> None:
        """Start, and wait until clients are taken."""
        self._process = subprocess.Popen(
            (
                *("jackd", "-n", self.name, _scheduling(), "--sync", "-t", str(_TIMEOUT_MS)),
                *("-d", "dummy", "-r", "48000", "-p", "64"),
            ),
            stdin=subprocess.DEVNULL,
            stdout=self._said,
            stderr=self._said,
            preexec_fn=_end_with_the_test,  # noqa: PLW1509 - it only calls the kernel
        )
        self._killed = False
        door = Path(f"/dev/shm/jack_{self.name}_{os.getuid()}_0")  # noqa: S108 - JACK's own place
        try:
            wait_until(door.exists, f"jackd {self.name}")
            wait_until(lambda: "system:playback_1" in self.ports(), f"ports of jackd {self.name}")
        except AssertionError as error:
            self._said.seek(0)
            raise AssertionError(f"{error}; it says {self._said.read()[-500:]!r}") from error

    @property
    def process_id(self) -> int:
        assert self._process is not None
        return self._process.pid

    def ports(self) -> list[str]:
        return listed_ports({**os.environ, **self.env})

    def kill(self) -> None:
        """End it with no chance to tell anybody."""
        self._signal(signal.SIGKILL)
        assert self._process is not None
        self._process.wait()
        self._killed = True

    def stop(self) -> None:
        if self._killed:
            # So that it leaves its place in the registry.
            self.start()
        process = self._process
        if process is None or process.poll() is not None:
            return
        process.send_signal(signal.SIGCONT)
        process.terminate()
        try:
            # It waits five seconds for a client that was killed.
            process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


class JackReader(_Program):
    """An independent JACK client with one MIDI input, which keeps what it hears.

    Others connect to `port`; or it connects itself, by `connect`.
    """

    def __init__(self, server: JackServer) -> None:
        super().__init__()
        self._server = server
        self._client = f"reader{next(_numbers)}"
        self.port = f"{self._client}:input"
        self._heard = b""
        self._skipped = 0

    def __enter__(self) -> Self:
        environment = {**os.environ, **self._server.env}
        self._process = subprocess.Popen(
            # It keeps 128 messages until it has printed them, and loses those that come then; so
            # it must not be kept waiting for its turn.
            ("nice", "-n", "-15", "stdbuf", "-oL", "jack_midi_dump", "-a", self._client),
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        assert self._process.stdout is not None
        os.set_blocking(self._process.stdout.fileno(), False)
        wait_until(lambda: self.port in self._server.ports(), f"the JACK port {self.port}")
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        self.thaw()
        # One that is killed keeps the server busy for seconds.
        self._process.terminate()
        self._process.wait()
        self._process.stdout.close()

    def connect(self, source: str, send: Callable[[bytes], None]) -> None:
        """Join the port `source` to ours, and wait until what `send` sends comes through.

        A server takes up a connection a little later than it says, and one that clears up after
        the dead may refuse at first.
        """
        wait_until(lambda: self._connected(source), f"a connection from {source} to {self.port}")
        for number in range(128):
            probe = bytes((0xBF, 119, number))
            send(probe)
            time.sleep(0.01)
            if probe in self.messages():
                break
        self._skipped += len(self.messages())

    def _connected(self, source: str) -> bool:
        joined = subprocess.run(
            ("jack_connect", "-s", self._server.name, source, self.port),
            env={**os.environ, **self._server.env},
            capture_output=True,
            check=False,
        )
        return joined.returncode == 0

    def messages(self) -> list[bytes]:
        """All that was heard so far. A line reads `FRAME: 90 3c 64 note on ...`."""
        assert self._process is not None
        assert self._process.stdout is not None
        while chunk := self._process.stdout.read():
            self._heard += chunk
        lines = self._heard.decode().split("\n")[:-1]
        return [_message(line.partition(":")[2].split()) for line in lines[self._skipped :]]

    def wait_for(self, wanted: bytes, patience_s: float = PATIENCE_S) -> None:
        """Wait until `wanted` has been heard."""
        wait_until(lambda: wanted in self.messages(), wanted.hex(" "), patience_s)


def _message(words: list[str]) -> bytes:
    status = int(words[0], 16)
    length = 2 if status & 0xF0 in (0xC0, 0xD0) else 3
    return bytes(int(word, 16) for word in words[:length])
