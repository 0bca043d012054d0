"""The commands beside a running bridge, as a shell runs them."""

from __future__ import annotations

import json
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.bridge import PROGRAM, Bridge
from tests.support.jack import wait_until
from tests.support.pty_board import PtyBoard
from tests.support.quay import HARD, Feet, Synth, write_quay


class Rig:
    def __init__(self, folder: Path, board: PtyBoard, synth: Synth, show: Path) -> None:
        self.folder = folder
        self.board = board
        self.synth = synth
        self.show = show
        self.bridge = Bridge(show, folder, None, "--name", "quay-1")
        self.player: Feet


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    folder = tmp_path_factory.mktemp("control")
    with PtyBoard() as board, Synth(folder) as synth:
        show = write_quay(folder, board.path, f"  out: {{serial: {synth.path}}}")
        made = Rig(folder, board, synth, show)
        with made.bridge as bridge, Feet(board) as player:
            made.player = player
            bridge.until_logged("board plays")
            time.sleep(1.0)  # the detector learns the rest
            yield made


def test_preset_lists_plays_and_steps(rig: Rig) -> None:
    ask = rig.bridge.ask
    assert ask("preset") == "* ebb\n  flood tide\n"
    assert ask("preset", "flood tide") == "flood tide\n"
    assert ask("preset", "flood", "tide") == "flood tide\n"
    assert ask("preset", "next") == "ebb\n"
    assert ask("preset", "previous") == "flood tide\n"
    assert ask("preset") == "  ebb\n* flood tide\n"
    assert ask("preset", "ebb") == "ebb\n"


def test_a_preset_that_is_none_is_refused_with_the_nearest(rig: Rig) -> None:
    done = rig.bridge.command(["preset", "flod tide"])
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == "matbridge: there is no preset 'flod tide'; did you mean 'flood tide'?\n"


def test_transpose_moves_the_next_notes(rig: Rig) -> None:
    ask = rig.bridge.ask
    assert ask("transpose") == "0\n"
    assert ask("transpose", "+3") == "3\n"
    assert ask("transpose", "-1") == "2\n"
    rig.player.press("z0", HARD)
    rig.synth.wait_for_note("off", 1, 62)
    assert ask("transpose", "to", "-12") == "-12\n"
    assert ask("transpose", "to", "0") == "0\n"
    assert rig.bridge.command(["transpose", "+1000"]).returncode == 1


def test_mute_and_play_again(rig: Rig) -> None:
    ask = rig.bridge.ask
    assert ask("mute", "on") == "on\n"
    assert ask("mute", "on") == "on\n"
    before = len(rig.synth.notes())
    rig.player.press("z1", HARD)
    assert ask("mute") == "off\n"
    rig.player.press("z2", HARD)
    rig.synth.wait_for_note("off", 1, 62)
    assert ("on", 1, 61) not in rig.synth.notes()[before:]
    assert ask("mute", "off") == "off\n"


def test_panic_ends_what_sounds_and_counts_it(rig: Rig) -> None:
    assert rig.bridge.ask("panic") == "0\n"
    rig.player.hold("z3")
    rig.synth.wait_for_note("on", 1, 63)
    assert rig.bridge.ask("panic") == "1\n"
    rig.synth.wait_for_note("off", 1, 63)
    rig.player.let_go("z3")


def test_status_for_a_person_and_for_a_script(rig: Rig) -> None:
    said = rig.bridge.ask("status")
    for part in ("quay on quay: ebb (1 of 2)", "scans/s", f"serial {rig.synth.path}", "up"):
        assert part in said
    facts = json.loads(rig.bridge.ask("status", "--json"))
    assert facts["name"] == "quay-1"
    assert facts["process"] == rig.bridge.pid
    assert facts["preset"] == "ebb"
    assert facts["boards"][0]["heard"] is True
    assert 150 < facts["boards"][0]["scans_per_s"] < 350
    assert facts["outputs"][0]["up"] is True
    assert facts["latency_us"]["median"] > 0


def test_reload_takes_a_changed_file_and_refuses_a_wrong_one(rig: Rig) -> None:
    text = rig.show.read_text()
    try:
        rig.show.write_text(text.replace("channel: 1", "channel: 99"))
        done = rig.bridge.command(["reload"])
        assert done.returncode == 1
        assert f"{rig.show}:" in done.stderr
        assert "99" in done.stderr
        assert "the old mapping plays on" in rig.bridge.ask("status")
        rig.player.press("z5", HARD)
        rig.synth.wait_for_note("off", 1, 65)
        rig.show.write_text(text.replace("note: 65", "note: 90"))
        assert rig.bridge.ask("reload") == "quay\n"
        rig.player.press("z5", HARD)
        rig.synth.wait_for_note("off", 1, 90)
        assert json.loads(rig.bridge.ask("status", "--json"))["reload_error"] == ""
    finally:
        rig.show.write_text(text)
        rig.bridge.ask("reload")


