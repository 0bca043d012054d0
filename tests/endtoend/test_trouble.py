"""Nothing stops the show: the real process, and everything around it that can fail."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.midi.test_inputs import Controller
from tests.support.bridge import PROGRAM, Bridge
from tests.support.jack import JackReader, JackServer, wait_until
from tests.support.pty_board import PtyBoard
from tests.support.quay import CHANNEL, FIRST_NOTE, Feet, Synth, write_quay

# A detector learns the rest of a mat before it plays.
QUIET_S = 1.0

# From the moment a board goes away to the note-off: the promise, and a busy machine's share.
LIFT_S = 0.3
BUSY_S = 0.5


class Rig:
    """A show on a board behind a link, as by-id links are, and a serial jack."""

    def __init__(self, folder: Path, *outputs: str, env: dict[str, str] | None = None) -> None:
        self.folder = folder
        self.link = folder / "board"
        self.synth = Synth(folder)
        lines = "\n".join((f"  out: {{serial: {self.synth.path}}}", *outputs))
        self.show = write_quay(folder, str(self.link), lines)
        self.bridge = Bridge(self.show, folder, env)
        self.board = PtyBoard(self.link)
        self.feet = Feet(self.board)
        self._open = contextlib.ExitStack()

    def __enter__(self) -> Rig:
        self._open.enter_context(self.synth)
        self._open.enter_context(self.bridge)
        try:
            self._plug()
        except BaseException:
            self.__exit__(*sys.exc_info())
            raise
        return self

    def __exit__(self, *error: object) -> None:
        self.feet.__exit__()
        self.board.unplug()
        if any(error):
            print(self.bridge.log.read_text(errors="replace")[-4000:])
        self._open.close()

    def _plug(self) -> None:
        self.feet.__enter__()
        wait_until(lambda: self.facts()["boards"][0]["heard"], "the board to be heard")
        time.sleep(QUIET_S)

    def facts(self) -> dict[str, Any]:
        """Status, or an empty one while there is none."""
        done = self.bridge.command(["status", "--json"])
        found: dict[str, Any] = json.loads(done.stdout) if done.returncode == 0 else EMPTY
        return found

    def unplug(self) -> None:
        self.feet.__exit__()
        self.board.unplug()

    def replug(self) -> None:
        """As another device of the system, under the same link."""
        self.board = PtyBoard(self.link)
        self.feet = Feet(self.board)
        self._plug()

    def on(self, zone: int, count: int = 1) -> None:
        self.feet.hold(f"z{zone}")
        self.synth.wait_for_note("on", CHANNEL, FIRST_NOTE + zone, count)

    def off(self, zone: int, count: int = 1) -> None:
        self.feet.let_go(f"z{zone}")
        self.synth.wait_for_note("off", CHANNEL, FIRST_NOTE + zone, count)


INPUT = """\
input:
  port: "pads*"
  driver: jack
  channel: 3
  programs: {8: flood tide}
