"""A take through a mapping again: the boards' bytes at their times, and what else happened.

Time is that of the take, and nothing else is asked: the same take and the same mapping give the
same messages on any machine, as fast as it can.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from typing import Any, NamedTuple

from matbridge.board.formats import DECODERS
from matbridge.board.scan import Decoder, Scan
from matbridge.board.take import Chunk, Event, Record, TakeHeader
from matbridge.board.take_reader import Take
from matbridge.errors import CalibrationError, TakeError
from matbridge.mapping.plan import Act, ActionPart, MatPlan, PerformancePlan, Show
from matbridge.plain import escaped
from matbridge.playing.player import Player
from matbridge.sensing.calibration import Calibration, check_fit
from matbridge.service.boards import make_detector
from matbridge.service.pipeline import Pipeline, Sent

# Events after which nothing is touched any more.
LIFTING = ("lost", "silent", "gap")


class Played(NamedTuple):
    """Messages, mostly none, and the second of the take at which they are sent."""

    time_s: float
    sent: Sent


def show_of(take: Take) -> Show:
    """The performance and the mat that were played.

    Raises TakeError where the take has none, as one that was recorded without playing.
    """
    from matbridge.mapping.load import show_from

    performance, mat = take.header.file("performance"), take.header.file("mat")
    if performance is None or mat is None:
        raise TakeError(
            f"{take.path} holds no performance, for it was recorded without one; "
            "give one with --performance FILE"
        )
    names = (_name(take, performance[0]), _name(take, mat[0]))
    return show_from(performance[1].encode(), mat[1].encode(), names)


def mat_of(take: Take) -> MatPlan:
    """The mat that was recorded. Raises TakeError where the take holds none."""
    from matbridge.mapping.load import mat_from

    mat = take.header.file("mat")
    if mat is None:
        raise TakeError(f"{take.path} holds no mat file; it cannot be told what its readings mean")
    return mat_from(mat[1].encode(), _name(take, mat[0]))


def _name(take: Take, name: str) -> str:
    """What messages call a file in a take, whose name may be anything."""
    return f"{take.path}: {escaped(name)}"


def calibration_of(take: Take, mat: MatPlan) -> Calibration | None:
    """The calibration that was in use, if it fits the mat; None where there was none.

    Raises CalibrationError for one that does not fit, or is damaged.
    """
    from matbridge.mapping.wiring import wiring
    from matbridge.sensing.calibration_file import from_bytes

    file = take.header.file("calibration")
    if file is None:
        return None
    try:
        calibration = from_bytes(file[1].encode())
        check_fit(calibration, wiring(mat))
    except CalibrationError as error:
        raise CalibrationError(f"the calibration in {take.path}: {error}") from error
    return calibration


def make_decoders(header: TakeHeader, mat: MatPlan | None) -> list[Decoder]:
    """What turns the bytes of the take into scans of this mat, or of whatever mat it was.

    The wire formats are those of the take. Raises TakeError where the mat has other boards.
    """
    if mat is not None:
        _check_fit(header, mat)
    for board in header.boards:
        if board.format not in DECODERS:
            raise TakeError(
                f"the take is in wire format '{board.format}', which this matbridge does not "
                f"read; it reads {', '.join(DECODERS)}"
            )
    return [DECODERS[board.format](board.channels, board.bits) for board in header.boards]


def _check_fit(header: TakeHeader, mat: MatPlan) -> None:
    if len(header.boards) != len(mat.boards):
        raise TakeError(
            f"the take is of {len(header.boards)} boards, mat '{mat.name}' has {len(mat.boards)}"
        )
    for number, (recorded, board) in enumerate(zip(header.boards, mat.boards, strict=True)):
        for what, there, here in (
            ("readings in a scan", recorded.channels, board.channels),
            ("bits in a reading", recorded.bits, mat.sensor.bits),
        ):
            if there != here:
                raise TakeError(
                    f"board {number + 1} of the take has {there} {what}, "
                    f"of mat '{mat.name}' it has {here}"
                )


def take_scans(take: Take, decoders: Sequence[Decoder]) -> Iterator[tuple[int, Scan] | Event]:
    """The scans of a take with the number of their board, and its events."""
    for record in take.records():
        if isinstance(record, Chunk):
            board = record.board
            for scan in decoders[board].feed(record.data, record.time_s):
                yield board, scan
            continue
        for board in boards_of(record, len(decoders)):
            if record.name in ("found", "gap"):
                decoders[board].reset()
        yield record


def boards_of(event: Event, boards: int) -> Sequence[int]:
    """Which of so many boards an event is about: all of them, for a gap."""
    if event.name == "gap":
        return range(boards)
    board = event.facts.get("board")
    return (board,) if isinstance(board, int) and 0 <= board < boards else ()


class Replay:
    """One take through one mapping. `pipeline` may be looked at between steps."""

    def __init__(self, take: Take, show: Show, calibration: Calibration | None) -> None:
        """Raises TakeError where the take does not fit the mat; see make_decoders."""
        self.take = take
        self._performance = show.performance
        self.pipeline = Pipeline(
            make_decoders(take.header, show.mat),
            [make_detector(board, show.mat, calibration) for board in show.mat.boards],
            Player(show.performance),
        )

    def steps(self, preset: int | None = None) -> Iterator[Played]:
        """The take in its order, record by record, to the last note-off.

        preset: to start with; else the one that was playing when the take began, if the
        performance has it, or its first.
        """
        pipeline = self.pipeline
        records = self.take.records()
        first = next(records, None)
        if preset is None:
            preset = _preset_at_start(first, self._performance)
        yield Played(0.0, pipeline.start(0.0, preset))
        for record in chain(() if first is None else (first,), records):
            time_s = record.time_s
            while pipeline.next_due_s < time_s:
                due_s = pipeline.next_due_s
                yield Played(due_s, pipeline.tick(due_s))
            if isinstance(record, Chunk):
                yield Played(time_s, pipeline.feed(record.board, record.data, time_s))
            else:
                yield Played(time_s, self._happen(record))
        yield Played(self.take.length_s, self.finish(self.take.length_s))

    def finish(self, time_s: float) -> Sent:
        """The note-offs that are owed when it is left before its end."""
        return self.pipeline.finish(time_s)

    def _happen(self, event: Event) -> Sent:
        pipeline, time_s, facts = self.pipeline, event.time_s, event.facts
        sent: Sent = []
        for board in boards_of(event, len(pipeline.decoders)):
            if event.name in LIFTING:
                sent += pipeline.board_lost(board, time_s)
            if event.name in ("found", "gap"):
                pipeline.board_found(board)
        if event.name == "act":
            action = _action(facts, self._performance)
            if action is not None:
                sent += pipeline.act(action, time_s)
        elif event.name == "midi":
            sent += pipeline.midi_in(_message(facts), time_s)
        return sent


def _preset_at_start(first: Record | None, performance: PerformancePlan) -> int | None:
    if isinstance(first, Event) and first.name == "preset":
        return _preset_named(first.facts.get("name"), performance)
    return None


def _preset_named(name: object, performance: PerformancePlan) -> int | None:
    names = [preset.name for preset in performance.presets]
    return names.index(name) if isinstance(name, str) and name in names else None


def _action(facts: Mapping[str, Any], performance: PerformancePlan) -> ActionPart | None:
    """What was asked from outside, or None where it has no meaning in this performance."""
    acts = {each.value: each for each in Act if each is not Act.TAKE}
    act, argument = acts.get(str(facts.get("act"))), facts.get("argument", 0)
    if act is Act.PRESET:
        argument = _preset_named(facts.get("preset"), performance)
    if act is None or not isinstance(argument, int):
        return None
    return ActionPart(act, argument)


def _message(facts: Mapping[str, Any]) -> bytes:
    written = facts.get("message")
    if not isinstance(written, str):
        return b""
    try:
        return bytes.fromhex(written)
    except ValueError:
        return b""
