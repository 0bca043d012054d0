"""A USB controller that speaks MIDI as the board: through the kernel's own USB MIDI, both ways."""

from __future__ import annotations

import re

from tests.machine.conftest import PROGRAM
from tests.machine.gadget import Gadget
from tests.machine.machine import Machine

MAT = """\
mat: pier
board: {midi: "Pier Pads*", notes: [36, 38]}
zones:
  - {name: p1, at: [0, 0]}
  - {name: p2, at: [50, 0]}
"""
SHOW = """\
performance: pier
mat: pier.mat.yaml
outputs: {through: {port: "Midi Through*"}}
presets:
  all:
    output: through
    velocity: {from: peak}
    zones: {p1: {note: 70}, p2: {note: 71}}
"""
HEARD = "/tmp/pier.txt"  # noqa: S108 - inside the machine


def test_a_usb_controller_plays_through_the_whole_bridge(machine: Machine) -> None:
    machine.run("modprobe -a snd-seq snd-seq-midi && mkdir -p /tmp/pier")
    machine.run(f"cat > /tmp/pier/pier.mat.yaml <<'E'\n{MAT}E")
    machine.run(f"cat > /tmp/pier/pier.yaml <<'E'\n{SHOW}E")
    pads = Gadget(machine, "pads", "Pier Pads")
    machine.start(f"timeout 120 stdbuf -oL aseqdump -p 'Midi Through' > {HEARD}", 150)
    environment = "XDG_RUNTIME_DIR=/tmp/pier XDG_STATE_HOME=/tmp/pier"
    machine.start(f"{environment} timeout 120 {PROGRAM} run /tmp/pier/pier.yaml", 150)
    try:
        machine.until(f"{environment} {PROGRAM} status --json | grep '\"heard\": true'")
        device = pads.device()
        for note, strength in (("24", "70"), ("26", "20")):
            machine.run(f"amidi -p {device} -S '90 {note} {strength}'")
            machine.until(f"grep -c 'Note on' {HEARD} | grep -v '^0'")
            machine.run(f"amidi -p {device} -S '80 {note} 00'")
            machine.until(f"test $(grep -c 'Note off' {HEARD}) = $(grep -c 'Note on' {HEARD})")
        found = re.findall(
            r"Note (on|off)\s+0, note (\d+), velocity (\d+)", machine.run(f"cat {HEARD}")
        )
        assert [(kind, note) for kind, note, _ in found] == [
            ("on", "70"), ("off", "70"), ("on", "71"), ("off", "71"),
        ]  # fmt: skip
        assert int(found[0][2]) > int(found[2][2])  # the harder strike is the louder note
    finally:
        machine.run(f"{environment} {PROGRAM} stop", check=False)
        pads.remove()