"""

EMPTY: dict[str, Any] = {"boards": [{"heard": False}]}


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    with Rig(tmp_path) as made:
        yield made


def ended_within(rig: Rig, zone: int, limit_s: float) -> None:
    began_s = time.monotonic()
    rig.synth.wait_for_note("off", CHANNEL, FIRST_NOTE + zone)
    assert time.monotonic() - began_s < limit_s


def test_unplugged_in_the_middle_of_a_note_and_back_under_another_name(rig: Rig) -> None:
    rig.on(0)
    old = rig.board.terminal
    rig.unplug()
    ended_within(rig, 0, LIFT_S + BUSY_S)
    assert rig.facts()["boards"][0]["found"] is False
    blocker = PtyBoard()  # so that the system gives another number
    rig.replug()
    assert rig.board.terminal != old
    rig.on(1)
    rig.off(1)
    blocker.unplug()
    assert rig.synth.sounding() == set()


def test_a_board_that_falls_silent(rig: Rig) -> None:
    rig.on(2)
    rig.feet.__exit__()
    ended_within(rig, 2, LIFT_S + BUSY_S)
    assert "nothing" in rig.facts()["boards"][0]["trouble"]


def test_a_board_that_babbles_plays_nothing(rig: Rig) -> None:
    rig.on(3)
    rig.feet.__exit__()
    before = len(rig.synth.notes())
    stop = threading.Event()

    def babble() -> None:
        noise = bytes(range(256)) * 8
        while not stop.is_set():
            with contextlib.suppress(TimeoutError):
                rig.board.send(noise)

    babbler = threading.Thread(target=babble)
    babbler.start()
    try:
        ended_within(rig, 3, LIFT_S + BUSY_S)
        began_s = time.monotonic()
        assert rig.facts()["boards"][0]["damaged"] > 0
        assert time.monotonic() - began_s < 2.0
    finally:
        stop.set()
        babbler.join()
    assert len(rig.synth.notes()) == before + 1


def test_a_board_that_reboots_plays_on(rig: Rig) -> None:
    rig.on(4)
    rig.off(4)
    rig.feet.__exit__()
    rig.board.send(b"20,20,2ets Jun  8 2016\r\nrst:0x1 (POWERON_RESET)\r\n\xff\xfe\n")
    rig.feet = Feet(rig.board)
    rig._plug()
    rig.on(5)
    rig.off(5)
    assert {note for _, _, note in rig.synth.notes()} == {FIRST_NOTE + 4, FIRST_NOTE + 5}


def test_killed_with_notes_held_and_started_again(rig: Rig) -> None:
    rig.on(0)
    rig.on(2)
    rig.bridge.signal(signal.SIGKILL)
    rig.bridge.wait()
    before = len(rig.synth.notes())
    assert rig.synth.sounding() == {(CHANNEL, FIRST_NOTE), (CHANNEL, FIRST_NOTE + 2)}
    rig.feet.__exit__()  # nobody on the mat, and no board
    rig.bridge.start()
    rig.synth.wait_for_note("off", CHANNEL, FIRST_NOTE)
    rig.synth.wait_for_note("off", CHANNEL, FIRST_NOTE + 2)
    assert {what for what, _, _ in rig.synth.notes()[before:]} == {"off"}
    rig.feet = Feet(rig.board)
    rig._plug()
    rig.on(1)
    rig.off(1)
    assert rig.synth.sounding() == set()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_every_note_before_the_port_closes(rig: Rig, number: signal.Signals) -> None:
    for zone in range(4):
        rig.on(zone)
    rig.bridge.signal(number)
    assert rig.bridge.wait() == 128 + number
    wait_until(lambda: rig.synth.sounding() == set(), "the note-offs")


def test_stopped_and_continued_as_by_a_suspend(rig: Rig) -> None:
    rig.on(0)
    rig.bridge.signal(signal.SIGSTOP)
    time.sleep(1.0)
    rig.feet.let_go("z0")
    time.sleep(1.0)
    rig.bridge.signal(signal.SIGCONT)
    rig.synth.wait_for_note("off", CHANNEL, FIRST_NOTE)
    rig.on(1)
    rig.off(1)
    assert rig.synth.sounding() == set()


def test_no_file_can_grow_any_more(rig: Rig) -> None:
    """As a full disk, for this process alone: every write to a file fails."""
    resource.prlimit(rig.bridge.pid, resource.RLIMIT_FSIZE, (0, 0))
    rig.on(0)
    rig.unplug()  # something to log
    ended_within(rig, 0, LIFT_S + BUSY_S)
    rig.replug()
    rig.on(1)
    rig.off(1)
    rig.bridge.signal(signal.SIGTERM)
    assert rig.bridge.wait() == 143


def test_no_state_folder_is_a_warning(tmp_path: Path) -> None:
    with Rig(tmp_path, env={"XDG_STATE_HOME": "/dev/null"}) as rig:
        rig.on(0)
        rig.off(0)
        assert "owed notes not kept" in rig.bridge.log.read_text()


def test_a_log_that_nobody_reads(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    read_fd, write_fd = os.pipe()
    os.set_blocking(write_fd, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(write_fd, b"x" * 4096)
    os.set_blocking(write_fd, True)
    process = subprocess.Popen(
        [PROGRAM, "run", str(rig.show)],
        env=rig.bridge.env,
        stdin=subprocess.DEVNULL,
        stdout=write_fd,
        stderr=write_fd,
    )
    try:
        with rig.synth:
            rig._plug()
            rig.on(0)
            rig.off(0)
            process.send_signal(signal.SIGTERM)
            assert process.wait(10) == 143
    finally:
        process.kill()
        process.wait()
        rig.feet.__exit__()
        rig.board.unplug()
        os.close(read_fd)
        os.close(write_fd)


def test_an_edit_while_playing_by_rename_and_a_wrong_one(rig: Rig) -> None:
    rig.on(0)
    text = rig.show.read_text()
    fresh = rig.show.with_suffix(".swp")
    fresh.write_text(text.replace("note: 61", "note: 100"))
    fresh.replace(rig.show)
    rig.bridge.until_logged("reloaded")
    rig.off(0)
    rig.feet.hold("z1")
    rig.synth.wait_for_note("on", CHANNEL, 100)
    rig.show.write_text("nonsense: [")
    rig.bridge.until_logged("not reloaded")
    rig.feet.let_go("z1")
    rig.synth.wait_for_note("off", CHANNEL, 100)
    rig.show.write_text(text)
    rig.bridge.signal(signal.SIGHUP)
    wait_until(lambda: not rig.facts()["reload_error"], "the mended file")
    rig.on(1)
    rig.off(1)
    assert rig.synth.sounding() == set()


def once(folder: Path, code: str) -> tuple[Path, dict[str, str]]:
    """An environment in which each Python first runs `code`, which may call `now()`.

    That is true once, for whoever asks first after the path returned was made.
    """
    site = folder / "site"
    site.mkdir()
    flag = folder / "flag"
    (site / "sitecustomize.py").write_text(
        "import os, sys\nfrom pathlib import Path\n\n\ndef now():\n"
        f"    flag = Path({str(flag)!r})\n"
        "    return flag.exists() and (flag.unlink() or True)\n\n\n" + code
    )
    return flag, {"PYTHONPATH": str(site)}


LOADER_KILLED = """\
if "-c" in sys.orig_argv and now():
    os.kill(os.getpid(), 9)
