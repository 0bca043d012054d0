"""The bridge as a service of a booted Debian: at boot, through pulled cables, kills and power cuts.

The board hangs on an emulated FTDI adapter. What is played is heard by aseqdump, through the
kernel's own Midi Through port, from the first second after boot on.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator

import pytest

from tests.machine.board import ZONES, HostBoard
from tests.machine.conftest import PROGRAM
from tests.machine.gadget import Gadget
from tests.machine.machine import SERIAL_NUMBER, Machine

BY_ID = f"/dev/serial/by-id/usb-QEMU_QEMU_USB_SERIAL_{SERIAL_NUMBER}-if00-port0"
SHOW = "/home/player/quay.yaml"
HEARD = "/var/log/heard.txt"
FIRST_NOTE = 60

MAT = f"""\
mat: quay
board: {{port: {BY_ID}, format: packed}}
sensor: {{type: force, bits: 10, fixed_resistor_ohm: 1000}}
zones:
""" + "".join(f"  - {{name: q{zone}, at: [{zone * 50}, 0]}}\n" for zone in range(ZONES))


def performance(first_note: int = FIRST_NOTE, outputs: str = "") -> str:
    """One output to the kernel's through port, one of our own; two presets."""
    plays = "".join(f"      q{zone}: {{note: {first_note + zone}}}\n" for zone in range(ZONES))
    other = "".join(f"      q{zone}: {{note: {30 + zone}}}\n" for zone in range(ZONES))
    return f"""\
performance: quay
mat: quay.mat.yaml
outputs:
  through: {{port: "Midi Through*"}}
  synth: {{virtual: matbridge}}
{outputs}
defaults: {{output: through}}
presets:
  ebb:
    zones:
{plays}
  flow:
    zones:
{other}
"""


class Stage:
    """The installed service, its board, and what aseqdump has heard."""

    def __init__(self, machine: Machine, board: HostBoard) -> None:
        self.machine, self.board = machine, board

    def player(self, command: str, *, check: bool = True) -> str:
        """Run a command as the player."""
        quoted = command.replace('"', '\\"')
        return self.machine.run(
            f'XDG_RUNTIME_DIR=/run/user/1000 runuser -l player -w XDG_RUNTIME_DIR -c "{quoted}"',
            check=check,
        )

    def write(self, text: str) -> None:
        """Put the performance in place by a rename, as editors do."""
        self.machine.run(
            f"cat > /home/player/new.yaml <<'E'\n{text}E\n"
            f"chown player /home/player/new.yaml && mv /home/player/new.yaml {SHOW}"
        )

    def heard(self, after: int = 0) -> list[tuple[str, int]]:
        """("on" or "off", note) of every note message, in order, from the `after`th on."""
        text = self.machine.run(f"cat {HEARD}", check=False)
        found = re.findall(r"Note (on|off)\s+0, note (\d+)", text)
        return [(kind, int(note)) for kind, note in found][after:]

    def until_heard(self, message: tuple[str, int], after: int, limit_s: float = 30.0) -> None:
        """Wait for a message among those after the `after`th."""
        end_s = time.monotonic() + limit_s
        while message not in self.heard(after):
            assert time.monotonic() < end_s, (message, self.heard(after), self.log())
            time.sleep(0.1)

    def until_scans(self) -> None:
        """Wait until the bridge hears the board."""
        self.machine.until(
            f"runuser -l player -c 'XDG_RUNTIME_DIR=/run/user/1000 {PROGRAM} status --json'"
            " | grep -q '\"heard\": true'"
        )

    def until_logged_again(self, word: str, times: int) -> None:
        """Wait until the service has said just this so many times."""
        count = f"journalctl _UID=1000 --no-pager -o cat | grep -cx '{word}'"
        self.machine.until(f"test $({count}) = {times}")

    def log(self) -> str:
        return self.machine.run(
            "journalctl _UID=1000 --no-pager -o short-monotonic | tail -40", check=False
        )

    def played(self, zone: int, note: int) -> None:
        """Press and lift a zone, and hear it."""
        mark = len(self.heard())
        self.board.press(zone)
        self.until_heard(("on", note), mark)
        self.board.lift(zone)
        self.until_heard(("off", note), mark)
        assert self.heard(mark) == [("on", note), ("off", note)], self.log()


@pytest.fixture(scope="module")
def stage(machine: Machine) -> Iterator[Stage]:
    """The service installed as README says, heard from boot on."""
    machine.run(
        "printf 'snd-seq\\nftdi_sio\\n' > /etc/modules-load.d/test.conf &&"
        " modprobe -a ftdi_sio snd-seq &&"
        " cat > /etc/systemd/system/heard.service <<'E'\n"
        "[Unit]\nAfter=systemd-modules-load.service\nBefore=systemd-user-sessions.service\n"
        "[Service]\nExecStart=/usr/bin/stdbuf -oL /usr/bin/aseqdump -p 'Midi Through'\n"
        f"StandardOutput=append:{HEARD}\nRestart=always\nRestartSec=1\n"
        "[Install]\nWantedBy=basic.target\nE\n"
        "systemctl daemon-reload && systemctl enable --now heard.service"
    )
    with HostBoard(machine) as board:
        made = Stage(machine, board)
        machine.run(f"cat > /home/player/quay.mat.yaml <<'E'\n{MAT}E")
        made.write(performance())
        machine.plug_board()
        machine.until(f"test -e {BY_ID}")
        machine.run("loginctl enable-linger player")
        machine.until("test -S /run/user/1000/bus")
        made.player(f"{PROGRAM} service install {SHOW}")
        made.until_scans()
        yield made
        machine.run("systemctl disable --now heard.service", check=False)
        made.player(f"{PROGRAM} service remove", check=False)


