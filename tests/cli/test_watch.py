"""`matbridge watch`, on a terminal of 80 by 24 as over ssh, and what it may cost the bridge."""

from __future__ import annotations

import os
import re
import select
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pyte
import pytest

from tests.support.bridge import PROGRAM, Bridge
from tests.support.pty_board import PtyBoard
from tests.support.quay import Feet, Synth, write_quay


class Terminal:
    """A terminal that keeps its screen; COLORTERM and colours are not what it knows."""

    def __init__(self, bridge: Bridge, *more: str) -> None:
        self.screen = pyte.Screen(80, 24)
        self._stream = pyte.ByteStream(self.screen)
        self._master, slave = os.openpty()
        env = {**bridge.env, "TERM": "vt100", "COLUMNS": "80", "LINES": "24", "NO_COLOR": "1"}
        self.process = subprocess.Popen(
            [PROGRAM, "watch", *more], env=env, stdin=subprocess.DEVNULL, stdout=slave, stderr=slave
        )
        os.close(slave)
        self.raw = b""

    def until(self, met: Callable[[str], bool], limit_s: float = 15.0) -> str:
        """Feed the screen until it shows what is asked; the screen's text."""
        end_s = time.monotonic() + limit_s
        while not met(self.text):
            assert time.monotonic() < end_s, f"waited in vain; the screen:\n{self.text}"
            if select.select([self._master], [], [], 0.1)[0]:
                try:
                    data = os.read(self._master, 65536)
                except OSError:
                    data = b""
                self.raw += data
                self._stream.feed(data)
        return self.text

    @property
    def text(self) -> str:
        return "\n".join(self.screen.display)

    def close(self) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._master)


@pytest.fixture(scope="module")
def playing(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Bridge, Feet, PtyBoard]]:
    folder = tmp_path_factory.mktemp("watch")
    with PtyBoard() as board, Synth(folder) as synth:
        show = write_quay(folder, board.path, f"  out: {{serial: {synth.path}}}")
        with Bridge(show, folder) as bridge, Feet(board) as feet:
            bridge.until_logged("board plays")
            time.sleep(1.0)
            yield bridge, feet, board


@pytest.mark.parametrize("more", [(), ("--ascii",)])
def test_a_press_is_seen_on_a_small_screen_without_colour(
    playing: tuple[Bridge, Feet, PtyBoard], more: tuple[str, ...]
) -> None:
    bridge, feet, board = playing
    terminal = Terminal(bridge, *more)
    mark = "*" if more else "\u25cf"
    try:
        text = terminal.until(lambda text: "scans/s" in text)
        assert "ebb (1 of 2)" in text
        assert all(f"z{zone}" in text for zone in range(6))
        assert board.path in text
        assert f"{mark} z2" not in text
        feet.hold("z2")
        terminal.until(lambda text: f"{mark} z2" in text and "D4/1" in text)
        bridge.ask("preset", "next")
        terminal.until(lambda text: "flood tide (2 of 2)" in text)
        feet.let_go("z2")
        terminal.until(lambda text: f"{mark} z2" not in text)
        assert b"\x1b[3" not in terminal.raw.replace(b"\x1b[39m", b"")  # no colour is set
        terminal.process.send_signal(signal.SIGINT)
        assert terminal.process.wait(10) == 130
    finally:
        terminal.close()
        bridge.ask("preset", "ebb")


def test_how_to_leave_and_whether_a_take_is_made_are_seen(
    playing: tuple[Bridge, Feet, PtyBoard],
) -> None:
    bridge, _, _ = playing
    terminal = Terminal(bridge)
    try:
        assert "Ctrl-C leaves" in terminal.until(lambda text: "scans/s" in text)
        assert "recording" not in terminal.text
        take = Path(bridge.ask("record").strip()).stem
        terminal.until(lambda text: re.search(rf"recording, [1-9]\.\d s  {take}", text) is not None)
        bridge.ask("record", "--stop")
        terminal.until(lambda text: "recording" not in text)
    finally:
        terminal.close()
        bridge.ask("record", "--stop")


def test_a_watcher_that_stops_reading_is_dropped_and_the_bridge_plays_on(
    playing: tuple[Bridge, Feet, PtyBoard],
) -> None:
    bridge, feet, _ = playing
    process = subprocess.Popen(
        [PROGRAM, "watch", "--json"],
        env=bridge.env,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        assert "scene" in process.stdout.readline()
        process.send_signal(signal.SIGSTOP)
        # Its socket fills; it has two seconds' grace from then on. Meanwhile the mat is played.
        end_s = time.monotonic() + 90
        folder = Path(bridge.env["XDG_RUNTIME_DIR"]) / "matbridge"
        while _connections(folder) > 0:
            assert time.monotonic() < end_s, "it was never dropped"
            feet.press("z1", 800.0, 0.05)
            assert bridge.command(["status"]).returncode == 0
        process.send_signal(signal.SIGCONT)
        _, said = process.communicate(timeout=20)
        assert process.returncode == 1
        assert "too slow" in said
    finally:
        process.kill()
        process.communicate()


def _connections(folder: Path) -> int:
    """Connections to the control socket as the kernel lists them: proc(5), /proc/net/unix."""
    connected = "03"  # SS_CONNECTED
    rows = [line.split() for line in Path("/proc/net/unix").read_text().splitlines()[1:]]
    return sum(len(row) > 7 and row[5] == connected and str(folder) in row[7] for row in rows)


def test_without_a_bridge_it_says_so(tmp_path: Path) -> None:
    done = Bridge(tmp_path / "none.yaml", tmp_path).command(["watch"])
    assert done.returncode == 3
    assert "no bridge is running" in done.stderr
