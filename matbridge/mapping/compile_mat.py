"""A checked mat file to the plan that the other stages read."""

from __future__ import annotations

from dataclasses import dataclass, replace

from matbridge.mapping.document import Document, Path
from matbridge.mapping.fields import near, said
from matbridge.mapping.patterns import Report, ZoneNames
from matbridge.mapping.plan import MIDI_BOARD, BoardPlan, MatPlan, ZonePlace
from matbridge.mapping.problems import context
from matbridge.mapping.resolve import said_in
from matbridge.mapping.schema_mat import (
    I2cBoard,
    IioBoard,
    MatFile,
    MatZone,
    MidiBoard,
    SerialBoard,
    SpiBoard,
)
from matbridge.sensing.settings import SensingSettings, SensorSpec, SensorType

AnyBoard = SerialBoard | SpiBoard | IioBoard | I2cBoard | MidiBoard

# The name under which a mat's only board is kept while compiling.
_ONLY = ""


@dataclass(frozen=True, slots=True)
class CompiledMat:
    """A mat plan, and what a performance may call its zones by."""

    plan: MatPlan
    names: ZoneNames


def compile_mat(file: MatFile, document: Document) -> CompiledMat:
    """The plan of a mat; what does not fit together is added to the document's problems."""

    def report(path: Path, message: str) -> None:
        document.problems.append(document.at(path, context(path) + message))

    boards = _boards(file, document, report)
    _check_names(file, document, report)
    wires = _wires(file, boards, document, report)
    names = ZoneNames([zone.name for zone in file.zones])
    names.add_groups(file.groups, ("groups",), report)
    plan = MatPlan(
        name=file.mat,
        zones=tuple(_place(zone) for zone in file.zones),
        boards=tuple(_board_plan(board, wires.get(name, {})) for name, board in boards.items()),
        sensor=_sensor(file, boards, document, report),
        sensing=_sensing(file),
    )
    return CompiledMat(plan, names)


def _boards(file: MatFile, document: Document, report: Report) -> dict[str, AnyBoard]:
    if file.board is not None and file.boards:
        report(("boards",), "'board' and 'boards' are both written; keep one of them")
    written = dict(file.boards or {}) or ({} if file.board is None else {_ONLY: file.board})
    for name, board in written.items():
        if isinstance(board, MidiBoard) and not _channels(board):
            path: Path = ("boards", name) if name else ("board",)
            if document.is_whole(path):
                report(path, "a board that speaks MIDI needs its notes or controls")
    if written:
        return written
    if document.is_whole(("board",)) and document.is_whole(("boards",)):
        report((), "a mat needs 'board' (or, for several, 'boards')")
    return {}


def _check_names(file: MatFile, document: Document, report: Report) -> None:
    first: dict[str, int] = {}
    for place, zone in enumerate(file.zones):
        if zone.name in first:
            line = document.marks[("zones", first[zone.name])].line
            path = ("zones", place, "name")
            report(path, f"the name '{zone.name}' is also that of the zone in line {line}")
        first.setdefault(zone.name, place)


def _wires(
    file: MatFile, boards: dict[str, AnyBoard], document: Document, report: Report
) -> dict[str, dict[int, int]]:
    """For each board, which zone hangs on which of its channels."""
    wires: dict[str, dict[int, int]] = {name: {} for name in boards}
    count: dict[str, int] = dict.fromkeys(boards, 0)
    for place, zone in enumerate(file.zones):
        path: Path = ("zones", place)
        board = _board_of(zone, boards, path, report)
        if board is None:
            continue
        channel = count[board] if zone.channel is None else zone.channel
        count[board] += 1
        at = path if zone.channel is None else (*path, "channel")
        stated = _channels(boards[board])
        if stated is not None and channel >= stated:
            report(at, f"channel {channel} is not within 0-{stated - 1}, the channels of its board")
        elif channel in wires[board]:
            other = document.marks[("zones", wires[board][channel])].line
            report(at, f"channel {channel} is also that of the zone in line {other}")
        else:
            wires[board][channel] = place
    return wires