def test_it_plays_and_its_own_port_is_listed(stage: Stage) -> None:
    assert "matbridge" in stage.machine.run("aconnect -l")
    stage.played(0, FIRST_NOTE)
    stage.played(5, FIRST_NOTE + 5)


def test_a_pulled_cable_ends_the_note_and_a_plugged_one_plays_again(stage: Stage) -> None:
    mark = len(stage.heard())
    stage.board.press(2)
    stage.until_heard(("on", 62), mark)
    # In the guest's own time: from the moment the device is gone to the note-off that was heard.
    watch = stage.machine.start(
        "python3 - <<'E'\n"
        "import os, time\n"
        f"size = os.path.getsize({HEARD!r})\n"
        f"while os.path.exists({BY_ID!r}): time.sleep(0.002)\n"
        "gone = time.monotonic()\n"
        f"while b'Note off' not in open({HEARD!r}, 'rb').read()[size:]: time.sleep(0.002)\n"
        "print(round(time.monotonic() - gone, 3))\n"
        "E"
    )
    time.sleep(1.0)  # the watcher is an interpreter under software emulation: let it start
    stage.machine.pull_board()
    done = watch.get(timeout=60)
    assert done.code == 0, done.text
    assert float(done.text) < 0.3
    assert stage.heard(mark) == [("on", 62), ("off", 62)]
    stage.board.lift_all()
    stage.machine.plug_board()
    stage.machine.until(f"test -e {BY_ID}")
    stage.until_scans()
    stage.played(2, 62)


def test_a_wrong_edit_keeps_the_old_mapping_and_a_right_one_switches(stage: Stage) -> None:
    stage.write(performance().replace("note: 60", "note: H9"))
    stage.machine.until(
        f"runuser -l player -c 'XDG_RUNTIME_DIR=/run/user/1000 {PROGRAM} status' | grep H9"
    )
    stage.played(0, 60)
    stage.write(performance(first_note=72))
    stage.until_logged_again("reloaded", times=1)
    stage.played(1, 73)
    stage.write(performance())
    stage.until_logged_again("reloaded", times=2)
    stage.played(1, 61)


def test_a_preset_is_switched_from_the_command_line(stage: Stage) -> None:
    stage.player(f"{PROGRAM} preset flow")
    stage.played(3, 33)
    stage.player(f"{PROGRAM} preset ebb")
    stage.played(3, 63)


def main_pid(stage: Stage) -> int:
    text = stage.player("systemctl --user show matbridge -p MainPID --value")
    return int(text.split()[-1])


def test_a_killed_bridge_comes_back_and_ends_what_it_left_sounding(stage: Stage) -> None:
    mark = len(stage.heard())
    stage.board.press(4)
    stage.until_heard(("on", 64), mark)
    stage.machine.run(f"kill -9 {main_pid(stage)}")
    stage.until_heard(("off", 64), mark)
    assert stage.heard(mark)[:2] == [("on", 64), ("off", 64)]
    stage.board.lift_all()
    stage.until_scans()
    stage.played(4, 64)


def test_a_hung_bridge_is_ended_by_the_watchdog_and_comes_back(stage: Stage) -> None:
    mark = len(stage.heard())
    stage.board.press(1)
    stage.until_heard(("on", 61), mark)
    hung = main_pid(stage)
    stage.machine.run(f"kill -STOP {hung}")
    stage.until_heard(("off", 61), mark, limit_s=60)
    assert main_pid(stage) != hung
    stage.board.lift_all()
    stage.until_scans()
    stage.played(1, 61)


def test_a_power_cut_is_survived_and_what_sounded_is_ended_at_boot(stage: Stage) -> None:
    stage.board.press(5)
    mark = len(stage.heard())
    stage.until_heard(("on", 65), max(0, mark - 1))
    time.sleep(3)  # a synthesizer would go on sounding; the disk has had its seconds
    stage.machine.run("sync")
    before = len(stage.heard())
    stage.board.lift_all()
    stage.machine.cut_power()
    stage.until_scans()
    stage.until_heard(("off", 65), before, limit_s=60)
    assert stage.heard(before)[0] == ("off", 65)
    stage.played(0, 60)


def test_a_usb_synthesizer_may_be_pulled_and_plugged_in_again(stage: Stage) -> None:
    synth = Gadget(stage.machine, "synth", "Quay Synth")
    text = performance(outputs='  usb: {port: "Quay Synth*"}')
    stage.write(text.replace("defaults: {output: through}", "defaults: {output: usb}"))
    try:
        for _ in range(2):
            stage.machine.until(
                f"runuser -l player -c 'XDG_RUNTIME_DIR=/run/user/1000 {PROGRAM} status'"
                " | grep -i usb | grep -i up"
            )
            heard = stage.machine.start(f"timeout 4 amidi -p {synth.device()} -d", 10)
            time.sleep(1.5)
            stage.board.press(0)
            time.sleep(0.7)
            stage.board.lift(0)
            received = heard.get(timeout=60).text.replace(" ", "")
            assert "903C" in received, received
            assert "803C" in received, received
            synth.pull()
            synth.plug()
    finally:
        stage.write(performance())
        synth.remove()
