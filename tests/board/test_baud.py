"""Rates of a serial line beside the table."""

from __future__ import annotations

import os
import pty
import termios
from collections.abc import Iterator

import pytest

from matbridge.board.baud import OPENING_BAUD, needs_setting, set_baud


@pytest.fixture
def line() -> Iterator[int]:
    master, slave = pty.openpty()
    yield slave
    os.close(slave)
    os.close(master)


@pytest.mark.parametrize(
    ("baud", "odd"),
    [(9600, False), (115_200, False), (921_600, False), (31_250, True), (250_000, True)],
)
def test_which_rates_are_in_no_table(baud: int, odd: bool) -> None:
    assert needs_setting(baud) is odd


def test_the_opening_rate_is_in_every_table() -> None:
    assert not needs_setting(OPENING_BAUD)


@pytest.mark.parametrize("baud", [31_250, 250_000, 12_345, 12_000_000])
def test_a_rate_is_set_and_nothing_else(line: int, baud: int) -> None:
    before = termios.tcgetattr(line)
    assert set_baud(line, baud) == baud
    # Back to a rate of the table, the C library's own view must be what it was.
    before[4] = before[5] = termios.B38400
    assert set_baud(line, OPENING_BAUD) == OPENING_BAUD
    after = termios.tcgetattr(line)
    assert after[:2] == before[:2]
    assert after[3] == before[3]
    assert after[6] == before[6]


def test_what_is_no_line_is_refused() -> None:
    with open(os.devnull) as null, pytest.raises(OSError, match=r"\[Errno 25\]"):
        set_baud(null.fileno(), 31_250)