def _board_of(zone: MatZone, boards: dict[str, AnyBoard], path: Path, report: Report) -> str | None:
    if zone.board is None:
        if len(boards) > 1:
            report(path, f"zone '{zone.name}' does not say its board: {', '.join(boards)}")
            return None
        return next(iter(boards), None)
    if zone.board not in boards or zone.board == _ONLY:
        known = [name for name in boards if name != _ONLY]
        report((*path, "board"), f"there is no board {said(zone.board)}{near(zone.board, known)}")
        return None
    return zone.board


def _place(zone: MatZone) -> ZonePlace:
    width_cm = depth_cm = 0.0
    if isinstance(zone.size, list):
        width_cm, depth_cm = float(zone.size[0]), float(zone.size[-1])
    elif zone.size is not None:
        width_cm = depth_cm = float(zone.size)
    return ZonePlace(
        name=zone.name,
        x_cm=float(zone.at[0]),
        y_cm=float(zone.at[1]),
        width_cm=width_cm,
        depth_cm=depth_cm,
        round=not isinstance(zone.size, list),
    )


# What a board that speaks MIDI sends: values 0-127.
MIDI_SENSOR = SensorSpec(SensorType.LEVEL, 7, 0.0)


def _sensor(
    file: MatFile, boards: dict[str, AnyBoard], document: Document, report: Report
) -> SensorSpec:
    if file.sensor is not None:
        resistor_ohm = getattr(file.sensor, "fixed_resistor_ohm", 0.0)
        return SensorSpec(SensorType(file.sensor.type), file.sensor.bits, resistor_ohm)
    wired = [board for board in boards.values() if not isinstance(board, MidiBoard)]
    if wired and document.is_whole(("sensor",)):
        report((), "'sensor' is missing")
    return MIDI_SENSOR


def _sensing(file: MatFile) -> SensingSettings:
    written = {} if file.sensing is None else dict(said_in(file.sensing))
    return replace(SensingSettings(), **written)


def _board_plan(board: AnyBoard, wires: dict[int, int]) -> BoardPlan:
    channels = _channels(board) or max(wires, default=0) + 1
    port, baud, wire_format, options = _way_in(board)
    return BoardPlan(
        port=port,
        baud=baud,
        format=wire_format,
        channels=channels,
        zones=tuple(wires.get(channel, -1) for channel in range(channels)),
        options=options,
    )


def _channels(board: AnyBoard) -> int | None:
    """How many readings a board sends, where the file says so."""
    if isinstance(board, MidiBoard):
        return len(board.notes or ()) + len(board.controls or ()) or None
    return board.channels


Options = tuple[tuple[str, object], ...]


def _way_in(board: AnyBoard) -> tuple[str, int, str, Options]:
    """Port, baud, format and options of a board."""
    match board:
        case SerialBoard():
            options: Options = (("dtr", board.dtr), ("rts", board.rts))
            return board.port, board.baud, board.format, options
        case SpiBoard():
            options = (("at", tuple(board.spi)), ("clock_hz", board.clock_hz))
            return "spi", 0, "packed", (("rate_hz", board.rate_hz), *options)
        case IioBoard():
            return "iio", 0, "packed", (("rate_hz", board.rate_hz), ("at", tuple(board.iio)))
        case I2cBoard():
            addresses = tuple(f"{address:#04x}" for address in board.chips)
            options = (("at", addresses), ("bus", board.i2c), ("pressure", board.pressure))
            return "i2c", 0, "packed", (("rate_hz", board.rate_hz), *options)
        case MidiBoard():
            where = (("pattern", board.midi), ("driver", board.driver))
            numbers = (("notes", _numbers(board.notes)), ("controls", _numbers(board.controls)))
            options = (*where, ("channel", board.channel or 0), *numbers)
            return MIDI_BOARD, 0, "packed", options


def _numbers(numbers: list[int] | None) -> tuple[int, ...]:
    return tuple(map(int, numbers or ()))
