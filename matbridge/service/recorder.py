"""Takes of what plays: how one begins, what goes into it, and where it lies.

    idle ──begin()──▶ recording ──end()──▶ idle
                          └──the disk fails: `on_end`──▶ idle

All that reaches the pipeline from outside is told to `Recorder` with the same `now_s`, so that a
replay gives the same messages. While idle, telling it costs one comparison.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path

from matbridge import __version__
from matbridge.board.take import SUFFIX, RecordedBoard, TakeHeader
from matbridge.board.take_writer import CLOSE_S, TakeWriter
from matbridge.errors import TakeError
from matbridge.folders import state_folder
from matbridge.loop import Loop
from matbridge.mapping.plan import Act, MatPlan, Show
from matbridge.sensing.calibration import Calibration

# What `replay` and `takes` call the newest take.
LAST = "last"


def takes_folder() -> Path:
    """Where takes are kept; it need not exist yet."""
    return state_folder() / "takes"


def take_path(name: str, folder: Path, now: datetime) -> Path:
    """A file for a new take, named after what is played and when; numbered within a second."""
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:40] or "take"
    stem = f"{plain} {now:%Y-%m-%d %H-%M-%S}"
    path = folder / f"{stem}{SUFFIX}"
    number = 1
    while path.exists():
        number += 1
        path = folder / f"{stem} {number}{SUFFIX}"
    return path


def all_takes(folder: Path) -> list[Path]:
    """The takes in a folder, the oldest first."""
    try:
        return sorted(folder.glob(f"*{SUFFIX}"), key=lambda path: path.stat().st_mtime_ns)
    except OSError as error:
        raise TakeError(f"{folder} cannot be read: {error.strerror or error}") from error


def find_take(given: str, folder: Path) -> Path:
    """The take that a person means: a path, the name of one in the folder, or `last`.

    Raises TakeError where there is none.
    """
    for path in (Path(given), folder / given, folder / f"{given}{SUFFIX}"):
        if path.is_file():
            return path
    takes = all_takes(folder)
    if given == LAST and takes:
        return takes[-1]
    names = ", ".join(f"'{path.stem}'" for path in reversed(takes[-5:]))
    raise TakeError(
        f"there is no take '{given}'; " + (f"the latest in {folder} are {names}" if names else
        f"there is none in {folder} yet (`matbridge record` makes one)")
    )  # fmt: skip


def header_of(mat: MatPlan, files: Sequence[tuple[str, str, str]], started: datetime) -> TakeHeader:
    """What a take of this mat says of itself. files: role, name and text of each."""
    boards = tuple(
        RecordedBoard(board.port, board.baud, board.format, board.channels, mat.sensor.bits)
        for board in mat.boards
    )
    when = started.isoformat(timespec="seconds")
    return TakeHeader(when, boards, tuple(files), f"matbridge {__version__}")


def files_of(show: Show, calibration: Calibration | None) -> list[tuple[str, str, str]]:
    """The files of a show as a take keeps them."""
    files = [
        (role, Path(name).name, text.decode("utf-8", "replace"))
        for role, name, text in zip(("performance", "mat"), show.files, show.texts, strict=True)
    ]
    if calibration is not None:
        files.append(calibration_file(calibration))
    return files


def calibration_file(calibration: Calibration) -> tuple[str, str, str]:
    """A calibration as a take keeps it."""
    from matbridge.sensing.calibration_file import to_text

    return ("calibration", f"{calibration.mat}.json", to_text(calibration))


class Recorder:
    """Writes takes of a running bridge, one at a time.

    on_end: called from the loop with the reason when a take ends by itself.
    """

    __slots__ = ("_folder", "_last", "_loop", "_now", "_writer", "on_end")

    def __init__(
        self,
        loop: Loop,
        folder: Path,
        now: Callable[[], datetime] = lambda: datetime.now().astimezone(),
    ) -> None:
        """now: the date and time of day, for names."""
        self._loop = loop
        self._folder = folder
        self._now = now
        self._writer: TakeWriter | None = None
        self._last: TakeWriter | None = None
        self.on_end: Callable[[str], None] | None = None

    @property
    def path(self) -> Path | None:
        """Of the take that is being written, if one is."""
        return None if self._writer is None else self._writer.path

    def begin(
        self,
        show: Show,
        calibration: Calibration | None,
        *,
        preset: str,
        transpose: int = 0,
        muted: bool = False,
    ) -> Path:
        """Begin a take of what plays, as it plays. Raises TakeError where it cannot be."""
        self.end("another take was begun", wait=False)
        now = self._now()
        header = header_of(show.mat, files_of(show, calibration), now)
        path = take_path(show.performance.name, self._folder, now)
        self._writer = TakeWriter(path, header, self._loop, self._ended)
        start_s = self._writer.start_s
        self.preset(preset, start_s)
        if transpose:
            self.act(Act.TRANSPOSE_TO, transpose, "", start_s)
        if muted:
            self.act(Act.MUTE, 0, "", start_s)
        return path

    def end(self, reason: str = "stopped", *, wait: bool = True) -> None:
        """End the take, if there is one. wait: for the disk, for CLOSE_S; not while it plays."""
        writer, self._writer = self._writer, None
        if writer is not None:
            self._last = writer
            writer.close(reason, CLOSE_S if wait else 0.0)

    def status(self) -> dict[str, object]:
        """take, seconds and bytes of the one that is written; why the last one ended, if not."""
        writer = self._writer
        if writer is None:
            return {"take": "", "why": "" if self._last is None else self._last.reason}
        seconds = round(self._loop.now_s() - writer.start_s, 1)
        return {"take": str(writer.path), "seconds": seconds, "bytes": writer.bytes_written}

    def data(self, board: int, data: bytes, now_s: float) -> None:
        """What Pipeline.feed got."""
        if self._writer is not None:
            self._writer.data(board, data, now_s)

    def found(self, board: int, now_s: float) -> None:
        """What Pipeline.board_found was told."""
        self._event("found", now_s, board=board)

    def lost(self, board: int, reason: str, now_s: float, *, silent: bool) -> None:
        """What Pipeline.board_lost was told; silent: the link is still open."""
        if silent:
            self._event("silent", now_s, board=board)
        else:
            self._event("lost", now_s, board=board, reason=reason)

    def act(self, act: Act, argument: int, preset: str, now_s: float) -> None:
        """What Pipeline.act did. preset: for Act.PRESET, the name of the one asked for."""
        self._event("act", now_s, act=act.value, argument=argument, preset=preset)

    def midi_in(self, message: bytes, now_s: float) -> None:
        """What Pipeline.midi_in got."""
        self._event("midi", now_s, message=message.hex())

    def preset(self, name: str, now_s: float) -> None:
        """The preset that was entered."""
        self._event("preset", now_s, name=name)

    def fault(self, zone: str, fault: str, recovered: bool, now_s: float) -> None:
        """A fault of a zone that was found, or is over."""
        self._event("fault", now_s, zone=zone, fault=fault, recovered=recovered)

    def _event(self, name: str, now_s: float, /, **facts: object) -> None:
        if self._writer is not None:
            self._writer.event(name, now_s, **facts)

    def _ended(self, reason: str) -> None:
        if self._writer is not None:  # it may also end by itself while it is being ended
            self._last, self._writer = self._writer, None
        if self.on_end is not None:
            self.on_end(reason)
