"""A small show for tests of the real process: six zones on one board, a note each, two presets."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Self

from tests.support.din import DinPeer
from tests.support.jack import wait_until
from tests.support.mat_player import MatPlayer
from tests.support.pty_board import PtyBoard

ZONES = 6

# What a hand's reading is on a `level` sensor of 10 bits.
HARD = 800.0

# Of the first preset: the note of zone z0, and its channel; each zone plays the next note.
FIRST_NOTE, CHANNEL = 60, 1


def write_quay(folder: Path, board: str, outputs: str, *, more: str = "") -> Path:
    """The files of the show. outputs: lines of the `outputs` map; the first is called `out`."""
    zones = "".join(f"  - {{name: z{zone}, at: [{zone * 40}, 0]}}\n" for zone in range(ZONES))
    (folder / "quay.mat.yaml").write_text(
        f"mat: quay\nboard: {{port: {board}, format: text}}\n"
        f"sensor: {{type: level, bits: 10}}\nzones:\n{zones}"
    )
    show = folder / "quay.yaml"
    show.write_text(
        f"performance: quay\nmat: quay.mat.yaml\noutputs:\n{outputs}\npresets:\n"
        f"{preset('ebb', CHANNEL, FIRST_NOTE)}{preset('flood tide', 2, 72)}{more}"
    )
    return show


def preset(name: str, channel: int, first_note: int) -> str:
    """A preset whose zones play one note each."""
    zones = "".join(f"      z{zone}: {{note: {first_note + zone}}}\n" for zone in range(ZONES))
    return f"  {name}:\n    output: out\n    channel: {channel}\n    zones:\n{zones}"


class Synth(DinPeer):
    """What hangs on the serial jack."""

    def __init__(self, folder: Path, name: str = "jack") -> None:
        super().__init__(folder / name)

    def notes(self) -> list[tuple[str, int, int]]:
        """("on" or "off", channel 1-16, note) of what was heard."""
        found = []
        for message in self.messages():
            if message[0] & 0xF0 in (0x80, 0x90):
                struck = message[0] & 0xF0 == 0x90 and message[2] > 0
                found.append(("on" if struck else "off", (message[0] & 15) + 1, message[1]))
        return found

    def wait_for_note(self, what: str, channel: int, note: int, count: int = 1) -> None:
        """Until so many note-ons or note-offs of a key were heard."""
        wait_until(
            lambda: self.notes().count((what, channel, note)) >= count,
            f"note-{what} {note} on channel {channel}; heard {self.notes()}",
        )

    def sounding(self) -> set[tuple[int, int]]:
        """Keys struck and not ended; fails where one was struck twice or ended unstruck."""
        keys: set[tuple[int, int]] = set()
        for what, channel, note in self.notes():
            if what == "on":
                assert (channel, note) not in keys, f"struck again: {channel}, {note}"
                keys.add((channel, note))
            else:
                assert (channel, note) in keys, f"ended without a strike: {channel}, {note}"
                keys.remove((channel, note))
        return keys


class Feet(MatPlayer):
    """Somebody on the mat, whose places are called as the zones are."""

    def __enter__(self) -> Self:
        super().__enter__()
        return self

    def __init__(self, board: PtyBoard) -> None:
        super().__init__(board, ZONES, {f"z{zone}": {zone: 1.0} for zone in range(ZONES)})

    def hold(self, place: str, reading: float = HARD) -> None:
        """Press it and stay."""
        for share in (0.5, 1.0):
            self._set(place, reading * share)
            time.sleep(0.01)

    def let_go(self, place: str) -> None:
        self._set(place, 0.0)
