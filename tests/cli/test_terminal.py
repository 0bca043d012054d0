"""The terminal of the commands that listen: what it prints, hears, and puts back."""

from __future__ import annotations

import signal
from collections.abc import Callable
from typing import cast

import pytest
from rich.text import Text

from matbridge.cli.keyboard import keys
from matbridge.cli.listening import Listening
from matbridge.cli.terminal import Terminal
from matbridge.loop import Loop


class Boards:
    """Stands for the boards of a mat: does one thing when it is opened."""

    def __init__(self, act: Callable[[], None]) -> None:
        self._act = act
        self.closed = 0

    def open(self, loop: Loop) -> None:
        loop.call_at(loop.now_s(), self._act)

    def close(self) -> None:
        self.closed += 1


def run(terminal: Terminal, boards: Boards) -> None:
    terminal.run(
        cast(Listening, boards), lambda width, height: Text(), lambda key: None, lambda: None
    )


def test_what_a_callback_raises_ends_it_with_everything_put_back() -> None:
    def fail() -> None:
        raise ValueError("a scan that cannot be")

    before = signal.getsignal(signal.SIGTERM)
    boards = Boards(fail)
    with pytest.raises(ValueError, match="a scan that cannot be"):
        run(Terminal(plain=True), boards)
    assert boards.closed == 1
    assert signal.getsignal(signal.SIGTERM) == before


def test_leaving_puts_everything_back() -> None:
    before = signal.getsignal(signal.SIGTERM)
    terminal = Terminal(plain=True)
    boards = Boards(terminal.leave)
    run(terminal, boards)
    assert boards.closed == 1
    assert signal.getsignal(signal.SIGTERM) == before


def test_a_line_is_said_once_until_it_changes(capsys: pytest.CaptureFixture[str]) -> None:
    terminal = Terminal(plain=True)
    for line in ("press a", "press a", "", "press a", "press b"):
        terminal.say("task", line)
        terminal.say("remark", "that was c")
    assert capsys.readouterr().out.split("\n") == [
        "press a",
        "that was c",
        "press a",
        "press b",
        "",
    ]


@pytest.mark.parametrize(
    ("sent", "names"),
    [
        (b"\r", ["enter"]),
        (b"\n", ["enter"]),
        (b" ", ["space"]),
        (b"\x7f", ["backspace"]),
        (b"b", ["b"]),
        (b"nnq", ["n", "n", "q"]),
        (b"\x1b", ["escape"]),
        (b"\x1b[D\x1b[C", ["left", "right"]),
        (b"\x1bOD", ["left"]),
        (b"\x1b[15~q", []),  # F5: not an escape, and its tail is no key
        (b"\x01\xc3\xa9", []),
    ],
)
def test_keys_have_names(sent: bytes, names: list[str]) -> None:
    """Cursor keys as ECMA-48 has them, in both modes of a terminal."""
    assert keys(sent) == names
