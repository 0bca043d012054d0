"""The boards of a mat, heard by a command that only listens: scans, and why there are none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from matbridge.board.scan import Decoder, Scan
from matbridge.errors import BoardUnavailable
from matbridge.loop import Loop
from matbridge.mapping.plan import BoardPlan, MatPlan
from matbridge.plain import escaped
from matbridge.service.boards import Board, make_decoder, make_link

# A board that reboots when its port is opened, as many do, has sent its first scan by then.
SETTLE_S = 3.0

# With nobody to press a key, no scans for so long end the command.
PATIENCE_S = 15.0


class Listening:
    """Every board of `mat`, from `open` to `close`; `on_scan` is called with board index and scan.

    piece: what a simulated mat plays. received, channels: by board, its bytes so far and how many
    readings its scans have.
    """

    def __init__(
        self, mat: MatPlan, on_scan: Callable[[int, Scan], None], *, piece: str = "walk"
    ) -> None:
        self._mat = mat
        self._on_scan = on_scan
        self._opened_s = 0.0
        self._well_s = 0.0
        self._loop: Loop | None = None
        self.boards = [
            Board(plan, make_link(plan, mat, piece=piece), make_decoder(plan, mat), is_open=False)
            for plan in mat.boards
        ]
        self.received = [0] * len(self.boards)
        self.channels = [plan.channels for plan in mat.boards]

    def open(self, loop: Loop) -> None:
        self._loop = loop
        self._opened_s = loop.now_s()
        for index, board in enumerate(self.boards):
            board.open(loop, self._taker(index), _nothing)

    def close(self) -> None:
        """Let the boards go. Twice is harmless."""
        for board in self.boards:
            board.close()

    @property
    def heard(self) -> bool:
        """Whether scans come from every board."""
        return all(board.heard for board in self.boards)

    def adapt(self) -> bool:
        """Take the boards as they are: where one sends another number of readings than the mat file
        says, decode it so from now on. Whether one was found to."""
        adapted = False
        for index, board in enumerate(self.boards):
            misfit = board.decoder.misfit
            if misfit is not None and not board.decoder.counts.scans:
                plan = replace(board.plan, channels=misfit.channels)
                board.decoder = make_decoder(plan, self._mat)
                self.channels[index] = misfit.channels
                adapted = True
        return adapted

    def open_s(self) -> float:
        """For how long it has been open."""
        return self._loop.now_s() - self._opened_s if self._loop is not None else 0.0

    def trouble(self) -> str:
        """Why there are no scans, and what to do; empty while every board is heard."""
        for index, board in enumerate(self.boards):
            if not board.heard:
                reason = self._trouble(index)
                if reason:
                    return reason
        return ""

    def check_patience(self) -> None:
        """For when nobody can be asked: raises BoardUnavailable after PATIENCE_S of trouble."""
        now_s = self.open_s()
        trouble = self.trouble()
        if not trouble:
            self._well_s = now_s
        elif now_s - self._well_s > PATIENCE_S:
            raise BoardUnavailable(f"no scans for {PATIENCE_S:.0f} s: {trouble}")

    def _trouble(self, index: int) -> str:
        board = self.boards[index]
        status = board.link.status()
        name = f"board at {escaped(board.plan.port)}"
        if not status.get("found"):
            why = escaped(str(status.get("why", "it is not there")))
            return f"{name}: {why}"
        if self.open_s() < SETTLE_S:
            return f"{name}: waiting for its first scan"
        if not self.received[index]:
            return f"{name} is there and sends nothing: is its program running? (matbridge doctor)"
        return f"{name} {unfit(board.plan, board.decoder, self._mat)}"

    def _taker(self, index: int) -> Callable[[bytes, float], None]:
        board, on_scan = self.boards[index], self._on_scan

        def take(data: bytes, now_s: float) -> None:
            self.received[index] += len(data)
            for scan in board.decoder.feed(data, now_s):
                on_scan(index, scan)

        return take


def unfit(plan: BoardPlan, decoder: Decoder, mat: MatPlan) -> str:
    """What is wrong with a board that sends bytes, but no scans of this mat."""
    misfit = decoder.misfit
    if misfit is not None and misfit.channels != plan.channels:
        return (
            f"sends {misfit.channels} readings a scan, the mat file has {plan.channels}: "
            f"write channels: {misfit.channels} under board:"
        )
    if misfit is not None and misfit.bits > mat.sensor.bits:
        return (
            f"sends readings of {misfit.bits} bits, the mat file has {mat.sensor.bits}: "
            f"write bits: {misfit.bits} under sensor:"
        )
    return (
        f"sends what is not {plan.format} at {plan.baud} baud: "
        "look at format: and baud: (matbridge doctor guesses them)"
    )


def _nothing(_: str) -> None:
    """Whoever listens asks `heard` when there is time to show it."""
