"""A calibration from a take: what was played that evening, walked over once more."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from matbridge.board.formats import DECODERS
from matbridge.board.scan import Decoder
from matbridge.board.take import Chunk, RecordedBoard
from matbridge.board.take_reader import Take
from matbridge.errors import TakeError
from matbridge.mapping.plan import MatPlan
from matbridge.mapping.wiring import wiring
from matbridge.plain import escaped
from matbridge.sensing.guide import Guide

if TYPE_CHECKING:
    from collections.abc import Sequence


def walk_through(path: Path, mat: MatPlan) -> tuple[Guide, str]:
    """The guide, once it has seen the whole take, and the date of the take.

    The rest is the first still moment of the take, and every press in it counts. Raises TakeError
    where it is none of this mat, CalibrationError where it holds no rest.
    """
    take = Take(path)
    boards = take.header.boards
    _check(path, mat, boards)
    decoders: list[Decoder] = [
        DECODERS[board.format](board.channels, board.bits) for board in boards
    ]
    guide = Guide(wiring(mat), [board.zones for board in mat.boards], walk=True)
    guide.go_on()
    for record in take.records():
        if isinstance(record, Chunk):
            for scan in decoders[record.board].feed(record.data, record.time_s):
                guide.feed(record.board, scan)
        elif record.name in ("found", "gap"):
            # The board began anew, or bytes are missing: what was kept of it goes with nothing now.
            for decoder in decoders:
                decoder.reset()
    if guide.findings:
        guide.go_on()
    return guide, _date(take.header.started)


def _check(path: Path, mat: MatPlan, boards: Sequence[RecordedBoard]) -> None:
    def refuse(reason: str) -> TakeError:
        return TakeError(f"the take {escaped(str(path))} is not of the mat '{mat.name}': {reason}")

    if len(boards) != len(mat.boards):
        raise refuse(f"it has {len(boards)} boards, the mat file {len(mat.boards)}")
    for number, (recorded, plan) in enumerate(zip(boards, mat.boards, strict=True), 1):
        if recorded.channels != plan.channels or recorded.bits != mat.sensor.bits:
            raise refuse(
                f"board {number} sent {recorded.channels} readings of {recorded.bits} bits, "
                f"the mat file says {plan.channels} of {mat.sensor.bits}"
            )
        if recorded.format not in DECODERS:
            raise refuse(f"board {number} sent {escaped(recorded.format)}, which is not readings")


def _date(started: str) -> str:
    """When the take was made; now, if it does not say so in a way that is a date."""
    try:
        return datetime.fromisoformat(started).isoformat(timespec="seconds")
    except ValueError:
        return datetime.now().astimezone().isoformat(timespec="seconds")
