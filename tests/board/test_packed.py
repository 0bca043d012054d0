"""The packed wire format."""

from __future__ import annotations

from matbridge.board import packed
from matbridge.board.hello import Hello


def test_the_worked_example_of_the_docstring() -> None:
    frame = packed.encode_scan(7, 1000, [0, 513, 1023], 10)
    assert packed.__doc__ is not None
    assert frame.hex(" ").upper() in packed.__doc__
    assert frame == bytes.fromhex("04 11 0A 07 03 E8 03 01 02 03 01 06 04 F8 3F 1A F3 00")
