"""`matbridge board-program DIR`: writes out the programs for a board, ready to open and flash."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

ARDUINO = ("mat_board", "touch_board")
WIRING = ("divider.svg", "converters.svg", "touch.svg", "zone.svg")
MICROPYTHON = ("mat_board.py", "touch_board.py", "board_wire.py")


def programs() -> Iterator[tuple[str, Traversable]]:
    """(path below the folder asked for, source) of every file that is written.

    The Arduino tools want each program in a folder of its own with all its headers beside it.
    """
    source = files("matbridge.board") / "programs"
    for name in ARDUINO:
        yield f"{name}/{name}.ino", source / name / f"{name}.ino"
        yield f"{name}/board_wire.h", source / "board_wire.h"
    for name in MICROPYTHON:
        yield f"micropython/{name}", source / "micropython" / name
    for name in WIRING:
        yield f"wiring/{name}", source / "wiring" / name


def main(argv: Sequence[str]) -> int:
    """Write the programs; files that are there already are never overwritten."""
    parser = argparse.ArgumentParser(
        prog="matbridge board-program",
        description="Write out the board programs: for the Arduino tools (AVR and ESP32-class "
        "boards) and, as a second example, for MicroPython, with pictures of the wiring. Options "
        "stand at the top of each program.",
    )
    parser.add_argument("folder", metavar="DIR", type=Path, help="where to; made if need be")
    folder: Path = parser.parse_args(argv).folder
    targets = [(folder / name, source) for name, source in programs()]
    standing = [str(target) for target, _ in targets if target.exists()]
    if standing:
        print(
            f"matbridge: nothing written: {standing[0]} is there already;"
            " name another folder, or move it away",
            file=sys.stderr,
        )
        return 1
    try:
        for target, source in targets:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(source.read_bytes())
            print(target)
    except OSError as error:
        print(f"matbridge: cannot write {error.filename}: {error.strerror}", file=sys.stderr)
        return 1
    return 0
