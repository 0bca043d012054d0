"""Takes for tests: written by hand, and by a writer on a loop whose clock a test moves."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from matbridge.board.take import RecordedBoard, TakeHeader
from matbridge.board.take_writer import TakeWriter
from tests.support.loop import ManualLoop

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
        writer.data(board, data, loop.now_s())
    writer.close(reason)
    assert writer.reason == reason
    return path
