"""`matbridge ports`: boards and the ports of MIDI systems, with what to write to use them."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matbridge.board.serial_port import FoundPort
    from matbridge.cli.midi_systems import MidiSystem


def main(argv: Sequence[str]) -> int:
    """0, whatever is there."""
    parser = argparse.ArgumentParser(
        prog="matbridge ports",
        description="List the boards, and the MIDI systems with their ports, that are here now.",
    )
    parser.add_argument("--json", action="store_true", help="for programs: one JSON object")
    options = parser.parse_args(argv)
    from matbridge.board.serial_port import find_boards
    from matbridge.cli.midi_systems import midi_systems

    boards = find_boards()
    systems, trouble = midi_systems()
    if options.json:
        print(json.dumps(_facts(boards, systems, trouble), indent=1))
    else:
        print("\n".join([*_board_lines(boards), "", *_midi_lines(systems, trouble)]))
    return 0


def to_write(board: FoundPort) -> str:
    """What to write under `port:` for a board: the name that outlasts replugging, if it has one."""
    if board.by_id:
        return board.by_id
    if board.usb:
        return f"usb:{board.usb}" + (f":{board.serial_number}" if board.serial_number else "")
    return board.device


def _board_lines(boards: Sequence[FoundPort]) -> list[str]:
    from matbridge.plain import escaped

    if not boards:
        return ["boards: none found", "  plug one in, or write port: simulated to play without one"]
    lines = ["boards"]
    for board in boards:
        usb = f"  USB {board.usb}" if board.usb else ""
        lines.append(escaped(f"  {board.device}{usb}  {board.description}".rstrip()))
        lines.append(escaped(f"    port: {to_write(board)}"))
    return lines


def _midi_lines(systems: Sequence[MidiSystem], trouble: str) -> list[str]:
    lines = ["MIDI systems, in the order they are tried"]
    if trouble:
        lines.append(f"  {trouble}")
    for system in systems:
        lines.append(f"  {system.title} ({system.name}): {system.missing or 'works'}")
        if system.missing:
            continue
        lines += [f"    port: {_quoted(name)}" for name in system.outputs]
        lines += [f"    from outside: {_quoted(name)}" for name in system.inputs]
        if not system.outputs:
            lines.append("    no port to send to; write virtual: NAME to make one of your own")
    return lines


def _quoted(name: str) -> str:
    """A port's name as YAML takes it in any place."""
    return '"' + name.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _facts(
    boards: Sequence[FoundPort], systems: Sequence[MidiSystem], trouble: str
) -> dict[str, object]:
    return {
        "boards": [board._asdict() | {"port": to_write(board)} for board in boards],
        "midi": [system._asdict() for system in systems],
        "midi_trouble": trouble,
    }
