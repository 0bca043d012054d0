"""`matbridge identify FILE`: learns from presses which channel lies under which zone."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.text import Text

    from matbridge.board.scan import Scan
    from matbridge.mapping.document import Document
    from matbridge.mapping.plan import MatPlan
    from matbridge.sensing.identify import Identifier, Place

# With nobody to press a key, a zone that is not pressed for so long is left out.
STEP_S = 10.0

GIVE_UP = ("q", "escape")
GO_ON = ("enter", "space", "right", "n")
BACK = ("b", "backspace", "left")


def main(argv: Sequence[str]) -> int:
    """0: found out and said, or written; 1: given up, or no file can be made of it."""
    options = _parser().parse_args(argv)
    from matbridge.cli.mat_argument import mat_document

    mat, document = mat_document(options.file)
    if options.write is not None and options.write.exists():
        print(
            f"matbridge: {options.write} is there already and stays as it is; name a new file",
            file=sys.stderr,
        )
        return 1
    session = _Session(mat, alone=options.yes, plain=options.plain)
    if not session.listen():
        print("matbridge: given up; nothing was written", file=sys.stderr)
        return 1
    return session.tell(document, options.write)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="matbridge identify",
        description="Learn which channel lies under which zone: press zone after zone as asked. "
        "Prints the zones with their channels, to be pasted into the mat file.",
    )
    parser.add_argument("file", metavar="FILE", help="a mat file, or a performance that names one")
    parser.add_argument(
        "--write", metavar="NEW", type=Path, help="write a new mat file, FILE with those channels"
    )
    parser.add_argument(
        "--yes",
        action="store_true",
        help=f"never wait for a key; leave out a zone that is not pressed in {STEP_S:.0f} s",
    )
    parser.add_argument(
        "--plain", action="store_true", help="print lines, draw no bars (as without a terminal)"
    )
    return parser


class _Session:
    """From the first scan to what was found."""

    def __init__(self, mat: MatPlan, *, alone: bool, plain: bool) -> None:
        from matbridge.cli.listening import Listening
        from matbridge.cli.terminal import Terminal

        self._mat = mat
        self._terminal = Terminal(plain=plain)
        self._alone = alone or self._terminal.alone
        self._listening = Listening(mat, self._take, piece="one by one")
        self._latest: list[Sequence[int]] = []
        self._identifier = self._begin()
        self._finished = False

    def _begin(self) -> Identifier:
        from matbridge.mapping.wiring import wiring
        from matbridge.sensing.identify import Identifier

        channels = self._listening.channels
        self._latest = [[0] * count for count in channels]
        step_s = STEP_S if self._alone else None
        identifier = Identifier(wiring(self._mat), channels, step_s=step_s)
        if self._alone or self._listening.simulated:
            identifier.go_on()
        return identifier

    def listen(self) -> bool:
        """Until it is done; False if it was given up."""
        self._terminal.run(self._listening, self._picture, self._press_key, self._tick)
        return self._finished

    def tell(self, document: Document, target: Path | None) -> int:
        """Print what was found, and what to write."""
        from matbridge.display.identify_screen import report
        from matbridge.mapping.rewire import board_names
        from matbridge.plain import escaped
        from matbridge.sensing.identify import wires

        findings = self._identifier.findings()
        self._terminal.console.print(report(self._identifier, findings))
        more = {
            index: count
            for index, count in enumerate(self._listening.channels)
            if count != self._mat.boards[index].channels
        }
        if findings.as_written and not more:
            if target is not None:
                print(f"{escaped(str(target))} is not written: it would say the same")
            return 0
        places, guessed = wires(self._identifier.wiring, findings)
        text = _new_text(document, places, more)
        problem = _refused(text, document.path)
        if problem:
            print(f"matbridge: no mat file can be made of this: {problem}", file=sys.stderr)
            return 1
        if guessed:
            names = ", ".join(self._mat.zones[zone].name for zone in guessed)
            print(f"\nnot found, so only guessed below: {names}")
        if target is not None:
            _write_new(target, text)
            print(f"\nwritten to {escaped(str(target))}; calibrate before you play")
            return 0
        print(f"\nto stand in {escaped(document.path)}:\n\n{_zones_section(text)}")
        for index, count in more.items():
            name = board_names(document)[index]
            print(f"\nand for the board{f' {name}' if name else ''}: channels: {count}")
        return 0

    def _take(self, board: int, scan: Scan) -> None:
        self._latest[board] = scan.readings
        self._identifier.feed(board, scan)

    def _press_key(self, key: str) -> None:
        from matbridge.sensing.identify import IdentifyStage

        if key in GIVE_UP:
            self._terminal.leave()
        elif key in GO_ON:
            if self._identifier.stage is IdentifyStage.DONE:
                self._finished = True
                self._terminal.leave()
            self._identifier.go_on()
        elif key in BACK:
            self._identifier.back()

    def _tick(self) -> None:
        from matbridge.display import identify_screen
        from matbridge.sensing.identify import IdentifyStage

        if self._listening.adapt():
            self._identifier = self._begin()
        terminal, identifier = self._terminal, self._identifier
        terminal.say("trouble", self._listening.trouble())
        terminal.say("remark", identify_screen.remark(identifier))
        terminal.say("task", identify_screen.task(identifier))
        if self._alone:
            self._listening.check_patience()
            if identifier.stage is IdentifyStage.DONE:
                self._finished = True
                terminal.leave()

    def _picture(self, width: int, height: int) -> Text:
        from matbridge.display.identify_screen import screen

        readings = [reading for latest in self._latest for reading in latest]
        trouble = self._listening.trouble()
        return screen(
            self._identifier, readings, trouble, width, height, plain=self._terminal.ascii
        )


def _new_text(document: Document, places: Sequence[Place], more: dict[int, int]) -> str:
    from matbridge.mapping.rewire import Wire, board_names, rewire

    boards = board_names(document)
    wires = [Wire(boards[place.board], place.channel) for place in places]
    return rewire(document, wires, {boards[index]: count for index, count in more.items()})


def _refused(text: str, path: str) -> str:
    """Why a mat file of that text would be refused; empty if it would not."""
    from matbridge.errors import DocumentError
    from matbridge.mapping.load import mat_from

    try:
        mat_from(text.encode(), path)
    except DocumentError as error:
        return str(error.problems[0])
    return ""


def _zones_section(text: str) -> str:
    """The lines of a mat file from `zones` up to the next key of the file."""
    from matbridge.mapping.reading import read

    document = read(text.encode(), "")
    starts = sorted(mark.line - 1 for path, mark in document.key_marks.items() if len(path) == 1)
    start = document.key_marks[("zones",)].line - 1
    end = next((line for line in starts if line > start), len(document.lines))
    return "\n".join(document.lines[start:end]).rstrip()


def _write_new(target: Path, text: str) -> None:
    from matbridge.errors import MatbridgeError

    try:
        # Never over a file that is there, even if it has come since we looked.
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise MatbridgeError(f"{target} cannot be written: {error.strerror or error}") from error
