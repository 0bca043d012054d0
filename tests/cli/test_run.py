"""`matbridge run`, as a shell or a service manager starts it."""

from __future__ import annotations

import fcntl
import json
import os
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from matbridge.errors import MatbridgeError
from matbridge.service.control import ControlServer
from matbridge.service.host import MISTAKES_ALLOWED, Host, Options
from matbridge.service.loading import Loading
from matbridge.service.log import Format, Log
from tests.support.bridge import PROGRAM, Bridge, folders
from tests.support.jack import wait_until
from tests.support.pty_board import PtyBoard
from tests.support.quay import CHANNEL, FIRST_NOTE, Feet, Synth, write_quay


class Rig:
    """What a bridge needs around it; a test starts the bridge as it likes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.board = PtyBoard()
        self.synth = Synth(folder)
        self.show = write_quay(folder, self.board.path, f"  out: {{serial: {self.synth.path}}}")

    def bridge(self, *more: str, env: dict[str, str] | None = None) -> Bridge:
        return Bridge(self.show, self.folder, env, *more)


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    with made.board, made.synth:
        yield made


def test_it_starts_with_the_preset_that_is_asked_for(rig: Rig) -> None:
    with rig.bridge("--preset", "flood tide") as bridge, Feet(rig.board) as feet:
        bridge.until_logged("board plays")
        time.sleep(1.0)
        feet.hold("z0")
        rig.synth.wait_for_note("on", 2, 72)
        feet.let_go("z0")
        rig.synth.wait_for_note("off", 2, 72)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["run"], 2, "FILE"),
        (["run", "--nonsense", "x"], 2, "--nonsense"),
        (["run", "--name", "a/b", "x"], 2, "no name for a bridge"),
        (["run", "nothing.yaml"], 1, "nothing.yaml"),
        (["run", "SHOW", "--preset", "flod"], 1, "there is no preset 'flod'"),
    ],
)
def test_what_cannot_be_run_says_why(rig: Rig, arguments: list[str], code: int, words: str) -> None:
    bridge = rig.bridge()
    done = bridge.command([str(rig.show) if word == "SHOW" else word for word in arguments])
    assert done.returncode == code
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert not list(Path(bridge.env["XDG_RUNTIME_DIR"]).rglob("*.socket"))


@pytest.mark.parametrize("packed", [False, True])
def test_what_loads_the_files_is_gone_when_it_plays(rig: Rig, packed: bool) -> None:
    if packed:
        zipped = rig.show.with_suffix(".zip")
        assert rig.bridge().command(["pack", str(rig.show), "-o", str(zipped)]).returncode == 0
        rig.show = zipped
    with rig.bridge() as bridge, Feet(rig.board):
        bridge.until_logged("board plays")
        process = Path(f"/proc/{bridge.pid}")
        assert "pydantic" not in (process / "maps").read_text()
        assert (process / f"task/{bridge.pid}/children").read_text() == ""


def test_an_interrupt_while_it_loads_ends_both_in_silence(rig: Rig) -> None:
    os.mkfifo(rig.folder / "hanging.yaml")
    rig.show = rig.folder / "hanging.yaml"
    bridge = rig.bridge()
    starting = subprocess.Popen(
        [PROGRAM, "run", str(rig.show)],
        env=os.environ | bridge.env,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    assert starting.stderr is not None
    with starting.stderr:
        children = Path(f"/proc/{starting.pid}/task/{starting.pid}/children")
        wait_until(lambda: children.read_text() != "", "the process that loads")
        os.killpg(starting.pid, signal.SIGINT)
        # Its end closes the pipe in the child too, or this would wait for ever.
        assert starting.stderr.read() == b""
        assert starting.wait(10) == 130


def test_a_wrong_file_starts_nothing(rig: Rig) -> None:
    rig.show.write_text(rig.show.read_text().replace("channel: 1", "channel: 17"))
    done = rig.bridge().command(["run", str(rig.show)])
    assert done.returncode == 1
    assert done.stderr.startswith(f"{rig.show}:8:14:")
    assert "channel: 17\n" in done.stderr
    assert rig.synth.data == b""
    with pytest.raises(OSError, match="Input/output"):  # nobody has the other end open
        rig.board.received(0.2)


def test_events_are_lines_of_json_if_asked(rig: Rig) -> None:
    with rig.bridge("--log-format", "json") as bridge:
        bridge.until_logged('"event": "playing"')
        bridge.signal(signal.SIGTERM)
        assert bridge.wait() == 128 + signal.SIGTERM
        events = [json.loads(line) for line in bridge.log.read_text().splitlines()]
    assert [event["event"] for event in events if event["event"] != "board not heard"] == [
        "output open",
        "preset",
        "playing",
        "stopped",
    ]
    assert events[1]["name"] == "ebb"


class Manager:
    """A service manager: a socket for words, and what came."""

    def __init__(self, folder: Path) -> None:
        self.path = str(folder / "notify")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self.path)

    def next(self, limit_s: float = 20.0) -> str:
        self._socket.settimeout(limit_s)
        return self._socket.recv(4096).decode()

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path)
    yield made
    made.close()


def test_ready_is_said_last_then_signs_of_life_then_stopping(rig: Rig, manager: Manager) -> None:
    env = {"NOTIFY_SOCKET": manager.path, "WATCHDOG_USEC": "300000"}
    with rig.bridge(env=env) as bridge:
        assert manager.next().startswith("STATUS=ebb")
        assert manager.next().startswith("READY=1\nSTATUS=quay, ebb")
        assert bridge.command(["preset"]).returncode == 0  # ready means ready
        began_s = time.monotonic()
        assert {manager.next() for _ in range(10)} == {"WATCHDOG=1"}
        assert time.monotonic() - began_s < 10 * 0.3
        bridge.ask("preset", "next")
        said = {manager.next() for _ in range(5)}
        assert "STATUS=flood tide" in said
        bridge.signal(signal.SIGTERM)
        assert bridge.wait() == 143
        while (word := manager.next()) == "WATCHDOG=1":
            pass
        assert word == "STOPPING=1"


def test_a_stopped_loop_gives_no_sign_of_life(rig: Rig, manager: Manager) -> None:
    env = {"NOTIFY_SOCKET": manager.path, "WATCHDOG_USEC": "300000"}
    with rig.bridge(env=env) as bridge:
        while manager.next() != "WATCHDOG=1":
            pass
        bridge.signal(signal.SIGSTOP)
        quiet = False
        while not quiet:
            try:
                manager.next(0.5)  # what was said before
            except TimeoutError:
                quiet = True
        bridge.signal(signal.SIGCONT)
        assert manager.next() == "WATCHDOG=1"


def test_realtime_and_locked_memory_are_had_or_their_refusal_is_a_line(rig: Rig) -> None:
    with rig.bridge("--realtime", "--lock-memory") as bridge:
        bridge.until_logged("playing")
        log = bridge.log.read_text()
        policy = os.sched_getscheduler(bridge.pid) & ~os.SCHED_RESET_ON_FORK
        assert policy == os.SCHED_FIFO or "no realtime priority" in log
        locked = Path(f"/proc/{bridge.pid}/status").read_text().partition("VmLck:")[2].split()[0]
        assert int(locked) > 1000 or "no memory lock" in log
        # A reload's own process must not run at that priority; it is nice instead.
        assert bridge.ask("reload") == "quay\n"


def test_the_board_is_ours_alone(rig: Rig) -> None:
    with rig.bridge() as bridge, Feet(rig.board):
        bridge.until_logged("board plays")
        # Another program that asks for it alone is refused (TIOCEXCL is not for root).
        fd = os.open(rig.board.path, os.O_RDWR | os.O_NOCTTY)
        try:
            with pytest.raises(BlockingIOError):
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        finally:
            os.close(fd)


def test_a_held_pedal_is_let_go_at_the_end(rig: Rig) -> None:
    text = rig.show.read_text().replace(f"z0: {{note: {FIRST_NOTE}}}", "z0: {control: sustain}")
    rig.show.write_text(text)
    with rig.bridge() as bridge, Feet(rig.board) as feet:
        bridge.until_logged("board plays")
        time.sleep(1.0)
        feet.hold("z0")
        down, up = bytes((0xB0 | CHANNEL - 1, 64, 127)), bytes((0xB0 | CHANNEL - 1, 64, 0))
        wait_until(lambda: down in rig.synth.messages(), "the pedal")
        bridge.signal(signal.SIGTERM)
        assert bridge.wait() == 143
        wait_until(lambda: up in rig.synth.messages(), "the pedal up")


@pytest.fixture
def own_host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Host, list[str]]]:
    """A host in this process."""
    for name, value in folders(tmp_path).items():
        monkeypatch.setenv(name, value)
    with ExitStack() as closed:
        manager = Manager(tmp_path)
        closed.callback(manager.close)
        lines: list[str] = []
        log = Log(lines.append, Format.JOURNAL)
        closed.callback(log.close)
        env = {"NOTIFY_SOCKET": manager.path, "WATCHDOG_USEC": "60000000"}
        made = Host(log, Options(), env)
        made.manager = manager  # type: ignore[attr-defined]
        yield made, lines
        made._notifier.close()


def test_mistakes_are_told_once_and_too_many_stop_the_signs_of_life(
    own_host: tuple[Host, list[str]],
) -> None:
    made, lines = own_host
    manager: Manager = made.manager  # type: ignore[attr-defined]

    def wrong() -> None:
        raise ValueError("\x1b[2J")

    for _ in range(MISTAKES_ALLOWED + 1):
        made.loop.call_at(0.0, wrong)
    made.loop.call_at(made.loop.now_s() + 0.05, lambda: made.stop(7))
    made.loop.run()
    made._sign_of_life()
    with pytest.raises(TimeoutError):
        manager.next(0.1)
    made._sign_of_life()  # nothing has gone wrong since
    assert manager.next() == "WATCHDOG=1"
    made._log.close()
    (line,) = lines
    assert "mistake in matbridge" in line
    assert "test_run.py" in line
    assert line.rstrip("\n").isprintable()


# The log has a thread already; what is forked does without it.
@pytest.mark.filterwarnings("ignore:.*multi-threaded:DeprecationWarning")
def test_a_host_that_cannot_open_its_socket_leaves_nothing_sounding(
    own_host: tuple[Host, list[str]], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, _ = own_host
    show = write_quay(tmp_path, "simulated", f"  out: {{file: {tmp_path / 'quay.mid'}}}")

    def refuse(_: object) -> None:
        raise MatbridgeError("no socket")

    monkeypatch.setattr(ControlServer, "open", refuse)
    before = signal.getsignal(signal.SIGTERM)
    with Loading(str(show)) as loading, pytest.raises(MatbridgeError, match="no socket"):
        made.run(loading)
    assert signal.getsignal(signal.SIGTERM) is before
    assert made.loop.pending == 0
