"""A command that listens to the mat and shows it, until it is done or told to leave.

On a terminal the picture is drawn in place, ten times a second, and single keys are heard. Without
one, or with `plain`, what changes is printed line by line, and nobody is asked anything.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from contextlib import ExitStack
from types import FrameType
from typing import TYPE_CHECKING, NoReturn

from rich.console import Console
from rich.live import Live
from rich.text import Text

from matbridge.cli import keyboard
from matbridge.service.loop import ServiceLoop

if TYPE_CHECKING:
    from matbridge.cli.listening import Listening

# Quicker than a reading can be followed by eye is wasted; slower looks broken.
DRAW_S = 0.1

# 128 + SIGTERM, as shells expect it.
TERMINATED = 143


class Terminal:
    """The loop, the terminal and the keys of one command.

    plain: whether lines are printed rather than pictures drawn. alone: whether nobody can press a
    key, so that what needs one must go on by itself.
    """

    def __init__(self, *, plain: bool = False) -> None:
        self.console = Console(highlight=False)
        dumb = os.environ.get("TERM", "") in ("", "dumb", "unknown")
        self.plain = plain or dumb or not self.console.is_terminal
        self.alone = self.plain or not keyboard.is_there()
        self.ascii = (self.console.encoding or "").lower().replace("-", "") != "utf8"
        self.loop = ServiceLoop(self._fail)
        self._error: Exception | None = None
        self._said: dict[str, str] = {}

    def say(self, about: str, line: str) -> None:
        """Print a line where no picture is drawn, if it is not what was last said about it."""
        if self.plain and line != self._said.get(about, ""):
            self._said[about] = line
            if line:
                self.console.print(Text(line), soft_wrap=True)

    def run(
        self,
        listening: Listening,
        picture: Callable[[int, int], Text],
        on_key: Callable[[str], None],
        tick: Callable[[], None],
    ) -> None:
        """Until `leave`. picture: drawn for a width and a height. tick: called ten times a second.

        Raises what a callback of the loop raised. The terminal is as it was afterwards.
        """
        before = signal.signal(signal.SIGTERM, _terminate)
        try:
            with ExitStack() as stack:
                stack.callback(listening.close)
                live = None
                if not self.plain:
                    live = Live(console=self.console, auto_refresh=False, transient=True)
                    stack.enter_context(live)
                if not self.alone:
                    stack.enter_context(keyboard.Keyboard(self.loop, on_key))
                listening.open(self.loop)
                self._draw(live, picture, tick)
                self.loop.run()
        finally:
            signal.signal(signal.SIGTERM, before)
        if self._error is not None:
            raise self._error

    def leave(self) -> None:
        """End `run` after what is being done."""
        self.loop.stop()

    def _draw(
        self, live: Live | None, picture: Callable[[int, int], Text], tick: Callable[[], None]
    ) -> None:
        tick()
        if live is not None:
            # One column and one line less than there is, so that nothing wraps or scrolls.
            width, height = self.console.size
            live.update(picture(width - 1, height - 1), refresh=True)
        self.loop.call_at(self.loop.now_s() + DRAW_S, lambda: self._draw(live, picture, tick))

    def _fail(self, error: Exception) -> None:
        self._error = self._error or error
        self.loop.stop()


def _terminate(_number: int, _frame: FrameType | None) -> NoReturn:
    # Not a plain death: the terminal's modes must be put back on the way out.
    sys.exit(TERMINATED)
