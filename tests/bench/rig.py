"""The rig: a board on a pty, a receiver on another, and a bridge between, watched from outside.

Board and receiver run on the first processor under SCHED_FIFO where that is allowed, the bridge
alone on the last one under the normal scheduler, so that what is measured is the bridge and the
kernel.
"""

from __future__ import annotations

import array
import contextlib
import fcntl
import gc
import os
import select
import signal
import struct
import subprocess
import termios
import threading
import time
import tty
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench.play import Played

OPEN_LIMIT_S = 20.0
STALL_LIMIT_S = 20.0
BEHIND_LIMIT_S = 2.0  # a bridge this far behind will not catch up; the run ends there
SETTLE_S = 0.7
FLOOD_CHUNK = 4096
FIFO_PRIORITY = 10
PR_SET_TIMERSLACK = 29  # linux/prctl.h


@dataclass(frozen=True, slots=True)
class Started:
    """A running bridge. ready_s: from the start of the process until it had opened the board."""

    pid: int
    ready_s: float


@dataclass(slots=True)
class Run:
    """What one run of one bridge gave. Times are monotonic nanoseconds."""

    label: str
    scans: int  # how many were written; fewer than there are when the bridge fell behind
    written_ns: Sequence[int]  # when the last byte of each scan was handed to the kernel
    received: list[tuple[int, bytes]]  # raw MIDI as it was read
    cpu_s: float = 0.0
    wall_s: float = 0.0
    peak_rss_kib: int = 0
    ready_s: float = 0.0
    drained_ns: int = 0
    overrun: bool = False
    generator_late_ns: Sequence[int] = field(default_factory=list)


def _cpus() -> list[int]:
    return sorted(os.sched_getaffinity(0))


def fifo() -> None:
    with contextlib.suppress(OSError):
        flags = os.SCHED_FIFO | os.SCHED_RESET_ON_FORK
        os.sched_setscheduler(0, flags, os.sched_param(FIFO_PRIORITY))


def _family(pid: int) -> list[int]:
    """The process and its living descendants."""
    children: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError):
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
                children.setdefault(int(fields[1]), []).append(int(entry.name))
    found = [pid]
    for parent in found:
        found += children.get(parent, [])
    return found


def cpu_s(pid: int) -> float:
    """Processor seconds of the process and its descendants, all threads, to the nanosecond."""
    total = 0.0
    for member in _family(pid):
        with contextlib.suppress(OSError):
            # clock_getcpuclockid(3): the clock of another process is made from its inverted pid.
            total += time.clock_gettime((~member << 3) | 2)
    return total


def peak_rss_kib(pid: int) -> int:
    """Peak resident memory of the process and its descendants, in KiB."""
    total = 0
    for member in _family(pid):
        with contextlib.suppress(OSError):
            for line in Path(f"/proc/{member}/status").read_text().splitlines():
                if line.startswith("VmHWM:"):
                    total += int(line.split()[1])
    return total


def _has_open(pid: int, path: str) -> bool:
    """Whether the process itself does. Cheap: it is asked a thousand times a second."""
    with contextlib.suppress(OSError):
        for entry in Path(f"/proc/{pid}/fd").iterdir():
            with contextlib.suppress(OSError):
                if str(entry.readlink()) == path:
                    return True
    return False


def _pin(pid: int, cpu: int) -> None:
    """Keep a process and its descendants, all threads, on one processor."""
    for member in _family(pid):
        with contextlib.suppress(OSError):
            for task in Path(f"/proc/{member}/task").iterdir():
                with contextlib.suppress(OSError):
                    os.sched_setaffinity(int(task.name), {cpu})


@contextlib.contextmanager
def started(label: str, command: Sequence[str], board: Pty, log: Path) -> Iterator[Started]:
    """A bridge that has opened its board; ended afterwards.

    Raises RuntimeError, with the end of its log, when it ends by itself.
    """
    since_ns = time.monotonic_ns()
    with log.open("wb") as sink:
        bridge = subprocess.Popen(
            list(command), stdin=subprocess.DEVNULL, stdout=sink, stderr=sink, env=_as_installed()
        )
    try:
        while not _has_open(bridge.pid, board.path):
            if bridge.poll() is not None or time.monotonic_ns() - since_ns > OPEN_LIMIT_S * 1e9:
                raise RuntimeError(f"{label} did not open the board\n{log.read_text()[-2000:]}")
            time.sleep(0.001)
        yield Started(bridge.pid, (time.monotonic_ns() - since_ns) / 1e9)
        if bridge.poll() is not None:
            raise RuntimeError(f"{label} ended by itself\n{log.read_text()[-2000:]}")
    finally:
        if bridge.poll() is None:
            bridge.send_signal(signal.SIGTERM)
            try:
                bridge.wait(3)
            except subprocess.TimeoutExpired:
                bridge.kill()
                bridge.wait()


