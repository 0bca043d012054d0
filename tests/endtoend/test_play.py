"""From a board's bytes to MIDI, through the real process: a pty in; a JACK client and a raw serial
reader out, neither of them ours (jack_midi_dump, and libasound's parser)."""

from __future__ import annotations

import os
import random
import select
import signal
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

from matbridge.board.packed import END
from tests.bench.play import Moment, Played, render
from tests.bench.rig import Pty
from tests.support.asound import parse
from tests.support.bridge import Bridge
from tests.support.jack import JackReader, JackServer, wait_until

ZONES = 24
RATE_HZ = 1000.0
QUIET_S = 2.0  # rest before the first press, to find its feet in
CHANNEL, FIRST_NOTE = 5, 40


def write_show(folder: Path, board: str, jack: str, serial: str, wire: str, source: str) -> Path:
    zones = "\n".join(
        f"  - {{name: z{zone}, at: [{zone % 8 * 40}, {zone // 8 * 40}]}}" for zone in range(ZONES)
    )
    (folder / "slipway.mat.yaml").write_text(f"""\
mat: slipway
board: {{port: {board}, format: {wire}}}
sensor: {{type: force, bits: 10, fixed_resistor_ohm: 1000}}
zones:
{zones}
""")
    plays = "\n".join(
        f"      z{zone}: {{layers: [{{note: {FIRST_NOTE + zone}}},"
        f" {{note: {FIRST_NOTE + zone}, output: jack}}]}}"
        for zone in range(ZONES)
    )
    show = folder / "slipway.yaml"
    show.write_text(f"""\
performance: slipway
mat: slipway.mat.yaml
outputs:
  jack: {{virtual: {jack}, driver: jack}}
  din: {{serial: {serial}}}
presets:
  all:
    output: din
    channel: {CHANNEL}
    velocity: {{from: {source}}}
    zones:
{plays}
""")
    return show


class Line(threading.Thread):
    """Reads a serial line into `received`, as fast as MIDI's 31 250 baud bring it."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.pty = Pty()
        self.received = b""
        self._ended = threading.Event()

    def run(self) -> None:
        while not self._ended.is_set():
            if select.select([self.pty.fd], [], [], 0.05)[0]:
                self.received += os.read(self.pty.fd, 4096)

    def end(self) -> None:
        self._ended.set()
        self.join()
        self.pty.close()


def pace(board: Pty, frames: Sequence[bytes]) -> None:
    """A board's scans at their moments."""
    start = time.monotonic()
    for index, frame in enumerate(frames):
        wait_s = start + index / RATE_HZ - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        board.write(frame)


def walk(seconds: float, dice: random.Random) -> list[Moment]:
    """A press every 120 ms on a random free zone, of any strength and speed."""
    presses = []
    free_s = [0.0] * ZONES
    now_s = QUIET_S
    while now_s < QUIET_S + seconds:
        zone = dice.choice([zone for zone in range(ZONES) if free_s[zone] < now_s])
        hold_s, fall_s = dice.uniform(0.1, 0.3), dice.uniform(0.01, 0.04)
        rise_s, peak = dice.uniform(0.006, 0.02), dice.randint(500, 1000)
        presses.append((now_s, zone, rise_s, hold_s, fall_s, peak))
        free_s[zone] = now_s + rise_s + hold_s + fall_s + 0.15
        now_s += 0.12
    return presses


def steps(presses: Sequence[tuple[int, float, int]]) -> list[Moment]:
    """One press after another: (zone, rise_s, peak)."""
    return [
        (QUIET_S + 0.4 * place, zone, rise_s, 0.2, 0.03, peak)
        for place, (zone, rise_s, peak) in enumerate(presses)
    ]


