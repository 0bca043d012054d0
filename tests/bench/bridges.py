"""The bridges that stand side by side, each as a command line for the rig."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from matbridge.mapping.load import load_show
from matbridge.mapping.plan import Show
from matbridge.playing.player import Player
from matbridge.service.boards import make_decoder, make_detector
from matbridge.service.pipeline import Pipeline
from tests.bench.play import Played

FIRST_NOTE = 36  # of zone 0; past 127 the channel goes up
CHANNEL_NOTES = 128

# A serial line fast enough that the wire is not what is measured.
OUT_BAUD = 4_000_000


Command = Callable[[str, str], Sequence[str]]
"""From the paths of the board's and the MIDI line to what is started."""


def key(zone: int) -> tuple[int, int]:
    """(channel 1-16, note) of a zone."""
    channel, note = divmod(FIRST_NOTE + zone, CHANNEL_NOTES)
    return channel + 1, note


def floor(program: Path, zones: int, *, packed: bool) -> Command:
    wire = "packed" if packed else "text"
    return lambda board, out: [str(program), board, out, str(zones), wire]


def least(zones: int, *, packed: bool) -> Command:
    script = Path(__file__).with_name("floor.py")
    wire = "packed" if packed else "text"
    return lambda board, out: [sys.executable, str(script), board, out, str(zones), wire]


def plain(zones: int) -> Command:
    script = Path(__file__).with_name("plain.py")
    return lambda board, out: [sys.executable, str(script), board, out, str(zones)]


def matbridge(folder: Path, zones: int, *, packed: bool) -> Command:
    program = str(Path(sys.executable).with_name("matbridge"))

    def command(board: str, out: str) -> Sequence[str]:
        return [program, "run", str(write_show(folder, zones, board, out, packed=packed))]

    return command


def stages(folder: Path, zones: int, *, packed: bool) -> Command:
    def command(board: str, out: str) -> Sequence[str]:
        show = str(write_show(folder, zones, board, out, packed=packed))
        return [sys.executable, "-m", "tests.bench.bare", board, out, show]

    return command


def write_show(folder: Path, zones: int, board: str, out: str, *, packed: bool) -> Path:
    """A mat and a performance of the same job: one note a zone, all of sensing as it is shipped."""
    columns = 8
    lines = [
        "mat: bench",
        "board:",
        f"  port: {board}",
        "  baud: 921600",
        f"  format: {'packed' if packed else 'text'}",
        "sensor: {type: force, bits: 10, fixed_resistor_ohm: 1000}",
        "zones:",
    ]
    for zone in range(zones):
        row, column = divmod(zone, columns)
        lines.append(f"  - {{name: z{zone}, at: [{column * 40}, {row * 40}]}}")
    (folder / "bench.mat.yaml").write_text("\n".join(lines) + "\n")
    lines = [
        "performance: bench",
        "mat: bench.mat.yaml",
        "outputs:",
        f"  out: {{serial: {out}, baud: {OUT_BAUD}}}",
        "presets:",
        "  all:",
        "    output: out",
        "    velocity: {from: rise}",
        "    zones:",
    ]
    for zone in range(zones):
        channel, note = key(zone)
        lines.append(f"      z{zone}: {{note: {note}, channel: {channel}}}")
    lines += ["  other:", "    output: out", "    zones: {z0: {note: 60}}"]
    path = folder / "bench.yaml"
    path.write_text("\n".join(lines) + "\n")
    return path


def pipeline(show: Show) -> Pipeline:
    """The stages of a show with one board, without ports or clock."""
    (board,) = show.mat.boards
    return Pipeline(
        [make_decoder(board, show.mat)],
        [make_detector(board, show.mat, None)],
        Player(show.performance),
    )


def decisions(show: Path, played: Played, written_ns: Sequence[int]) -> list[tuple[int, int]]:
    """(zone, number of the scan that completes the decision) of every onset of the bridge.

    The same bytes at the same seconds go through the same stages here, without ports or clock;
    so the time from that scan's last byte to its note is the bridge's own, and none of it is the
    window in which a velocity is listened for.
    """
    played_by = pipeline(load_show(str(show)))
    zone_of = {key(zone): zone for zone in range(played.zones)}
    found = []
    played_by.start(written_ns[0] / 1e9)
    for index, time_ns in enumerate(written_ns):
        for _, message in played_by.feed(0, played.frames[index], time_ns / 1e9):
            if message[0] & 0xF0 == 0x90:
                found.append((zone_of[(message[0] & 15) + 1, message[1]], index))
    return found
