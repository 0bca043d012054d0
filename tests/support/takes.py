"""Takes for tests: written by hand, and by a writer on a loop whose clock a test moves."""

from __future__ import annotations

import time
import zlib
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

from matbridge.board.simulated import SimulatedMat, render
from matbridge.board.simulated.link import encoder
from matbridge.board.simulated.pieces import PIECES
from matbridge.board.take import RecordedBoard, TakeHeader
from matbridge.board.take_writer import TakeWriter
from matbridge.mapping.load import load_mat
from tests.support.loop import ManualLoop

CONFIGS = Path(__file__).parents[2] / "configs"

TEXT_BOARD = RecordedBoard("/dev/serial/by-id/harbour", 921_600, "text", 3, 10)
PACKED_BOARD = RecordedBoard("usb:2e8a:0005", 115_200, "packed", 24, 12)
HEADER = TakeHeader(
    "2031-06-01T20:15:00+02:00",
    (TEXT_BOARD, PACKED_BOARD),
    (("performance", "harbour-lights.yaml", "performance: Hafenlichter à 8\n"), ("mat", "m", "")),
    "matbridge 0.1.0",
)


def write_take(
    path: Path,
    chunks: Iterable[tuple[float, int, bytes]],
    header: TakeHeader = HEADER,
    reason: str = "stopped",
) -> Path:
    """A take with these chunks: seconds after its start, board, bytes."""
    loop = ManualLoop(5000.0)
    writer = TakeWriter(path, header, loop)
    for time_s, board, data in chunks:
        loop.advance(5000.0 + time_s - loop.now_s())
        wait_for_disk(writer)
        writer.data(board, data, loop.now_s())
    writer.close(reason)
    assert writer.reason == reason
    return path


def parts(data: bytes) -> list[bytes]:
    """The gzip members of a file, cut apart by zlib itself."""
    found = []
    while data:
        unpacker = zlib.decompressobj(31)
        unpacker.decompress(data)
        assert unpacker.eof
        size = len(data) - len(unpacker.unused_data)
        found.append(data[:size])
        data = data[size:]
    return found


def wait_for_disk(writer: TakeWriter) -> None:
    """Hours go by in a moment here, but not for the disk."""
    while not writer._waiting.empty():
        time.sleep(0.001)


@cache
def simulated_chunks(wire_format: str, seconds: float = 20.0) -> tuple[tuple[float, bytes], ...]:
    """What the board of `configs/stepping-stones.mat.yaml` sends, a scan at a time, with noise."""
    mat = load_mat(CONFIGS / "stepping-stones.mat.yaml")
    simulated = SimulatedMat(
        places_cm=tuple((zone.x_cm, zone.y_cm) for zone in mat.zones),
        channels=mat.boards[0].zones,
        bits=mat.sensor.bits,
        fixed_resistor_ohm=mat.sensor.fixed_resistor_ohm,
    )
    encode = encoder(wire_format, mat.sensor.bits)
    scans = render(PIECES["tide"](simulated, 3), simulated, 500.0, 3, seconds=seconds)
    start = (0.0, b"\0" if wire_format == "packed" else b"\n")
    # A little late, and not evenly: as a link delivers.
    late_s = (0.0004, 0.0011, 0.0002, 0.0019)
    return start, *(
        (round(scan.time_s + late_s[number % 4], 6), encode(number, scan))
        for number, scan in enumerate(scans)
    )


def show_texts(wire_format: str) -> tuple[str, str]:
    """The performance and the mat of that board, in this wire format."""
    performance = (CONFIGS / "harbour-lights.yaml").read_text()
    mat = (CONFIGS / "stepping-stones.mat.yaml").read_text()
    return performance, mat.replace("format: text", f"format: {wire_format}")


def simulated_take(
    path: Path,
    wire_format: str = "text",
    seconds: float = 20.0,
    events: Iterable[tuple[float, str, Mapping[str, object]]] = (),
) -> Path:
    """A take of the simulated mat as a bridge would keep it. events: second, name, facts."""
    performance, mat = show_texts(wire_format)
    header = TakeHeader(
        "2031-06-01T20:15:00+02:00",
        (RecordedBoard("simulated", 921_600, wire_format, 14, 10),),
        (("performance", "harbour-lights.yaml", performance),
         ("mat", "stepping-stones.mat.yaml", mat)),
        "matbridge 0.1.0",
    )  # fmt: skip
    loop = ManualLoop(0.0)
    writer = TakeWriter(path, header, loop)
    happenings: list[tuple[float, int, object]] = [
        *((time_s, 1, data) for time_s, data in simulated_chunks(wire_format, seconds)),
        *((time_s, 0, (name, facts)) for time_s, name, facts in events),
    ]
    for time_s, _, what in sorted(happenings, key=lambda each: each[:2]):
        loop.advance(time_s - loop.now_s())
        wait_for_disk(writer)
        if isinstance(what, bytes):
            writer.data(0, what, loop.now_s())
        elif isinstance(what, tuple):
            name, facts = what
            writer.event(name, loop.now_s(), **facts)
    loop.advance(max(0.0, seconds - loop.now_s()))
    writer.close("stopped")
    assert writer.reason == "stopped"
    return path
