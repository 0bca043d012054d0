"""The boards of a mat, heard by a command that only listens: scans, and why there are none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from matbridge.board.scan import Scan
from matbridge.errors import BoardUnavailable
from matbridge.loop import Loop
from matbridge.mapping.plan import MatPlan
from matbridge.plain import escaped
from matbridge.service.boards import SIMULATED, Board, make_decoder, make_link

# A board that reboots when its port is opened, as many do, has sent its first scan by then.
SETTLE_S = 3.0

# With nobody to press a key, no scans for so long end the command.
PATIENCE_S = 15.0


class Listening:
    """Every board of `mat`, from `open` to `close`; `on_scan` is called with board index and scan.

    piece: what a simulated mat plays. received, channels: by board, its bytes so far and how many
    readings its scans have. on_read: called with board index, bytes and time as they come.
    """

    def __init__(
        self, mat: MatPlan, on_scan: Callable[[int, Scan], None], *, piece: str = "walk"
    ) -> None:
        self.on_read: Callable[[int, bytes, float], object] = _unread
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
            board.open(loop, self._taker(index), self._finder(index), _nothing)

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

    @property
    def simulated(self) -> bool:
        """Whether nobody is on the mat, who might have to step off it first."""
        return all(board.plan.port == SIMULATED for board in self.boards)

    def open_s(self) -> float:
        """For how long it has been open."""
        return self._loop.now_s() - self._opened_s if self._loop is not None else 0.0

    def trouble(self) -> str:
        """Why there are no scans, and what to do; empty while every board is heard."""
        for index, board in enumerate(self.boards):
            if not board.heard:
                return self._trouble(index)
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
        reason = board.trouble()
        if board.link.status().get("found") and self.open_s() < SETTLE_S:
            reason = "waiting for its first scan"
        if board.plan.port not in reason:
            reason = f"board at {board.plan.port}: {reason}"
        return escaped(reason)

    def _finder(self, index: int) -> Callable[[], None]:
        def found() -> None:
            # Whichever decoder it has then: `adapt` may have given it another.
            self.boards[index].decoder.reset()

        return found

    def _taker(self, index: int) -> Callable[[bytes, float], None]:
        board, on_scan = self.boards[index], self._on_scan

        def take(data: bytes, now_s: float) -> None:
            self.received[index] += len(data)
            self.on_read(index, data, now_s)
            for scan in board.decoder.feed(data, now_s):
                on_scan(index, scan)

        return take


def _unread(board: int, data: bytes, now_s: float) -> None:
    """Most commands are content with scans."""


def _nothing(_: str) -> None:
    """Whoever listens asks `heard` when there is time to show it."""