def test_a_second_bridge_of_that_name_or_on_that_board_is_refused_by_name(rig: Rig) -> None:
    same = rig.bridge.command(["run", str(rig.show), "--name", "quay-1"])
    assert same.returncode == 1
    assert f"'quay-1' is running already (process {rig.bridge.pid})" in same.stderr
    other = rig.bridge.command(["run", str(rig.show), "--name", "quay-2"])
    assert other.returncode == 1
    assert f"board {rig.board.path} is played by 'quay-1' already" in other.stderr


def test_a_name_chooses_among_bridges(rig: Rig) -> None:
    assert rig.bridge.ask("preset", "--name", "quay-1", "ebb") == "ebb\n"
    assert rig.bridge.ask("preset", "--name=quay-1", "ebb") == "ebb\n"
    done = rig.bridge.command(["status", "--name", "quay-2"])
    assert done.returncode == 3
    assert "no bridge called 'quay-2' is running" in done.stderr
    second_folder = rig.folder / "second"
    second_folder.mkdir()
    show = write_quay(second_folder, "simulated", f"  out: {{file: {second_folder / 'x.mid'}}}")
    with Bridge(show, rig.folder, None, "--name", "quay-2") as second:
        wait_until(lambda: second.command(["status", "--name", "quay-2"]).returncode == 0, "it")
        done = second.command(["status"])
        assert done.returncode == 1
        assert "several bridges are running (quay-1, quay-2); choose one with --name" in done.stderr
        second.ask("stop", "--name", "quay-2")
        assert second.wait() == 0
    assert rig.bridge.ask("preset", "ebb") == "ebb\n"


@pytest.mark.parametrize(
    "arguments",
    [
        ["mute", "maybe"], ["mute", "on", "off"], ["transpose", "up"], ["transpose", "to"],
        ["transpose", "+1", "+2"], ["status", "x"], ["status", "--xml"], ["panic", "now"],
        ["preset", "--name"], ["preset", "--name", "../x"], ["stop", "--now"],
    ],
)  # fmt: skip
def test_a_wrong_command_line_is_a_usage_error(rig: Rig, arguments: list[str]) -> None:
    done = rig.bridge.command(arguments)
    assert done.returncode == 2
    assert done.stderr.startswith(f"usage: matbridge {arguments[0]}")
    assert done.stdout == ""


def test_watch_as_json_tells_the_scene_and_then_what_goes_on(rig: Rig) -> None:
    process = subprocess.Popen(
        [PROGRAM, "watch", "--json"],
        env=rig.bridge.env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    with process.stdout:
        try:
            scene = json.loads(process.stdout.readline())["scene"]
            assert [zone["name"] for zone in scene["zones"]] == [f"z{zone}" for zone in range(6)]
            rig.player.hold("z4")
            end_s = time.monotonic() + 10
            while time.monotonic() < end_s:
                frame = json.loads(process.stdout.readline())["frame"]
                if frame["sounding"]:
                    break
            assert frame["sounding"] == [{"zone": 4, "channel": 1, "note": 64}]
            assert frame["load"][4] > frame["onset"][4] > 0
            assert frame["load"][0] < 0.2
            rig.bridge.ask("preset", "flood tide")
            while "scene" not in (said := json.loads(process.stdout.readline())):
                assert time.monotonic() < end_s
            assert said["scene"]["preset"] == "flood tide"
        finally:
            rig.player.let_go("z4")
            process.kill()
            process.wait()
    rig.bridge.ask("preset", "ebb")


def test_a_socket_of_a_killed_bridge_is_passed_over(rig: Rig) -> None:
    dead = Path(rig.bridge.env["XDG_RUNTIME_DIR"]) / "matbridge" / "dead.socket"
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(dead))
    try:
        assert rig.bridge.ask("preset", "ebb") == "ebb\n"
    finally:
        dead.unlink()


def test_the_socket_is_private(rig: Rig) -> None:
    folder = Path(rig.bridge.env["XDG_RUNTIME_DIR"]) / "matbridge"
    assert folder.stat().st_mode & 0o777 == 0o700
    assert (folder / "quay-1.socket").stat().st_mode & 0o777 == 0o600


def test_stop_ends_it_and_waits_until_it_has_ended(tmp_path: Path) -> None:
    with PtyBoard() as board, Synth(tmp_path) as synth:
        show = write_quay(tmp_path, board.path, f"  out: {{serial: {synth.path}}}")
        with Bridge(show, tmp_path) as bridge, Feet(board) as player:
            bridge.until_logged("board plays")
            time.sleep(1.0)
            player.hold("z0")
            synth.wait_for_note("on", 1, 60)
            assert bridge.ask("stop") == ""
            assert not list(Path(bridge.env["XDG_RUNTIME_DIR"]).rglob("*.socket"))
            assert bridge.wait() == 0
            wait_until(lambda: synth.sounding() == set(), "the note-off")
            assert bridge.command(["status"]).returncode == 3