"""

MISTAKE = """\
from matbridge.playing.player import Player

start = Player.start


def mistaken(*given):
    if now():
        raise RuntimeError("a mistake of ours")
    return start(*given)


Player.start = mistaken
"""


def test_a_loader_that_is_killed_is_told_and_the_edit_taken_all_the_same(tmp_path: Path) -> None:
    flag, env = once(tmp_path, LOADER_KILLED)
    with Rig(tmp_path, env=env) as rig:
        rig.on(0)
        flag.touch()
        rig.show.write_text(rig.show.read_text().replace("note: 61", "note: 100"))
        rig.bridge.until_logged("it is tried again")
        rig.bridge.until_logged(" reloaded\n")
        rig.off(0)
        rig.feet.hold("z1")
        rig.synth.wait_for_note("on", CHANNEL, 100)
        assert not rig.facts()["reload_error"]


def test_a_mistake_of_ours_in_a_reload_is_answered_and_the_old_show_plays_on(
    tmp_path: Path,
) -> None:
    flag, env = once(tmp_path, MISTAKE)
    with Rig(tmp_path, env=env) as rig:
        rig.on(0)
        text = rig.show.read_text()
        flag.touch()
        rig.show.write_text(
            text.replace("note: 61", "note: 100").replace("{ser", "{baud: 38400, ser")
        )
        done = rig.bridge.command(["reload"])
        assert done.returncode == 1
        assert "a mistake in matbridge" in done.stderr
        rig.off(0)
        rig.on(1)  # the note of the old show
        rig.off(1)
        rig.bridge.ask("reload")
        rig.feet.hold("z1")
        rig.synth.wait_for_note("on", CHANNEL, 100)
        rig.feet.let_go("z1")
        rig.synth.wait_for_note("off", CHANNEL, 100)
        assert rig.synth.sounding() == set()


def test_other_options_or_another_name_of_an_output_are_taken_without_a_gap(
    tmp_path: Path,
) -> None:
    tape = tmp_path / "tape.mid"
    with Rig(tmp_path, f"  tape: {{file: {tape}}}") as rig:
        rig.on(0)
        text = rig.show.read_text()
        rig.show.write_text(
            text.replace("jack}", "jack, baud: 38400}").replace("mid}", "mid, replace: true}")
        )
        rig.bridge.ask("reload")
        jack, file = rig.facts()["outputs"]
        assert jack["up"]
        assert jack["baud"] == 38400
        assert jack["losses"] == 0
        assert file["path"] == str(tape)  # the one before was closed, so its name was free
        rig.synth.wait_for_note("off", CHANNEL, FIRST_NOTE)
        rig.off(0)
        rig.on(1)
        text = rig.show.read_text()
        rig.show.write_text(
            text.replace("  out:", "  wire:").replace("output: out", "output: wire")
        )
        rig.bridge.ask("reload")
        assert [each["name"] for each in rig.facts()["outputs"]] == ["wire", "tape"]
        rig.off(1)
        rig.on(2)
        rig.off(2)
        assert rig.synth.sounding() == set()
        said = rig.bridge.log.read_text()
        assert "not there" not in said
        assert said.count("output open: output=out") == 2  # at the start, and at the other rate
        assert "output renamed: output=wire before=out" in said


def test_a_serial_jack_that_goes_and_comes_back_is_sent_what_it_is_owed(tmp_path: Path) -> None:
    desk = Synth(tmp_path, "desk")
    with Rig(tmp_path, f"  desk: {{serial: {desk.path}}}") as rig, desk:
        text = rig.show.read_text()
        rig.show.write_text(text.replace("output: out", "output: desk"))
        rig.bridge.ask("reload")
        wait_until(lambda: rig.facts()["outputs"][1]["up"], "the jack")
        rig.feet.hold("z0")
        desk.wait_for_note("on", CHANNEL, FIRST_NOTE)
        desk.unplug()
        rig.feet.let_go("z0")
        wait_until(lambda: not rig.facts()["outputs"][1]["up"], "the loss to be seen")
        desk.plug()
        desk.wait_for_note("off", CHANNEL, FIRST_NOTE)
        assert desk.sounding() == set()


class Watch(threading.Thread):
    """Asks for status again and again; keeps the longest that an answer took."""

    def __init__(self, rig: Rig) -> None:
        super().__init__(daemon=True)
        self._rig = rig
        self._stop_asking = threading.Event()
        self.longest_s = 0.0
        self.answers = 0

    def run(self) -> None:
        while not self._stop_asking.is_set():
            began_s = time.monotonic()
            if self._rig.bridge.command(["status", "--json"]).returncode == 0:
                self.answers += 1
            self.longest_s = max(self.longest_s, time.monotonic() - began_s)
            time.sleep(0.05)

    def end(self) -> None:
        self._stop_asking.set()
        self.join()


JACK = "  jack: {virtual: quay, driver: jack}"


def play_on(rig: Rig, until: Callable[[], bool], limit_s: float = 20.0) -> int:
    """Press zone after zone until something holds; how many presses."""
    presses, end_s = 0, time.monotonic() + limit_s
    while not until():
        assert time.monotonic() < end_s, "waited in vain"
        rig.feet.press(f"z{presses % 6}", 800.0, 0.05)
        time.sleep(0.1)
        presses += 1
    return presses


def both(rig: Rig) -> None:
    """Every zone of the show plays on both outputs."""
    text = rig.show.read_text()
    for note in range(FIRST_NOTE, FIRST_NOTE + 6):
        text = text.replace(
            f"{{note: {note}}}", f"{{layers: [{{note: {note}}}, {{note: {note}, output: jack}}]}}"
        )
    rig.show.write_text(text)


def test_jack_is_killed_while_playing_and_comes_back(tmp_path: Path) -> None:
    with contextlib.ExitStack() as opened:
        server = opened.enter_context(JackServer())
        rig = opened.enter_context(Rig(tmp_path, JACK, env=server.env))
        both(rig)
        rig.bridge.ask("reload")
        watch = Watch(rig)
        watch.start()
        before = len(rig.synth.notes())
        presses = play_on(rig, lambda: rig.facts()["outputs"][1]["up"])
        server.kill()
        killed_s = time.monotonic()
        presses += play_on(rig, lambda: not rig.facts()["outputs"][1]["up"])
        presses += play_on(rig, lambda: time.monotonic() - killed_s > 3.0)
        server.start()
        back_s = time.monotonic()
        presses += play_on(rig, lambda: rig.facts()["outputs"][1]["up"])
        assert time.monotonic() - back_s < 3.0
        with JackReader(server) as reader:
            (port,) = [name for name in server.ports() if name.startswith("quay:")]
            reader.connect(port, lambda _: None)
            rig.on(5, count=rig.synth.notes().count(("on", CHANNEL, FIRST_NOTE + 5)) + 1)
            struck = bytes((0x90, FIRST_NOTE + 5))
            wait_until(
                lambda: struck in [message[:2] for message in reader.messages()], "JACK's note"
            )
            presses += 1
            rig.off(5)
        watch.end()
        wait_until(lambda: len(rig.synth.notes()) - before == 2 * presses, "every note on the wire")
        assert rig.synth.sounding() == set()
        assert watch.answers > 10
        assert watch.longest_s < 1.0


def test_jack_is_frozen_while_playing(tmp_path: Path) -> None:
    with contextlib.ExitStack() as opened:
        server = opened.enter_context(JackServer())
        rig = opened.enter_context(Rig(tmp_path, JACK, env=server.env))
        both(rig)
        rig.bridge.ask("reload")
        watch = Watch(rig)
        watch.start()
        before = len(rig.synth.notes())
        presses = play_on(rig, lambda: rig.facts()["outputs"][1]["up"])
        server.freeze()
        frozen_s = time.monotonic()
        presses += play_on(rig, lambda: time.monotonic() - frozen_s > 4.0)
        server.thaw()
        thawed_s = time.monotonic()
        presses += play_on(rig, lambda: rig.facts()["outputs"][1]["up"])
        assert time.monotonic() - thawed_s < 3.0
        watch.end()
        wait_until(lambda: len(rig.synth.notes()) - before == 2 * presses, "every note on the wire")
        assert rig.synth.sounding() == set()
        assert watch.longest_s < 1.0


def test_a_program_change_from_outside_switches_the_preset(tmp_path: Path) -> None:
    with contextlib.ExitStack() as opened:
        server = opened.enter_context(JackServer())
        controller = Controller(server)
        opened.callback(controller.pull)
        rig = Rig(tmp_path, env=server.env)
        rig.show.write_text(rig.show.read_text() + INPUT)
        opened.enter_context(rig)
        controller.plug()
        wait_until(lambda: rig.facts().get("input", {}).get("up") is True, "the input")
        rig.on(0)
        wait_until(lambda: _switched(rig, controller), "the preset")
        rig.off(0)
        controller.pull()
        wait_until(lambda: not rig.facts()["input"]["up"], "the loss to be seen")
        rig.bridge.ask("preset", "ebb")
        controller.plug()
        wait_until(lambda: rig.facts()["input"]["up"], "the input again")
        wait_until(lambda: _switched(rig, controller), "the preset again")


def _switched(rig: Rig, controller: Controller) -> bool:
    # A connection is taken up a little later than it is said.
    controller.send(bytes((0xC2, 7)))
    time.sleep(0.1)
    return bool(rig.facts()["preset"] == "flood tide")