def _as_installed() -> dict[str, str]:
    """The environment without what keeps an interpreter from its compiled modules: an installed
    program has them, and a checkout from its second start on.
    """
    return {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


class Pty:
    """A serial device of our own. The far end stays open here, so that nobody sees a hang-up."""

    def __init__(self) -> None:
        self.fd, self._far = os.openpty()
        tty.setraw(self.fd)
        tty.setraw(self._far)
        os.set_blocking(self.fd, False)
        self.path = os.ttyname(self._far)

    def unread(self) -> int:
        """Bytes that the bridge has not read yet."""
        answer = fcntl.ioctl(self._far, termios.FIONREAD, b"\0" * 4)
        return int(struct.unpack("i", answer)[0])

    def write(self, data: bytes) -> int:
        """Hand over everything; the time at which the last byte was taken, in ns."""
        since = time.monotonic()
        while data:
            try:
                data = data[os.write(self.fd, data) :]
                since = time.monotonic()
            except BlockingIOError:
                if time.monotonic() - since > STALL_LIMIT_S:
                    raise TimeoutError("the bridge does not read") from None
                select.select([], [self.fd], [], 1.0)
        return time.monotonic_ns()

    def drained(self, limit_s: float = 60.0) -> int:
        """When the bridge had read everything and left it so for 5 ms, in ns."""
        limit = time.monotonic() + limit_s
        since = 0
        while time.monotonic() < limit:
            if self.unread():
                since = 0
            elif not since:
                since = time.monotonic_ns()
            elif time.monotonic_ns() - since > 5_000_000:
                return since
            time.sleep(0.0002)
        raise TimeoutError("the bridge never read the rest")

    def close(self) -> None:
        os.close(self.fd)
        os.close(self._far)


class Receiver(threading.Thread):
    """Reads raw MIDI from a pty and notes when."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.pty = Pty()
        self.received: list[tuple[int, bytes]] = []
        self._ended = threading.Event()

    def run(self) -> None:
        fifo()
        poll = select.poll()
        poll.register(self.pty.fd, select.POLLIN)
        while not self._ended.is_set():
            if poll.poll(100):
                with contextlib.suppress(BlockingIOError):
                    data = os.read(self.pty.fd, 4096)
                    self.received.append((time.monotonic_ns(), data))

    def end(self) -> None:
        self._ended.set()
        if self.is_alive():
            self.join()
        self.pty.close()


def pace(board: Pty, played: Played, run: Run) -> None:
    """Write each scan at its moment, counted from the first, until the bridge falls behind."""
    step_ns = 1e9 / played.rate_hz
    start_ns = time.monotonic_ns() + 2_000_000
    late = array.array("q")
    written = array.array("q")
    for index, frame in enumerate(played.frames):
        due_ns = start_ns + int(index * step_ns)
        wait_ns = due_ns - time.monotonic_ns()
        if wait_ns > 0:
            time.sleep(wait_ns / 1e9)
        late.append(max(0, time.monotonic_ns() - due_ns))
        written.append(board.write(frame))
        if written[-1] - due_ns > BEHIND_LIMIT_S * 1e9:
            run.overrun = True
            break
    run.written_ns, run.generator_late_ns, run.scans = written, late, len(written)


def _flood(board: Pty, played: Played, run: Run, least_s: float) -> None:
    """Write as fast as the bridge reads, whole scans at a time, again and again for `least_s`."""
    chunks: list[tuple[int, bytes]] = []
    count, size = 0, 0
    begin = 0
    for index, frame in enumerate(played.frames):
        if count and size + len(frame) > FLOOD_CHUNK:
            chunks.append((count, b"".join(played.frames[begin:index])))
            begin, count, size = index, 0, 0
        count += 1
        size += len(frame)
    chunks.append((count, b"".join(played.frames[begin:])))
    start_ns = time.monotonic_ns()
    scans = 0
    while time.monotonic_ns() - start_ns < least_s * 1e9:
        for count, data in chunks:
            board.write(data)
            scans += count
    run.scans = scans
    run.written_ns = [start_ns]


@contextlib.contextmanager
def quiet_generator() -> Iterator[None]:
    """No garbage collection and no timer slack while scans are paced."""
    gc.collect()
    gc.freeze()
    gc.disable()
    try:
        import ctypes

        ctypes.CDLL(None).prctl(PR_SET_TIMERSLACK, 1, 0, 0, 0)
        yield
    finally:
        gc.enable()
        gc.unfreeze()


def measure(
    label: str,
    command: Callable[[str, str], Sequence[str]],
    played: Played,
    *,
    flood_s: float = 0.0,
    log: Path,
    beside: Callable[[int], None] | None = None,
) -> Run:
    """Run one bridge. command: from the paths of the board's and the MIDI line to what is started.

    beside: called with the bridge's pid when it is up; what it starts must end by itself.
    flood_s: 0 to pace the scans, else how long to write as fast as they are read.
    Raises RuntimeError, with the end of the bridge's log, when it ends by itself.
    """
    cpus = _cpus()
    board, receiver = Pty(), Receiver()
    run = Run(label, 0, [], receiver.received)
    try:
        with started(label, command(board.path, receiver.pty.path), board, log) as bridge:
            run.ready_s = bridge.ready_s
            _pin(bridge.pid, cpus[-1])
            os.sched_setaffinity(0, {cpus[0]})
            receiver.start()
            time.sleep(SETTLE_S)
            if beside is not None:
                beside(bridge.pid)
            with quiet_generator():
                before = cpu_s(bridge.pid), time.monotonic()
                if flood_s:
                    _flood(board, played, run, flood_s)
                else:
                    fifo()
                    pace(board, played, run)
                    os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
                run.drained_ns = board.drained()
                run.cpu_s = cpu_s(bridge.pid) - before[0]
                run.wall_s = time.monotonic() - before[1]
            time.sleep(SETTLE_S)
            run.peak_rss_kib = peak_rss_kib(bridge.pid)
    finally:
        os.sched_setaffinity(0, set(cpus))
        receiver.end()
        board.close()
    return run


def build_floor(folder: Path) -> Path:
    """Compile floor.c with the system's compiler; the program's path."""
    program = folder / "floor"
    source = Path(__file__).with_name("floor.c")
    compiler = os.environ.get("CC", "cc")
    subprocess.run([compiler, "-O2", "-Wall", "-o", str(program), str(source)], check=True)
    return program
