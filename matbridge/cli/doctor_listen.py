"""Listening to the boards of a mat for a while, and keeping what they sent."""

from __future__ import annotations

from typing import NamedTuple

from matbridge.board.hello import QUERY
from matbridge.board.scan import Decoder, Scan
from matbridge.cli.listening import Listening
from matbridge.mapping.plan import BoardPlan, MatPlan
from matbridge.service.loop import ServiceLoop

# What a board may take to reboot when its port is opened, as many do.
REBOOT_S = 2.5

# No board at all by then: the first tries to open a port follow each other quickly.
ABSENT_S = 1.0

# A board that is not heard by then is asked what it is all the same; before, it may reboot.
ASK_S = 0.8

# Reads that are kept as they came: about a second of a fast board.
KEPT_READS = 1000

# How often it is looked whether there is enough.
LOOK_S = 0.05


class Heard(NamedTuple):
    """What one board sent while it was listened to. reads: (bytes, when), the first of them."""

    plan: BoardPlan
    status: dict[str, object]
    decoder: Decoder
    reads: list[tuple[bytes, float]]
    received: int
    scans: list[Scan]
    seconds: float

    @property
    def rate_hz(self) -> float:
        """Scans a second; 1 where there are too few to say."""
        return (len(self.scans) - 1) / self.seconds if self.seconds > 0 else 1.0


def listen(mat: MatPlan, seconds: float) -> list[Heard]:
    """Hear every board for `seconds` of its scans, and no longer than that and a reboot."""
    failed: list[Exception] = []
    loop = ServiceLoop(failed.append)
    scans: list[list[Scan]] = [[] for _ in mat.boards]
    reads: list[list[tuple[bytes, float]]] = [[] for _ in mat.boards]

    def keep(board: int, data: bytes, now_s: float) -> None:
        if len(reads[board]) < KEPT_READS:
            reads[board].append((data, now_s))

    listening = Listening(mat, lambda board, scan: scans[board].append(scan))
    listening.on_read = keep
    started_s = loop.now_s()
    asked = [False] * len(mat.boards)

    def enough(board: int, now_s: float) -> bool:
        if scans[board]:
            return scans[board][-1].time_s - scans[board][0].time_s >= seconds
        # Bytes that have made no scan for so long will make none.
        return bool(reads[board]) and now_s - reads[board][0][1] > seconds

    def turn() -> None:
        now_s = loop.now_s()
        passed_s = now_s - started_s
        found = [board.link.status().get("found") for board in listening.boards]
        for index, board in enumerate(listening.boards):
            if not asked[index] and found[index] and (board.heard or passed_s > ASK_S):
                asked[index] = True
                board.link.write(QUERY)
        if (
            failed
            or passed_s > seconds + REBOOT_S
            or (passed_s > ABSENT_S and not any(found))
            or all(enough(index, now_s) for index in range(len(mat.boards)))
        ):
            loop.stop()
        else:
            loop.call_at(now_s + LOOK_S, turn)

    listening.open(loop)
    turn()
    try:
        loop.run()
        status = [dict(board.link.status()) for board in listening.boards]
    finally:
        listening.close()
    if failed:
        raise failed[0]
    return [
        Heard(
            plan=board.plan,
            status=status[index],
            decoder=board.decoder,
            reads=reads[index],
            received=listening.received[index],
            scans=scans[index],
            seconds=scans[index][-1].time_s - scans[index][0].time_s if scans[index] else 0.0,
        )
        for index, board in enumerate(listening.boards)
    ]
