"""`matbridge record`: keep what the mat sends, while it plays or without playing."""

from __future__ import annotations

import argparse
import math
import signal
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from matbridge.display.durations import duration

if TYPE_CHECKING:
    from matbridge.board.scan import Decoder
    from matbridge.board.take_writer import TakeWriter
    from matbridge.loop import Loop
    from matbridge.mapping.plan import MatPlan, Show
    from matbridge.service.loop import ServiceLoop

# How often a terminal is told how far it is.
SHOW_S = 0.5

# A day: longer is an accident.
MAX_SECONDS = 86_400.0


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge record",
        description="Without FILE, the running bridge begins a take of what it plays. With FILE, "
        "the boards of that mat are recorded until Ctrl-C, and nothing is played.",
    )
    made.add_argument("file", metavar="FILE", nargs="?", help="a performance, or a mat file alone")
    made.add_argument("--stop", action="store_true", help="end the take of the running bridge")
    made.add_argument("--name", metavar="NAME", help="of the bridge, where several are running")
    made.add_argument(
        "--seconds", metavar="N", type=_seconds, help="with FILE: end after so many seconds"
    )
    made.add_argument(
        "--to", metavar="TAKE", type=Path, help="with FILE: the file to write, which must be new"
    )
    return made


def main(argv: Sequence[str]) -> int:
    made = parser()
    given = made.parse_args(argv)
    if given.file is None:
        if given.seconds is not None or given.to is not None:
            made.error("--seconds and --to go with FILE")
        return _ask_bridge(given.stop, given.name)
    if given.stop or given.name:
        made.error("--stop and --name are for the running bridge, without FILE")
    return _record(given.file, given.seconds, given.to)


def _ask_bridge(stop: bool, name: str | None) -> int:
    from matbridge.cli.control import NOT_RUNNING, NotRunning, exchange
    from matbridge.plain import escaped

    try:
        said = exchange("record", {"to": not stop}, name)
    except NotRunning as error:
        print(f"matbridge: {error}", file=sys.stderr)
        return NOT_RUNNING
    take = said.get("ended" if stop else "take")
    print(escaped(str(take)) if take else "no take was being made")
    return 0


def _record(file: str, seconds: float | None, to: Path | None) -> int:
    from matbridge.board.take_writer import TakeWriter
    from matbridge.cli.mat_argument import split
    from matbridge.plain import escaped
    from matbridge.service.loop import ServiceLoop
    from matbridge.service.recorder import header_of, take_path, takes_folder
    from matbridge.service.signals import Signals

    mat, show = split(file)
    mistakes: list[Exception] = []
    reason = ["stopped"]

    def end(why: str) -> None:
        reason[0] = why
        loop.stop()

    def mistake(error: Exception) -> None:
        mistakes.append(error)
        end("a mistake in matbridge")

    loop = ServiceLoop(mistake)
    now = datetime.now().astimezone()
    name = show.performance.name if show is not None else mat.name
    path = to or take_path(name, takes_folder(), now)
    writer = TakeWriter(path, header_of(mat, _files(file, mat, show), now), loop, end)
    signals = Signals(loop, {signal.SIGINT: loop.stop, signal.SIGTERM: loop.stop})
    boards = _Boards(mat, writer)
    try:
        boards.open(loop)
        if seconds is not None:
            loop.call_at(loop.now_s() + seconds, loop.stop)
        _show(loop, boards, writer)
        loop.run()
    finally:
        boards.close()
        length_s = loop.now_s() - writer.start_s
        writer.close(reason[0])
        signals.close()
    if mistakes:
        raise mistakes[0]
    code = 0
    if writer.reason != "stopped":
        print(escaped(f"matbridge: the take ended: {writer.reason}"), file=sys.stderr)
        code = 1
    print(escaped(f"written: {path}, {duration(length_s)}, {boards.scans} scans"))
    for line in boards.troubles():
        print(escaped(line), file=sys.stderr)
        code = 1
    return code


class _Boards:
    """Every board of a mat, heard and written down. scans: understood so far."""

    def __init__(self, mat: MatPlan, writer: TakeWriter) -> None:
        from matbridge.service.boards import make_decoder, make_link

        self._mat = mat
        self._writer = writer
        self._links = [make_link(board, mat) for board in mat.boards]
        self._decoders: list[Decoder] = [make_decoder(board, mat) for board in mat.boards]

    @property
    def scans(self) -> int:
        return sum(decoder.counts.scans for decoder in self._decoders)

    def open(self, loop: Loop) -> None:
        for board in range(len(self._links)):
            self._open(board, loop)

    def close(self) -> None:
        for link in self._links:
            link.close()

    def troubles(self) -> list[str]:
        """A line for each board of which no scan was understood."""
        return [
            f"board {number} ({plan.port}) sent no scan of {plan.channels} readings in "
            f"{plan.format}; `matbridge doctor` finds out why"
            for number, (plan, decoder) in enumerate(
                zip(self._mat.boards, self._decoders, strict=True), 1
            )
            if not decoder.counts.scans
        ]

    def _open(self, board: int, loop: Loop) -> None:
        link, decoder, writer = self._links[board], self._decoders[board], self._writer

        def take(data: bytes, now_s: float) -> None:
            writer.data(board, data, now_s)
            decoder.feed(data, now_s)

        def found() -> None:
            decoder.reset()
            writer.event("found", loop.now_s(), board=board)

        def lost() -> None:
            why = str(link.status().get("why", "gone"))
            writer.event("lost", loop.now_s(), board=board, reason=why)

        link.on_data, link.on_found, link.on_lost = take, found, lost
        link.open(loop)


def _files(file: str, mat: MatPlan, show: Show | None) -> list[tuple[str, str, str]]:
    """What a replay will need: the performance if there is one, the mat, and its calibration."""
    from matbridge.errors import CalibrationError
    from matbridge.mapping.wiring import wiring
    from matbridge.sensing.calibration import check_fit
    from matbridge.sensing.calibration_file import calibration_path, load
    from matbridge.service.recorder import calibration_file, files_of

    if show is not None:
        files = files_of(show, None)
    else:
        files = [("mat", Path(file).name, Path(file).read_text("utf-8", "replace"))]
    try:
        calibration = load(calibration_path(mat.name))
        if calibration is not None:
            check_fit(calibration, wiring(mat))
            files.append(calibration_file(calibration))
    except CalibrationError as error:
        print(f"recorded without a calibration: {error}", file=sys.stderr)
    return files


def _show(loop: ServiceLoop, boards: _Boards, writer: TakeWriter) -> None:
    """On a terminal, a line that says how far it is, drawn over itself."""
    if not sys.stderr.isatty():
        return

    def show() -> None:
        line = f"\r{duration(loop.now_s() - writer.start_s)}, {boards.scans} scans; Ctrl-C ends it "
        print(line, end="", file=sys.stderr, flush=True)
        loop.call_at(loop.now_s() + SHOW_S, show)

    show()


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = math.nan
    if not 0 < seconds <= MAX_SECONDS:
        raise argparse.ArgumentTypeError(f"'{text}' is not within 0 to {MAX_SECONDS:g} seconds")
    return seconds
