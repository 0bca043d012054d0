"""A calibration on the mat, from the first scan to the last press."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from rich.text import Text

from matbridge.board.scan import Scan
from matbridge.cli.calibrate_result import advice_of
from matbridge.cli.listening import Listening
from matbridge.cli.terminal import Terminal
from matbridge.display import calibration_screen
from matbridge.mapping.plan import MatPlan
from matbridge.mapping.wiring import wiring
from matbridge.sensing.guide import Guide, Stage

# With nobody to press a key, a press that does not come for so long is left out.
STEP_S = 10.0

GIVE_UP = ("q", "escape")
GO_ON = ("enter", "space", "right")
BACK = ("b", "backspace", "left")
NEXT_ZONE = ("n",)


class Session:
    """One calibration. alone: never wait for a key."""

    def __init__(self, terminal: Terminal, mat: MatPlan, *, walk: bool, alone: bool) -> None:
        self._mat = mat
        self._terminal = terminal
        self._alone = alone or terminal.alone
        self.guide = Guide(
            wiring(mat),
            [board.zones for board in mat.boards],
            walk=walk,
            step_s=STEP_S if self._alone else None,
        )
        self._listening = Listening(mat, self._take)
        self._latest: list[Sequence[int]] = [()] * len(mat.boards)
        self._kept = False
        if self._alone or self._listening.simulated:
            self.guide.go_on()

    def measure(self) -> bool:
        """Until it is done; False if it was given up."""
        self._terminal.run(self._listening, self._picture, self._press_key, self._tick)
        return self._kept

    def _take(self, board: int, scan: Scan) -> None:
        self._latest[board] = scan.readings
        self.guide.feed(board, scan)

    def _press_key(self, key: str) -> None:
        if key in GIVE_UP:
            self._terminal.leave()
        elif key in GO_ON:
            if self.guide.stage is Stage.DONE:
                self._finish()
            self.guide.go_on()
        elif key in BACK:
            self.guide.back()
        elif key in NEXT_ZONE:
            self.guide.skip()

    def _finish(self) -> None:
        self._kept = True
        self._terminal.leave()

    def _tick(self) -> None:
        terminal, guide = self._terminal, self.guide
        terminal.say("trouble", self._listening.trouble())
        terminal.say("remark", calibration_screen.remark(guide))
        terminal.say("task", calibration_screen.task(guide))
        if self._alone:
            self._listening.check_patience()
            if guide.stage is Stage.DONE:
                self._finish()

    def _picture(self, width: int, height: int) -> Text:
        readings = [0] * len(self._mat.zones)
        for board, latest in zip(self._mat.boards, self._latest, strict=True):
            for zone, reading in zip(board.zones, latest, strict=False):
                if zone >= 0:
                    readings[zone] = reading
        advice = None
        if self.guide.stage is Stage.DONE:
            advice = advice_of(self._mat, self.guide, self.guide.result(now()))
        return calibration_screen.screen(
            self.guide,
            readings,
            self._listening.trouble(),
            width,
            height,
            advice=advice or (),
            plain=self._terminal.ascii,
        )


def now() -> str:
    """The date of a calibration that is made now."""
    return datetime.now().astimezone().isoformat(timespec="seconds")