def play(
    folder: Path, moments: Sequence[Moment], wire: str, source: str = "rise", *, flip: float = 0.0
) -> tuple[list[bytes], list[bytes]]:
    """What the JACK client and the serial reader heard of these presses, as whole messages.

    flip: share of bytes that are damaged on the way.
    """
    dice = random.Random(7)
    seconds = moments[-1][0] + 1.0
    played: Played = render(
        moments, ZONES, seconds, RATE_HZ, packed=wire == "packed", dice=random.Random(3)
    )
    frames = list(played.frames)
    if flip:
        frames = [
            bytes(byte ^ (1 << dice.randrange(8)) if dice.random() < flip else byte for byte in f)
            for f in frames
        ]
    board, line = Pty(), Line()
    line.start()
    try:
        with JackServer() as server:
            show = write_show(folder, board.path, "slipway", line.pty.path, wire, source)
            with Bridge(show, folder, server.env) as bridge:
                wait_until(lambda: any("slipway" in port for port in server.ports()), "the port")
                (port,) = [name for name in server.ports() if "slipway" in name]
                with JackReader(server) as reader:
                    # Nothing can be sent from here to see it come through: it is waited for.
                    reader.connect(port, lambda probe: None)
                    pace(board, frames)
                    expected = 2 * len(moments)
                    if not flip:
                        wait_until(lambda: len(reader.messages()) >= expected, "the last lift")
                    board.write(END)
                    bridge.signal(signal.SIGTERM)
                    assert bridge.wait() == 128 + signal.SIGTERM
                    heard = reader.messages()
        return heard, parse(line.received)
    finally:
        line.end()
        board.close()


def pairs(messages: Sequence[bytes]) -> list[tuple[int, int, int]]:
    """(channel 1-16, note, velocity) of each note-on; fails unless each has its one note-off."""
    sounding: set[tuple[int, int]] = set()
    found = []
    for message in messages:
        kind, channel = message[0] & 0xF0, (message[0] & 15) + 1
        key = (channel, message[1])
        if kind == 0x90 and message[2]:
            assert key not in sounding, f"struck again without a note-off: {key}"
            sounding.add(key)
            found.append((channel, message[1], message[2]))
        elif kind in (0x80, 0x90):
            assert key in sounding, f"a note-off for what did not sound: {key}"
            sounding.remove(key)
    assert not sounding, f"never ended: {sounding}"
    return found


@pytest.mark.parametrize("wire", ["text", "packed"])
def test_every_press_is_one_note_on_and_one_note_off(tmp_path: Path, wire: str) -> None:
    moments = walk(6.0, random.Random(1))
    expected = [(CHANNEL, FIRST_NOTE + zone) for _, zone, *_ in moments]
    for heard in play(tmp_path, moments, wire):
        assert [(channel, note) for channel, note, _ in pairs(heard)] == expected


@pytest.mark.parametrize("source", ["rise", "both"])
def test_velocity_never_falls_when_the_press_is_faster(tmp_path: Path, source: str) -> None:
    rises_s = (0.06, 0.04, 0.025, 0.016, 0.01, 0.006, 0.003)
    moments = steps([(zone, rise_s, 900) for zone in (0, 9, 23) for rise_s in rises_s])
    for heard in play(tmp_path, moments, "packed", source):
        check_order(pairs(heard), len(rises_s))


@pytest.mark.parametrize("source", ["peak", "both"])
def test_velocity_never_falls_when_the_press_is_harder(tmp_path: Path, source: str) -> None:
    peaks = (150, 260, 380, 500, 640, 780, 900, 980)
    moments = steps([(zone, 0.006, peak) for zone in (3, 14) for peak in peaks])
    for heard in play(tmp_path, moments, "packed", source):
        check_order(pairs(heard), len(peaks))


def check_order(found: Sequence[tuple[int, int, int]], run: int) -> None:
    """Velocities of each run of presses on one zone never fall, and do rise."""
    velocities = [velocity for _, _, velocity in found]
    assert len(velocities) % run == 0
    for start in range(0, len(velocities), run):
        part = velocities[start : start + run]
        assert part == sorted(part), velocities
        assert part[-1] > part[0] + 20, velocities


def test_nothing_that_was_not_played_sounds_from_damaged_bytes(tmp_path: Path) -> None:
    moments = walk(6.0, random.Random(2))
    played = {FIRST_NOTE + zone for _, zone, *_ in moments}
    for heard in play(tmp_path, moments, "packed", flip=0.01):
        found = pairs(heard)
        assert {note for _, note, _ in found} <= played
        # A press may be lost whole to damage, or broken in two, but no more than that.
        assert len(moments) * 0.7 < len(found) < len(moments) * 1.3
