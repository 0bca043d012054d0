"""What is in a take: for a list, for a person who wonders whether it is worth hearing, for CSV."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from matbridge.board.take import Event
from matbridge.board.take_reader import Take
from matbridge.errors import TakeError
from matbridge.mapping.plan import MatPlan
from matbridge.sensing.calibration import Calibration
from matbridge.sensing.touch import TouchKind, VelocitySource
from matbridge.service.boards import make_detector
from matbridge.service.replaying import LIFTING, boards_of, make_decoders, take_scans


@dataclass(slots=True)
class ZoneReport:
    """touches: how often the zone was struck. hardest: of them, 0.0-1.0."""

    name: str
    touches: int = 0
    hardest: float = 0.0


@dataclass(slots=True)
class TakeReport:
    """What was found in a whole take.

    presets: seconds that each was on, in the order they were first played. faults: lines for a
    person, with the second. scans, damaged, lost: of all boards together.
    """

    length_s: float = 0.0
    reason: str = ""
    damage: str = ""
    scans: int = 0
    damaged: int = 0
    lost: int = 0
    zones: list[ZoneReport] = field(default_factory=list)
    presets: dict[str, float] = field(default_factory=dict)
    faults: list[tuple[float, str]] = field(default_factory=list)


def report(take: Take, mat: MatPlan, calibration: Calibration | None) -> TakeReport:
    """Read a take to its end. Raises TakeError where it does not fit the mat."""
    decoders = make_decoders(take.header, mat)
    detectors = [make_detector(board, mat, calibration) for board in mat.boards]
    for detector in detectors:
        detector.use((VelocitySource.PEAK,) * len(mat.zones), ())
    made = TakeReport(zones=[ZoneReport(zone.name) for zone in mat.zones])
    away: set[int] = set()
    preset, since_s = "", 0.0
    for item in take_scans(take, decoders):
        if not isinstance(item, Event):
            board, (time_s, readings) = item
            for kind, zone, _, value in detectors[board].scan(time_s, readings):
                if kind == TouchKind.ONSET:
                    made.zones[zone].touches += 1
                    made.zones[zone].hardest = max(made.zones[zone].hardest, value)
        elif item.name == "preset":
            _add(made.presets, preset, item.time_s - since_s)
            preset, since_s = str(item.facts.get("name", "")), item.time_s
        elif item.name == "gap":
            made.faults.append((item.time_s, "a part of the take is damaged"))
        elif item.name in ("lost", "silent", "found"):
            for board in boards_of(item, len(detectors)):
                if item.name != "found" or board in away:
                    made.faults.append((item.time_s, f"board {board + 1} {item.name}"))
                (away.discard if item.name == "found" else away.add)(board)
        if isinstance(item, Event) and item.name in LIFTING:
            for board in boards_of(item, len(detectors)):
                detectors[board].silence(item.time_s)
    _add(made.presets, preset, take.length_s - since_s)
    for detector in detectors:
        for fault in detector.take_reports():
            over = " is over" if fault.recovered else ""
            name = mat.zones[fault.zone].name
            made.faults.append((fault.time_s, f"zone {name}: {fault.kind}{over}"))
    made.faults.sort()
    made.length_s, made.reason, made.damage = take.length_s, take.reason, take.damage
    made.scans = sum(decoder.counts.scans for decoder in decoders)
    made.damaged = sum(decoder.counts.damaged for decoder in decoders)
    made.lost = sum(decoder.counts.lost for decoder in decoders)
    return made


def _add(presets: dict[str, float], name: str, seconds: float) -> None:
    if name:
        presets[name] = presets.get(name, 0.0) + seconds


def scan_lines(take: Take, mat: MatPlan | None) -> Iterator[str]:
    """The scans of a take as lines of CSV (RFC 4180), the first with the names of the columns.

    One column has the seconds since the start of the take; then there is one for each reading of
    each board, named after its zone, or after board and channel where there is none. Of a scan of
    one board the columns of the others are empty. mat: the one it fits, if it is known. Raises
    TakeError where it does not fit.
    """
    header = take.header
    decoders = make_decoders(header, mat)
    names = [
        _column(mat, board, channel)
        for board, recorded in enumerate(header.boards)
        for channel in range(recorded.channels)
    ]
    yield ",".join(map(_quoted, ("time_s", *names))) + "\r\n"
    widths = [board.channels for board in header.boards]
    before = ["," * sum(widths[:board]) for board in range(len(widths))]
    after = ["," * sum(widths[board + 1 :]) for board in range(len(widths))]
    for item in take_scans(take, decoders):
        if not isinstance(item, Event):
            board, (time_s, readings) = item
            row = ",".join(map(str, readings))
            yield f"{time_s:.6f},{before[board]}{row}{after[board]}\r\n"


def _column(mat: MatPlan | None, board: int, channel: int) -> str:
    zone = -1 if mat is None else mat.boards[board].zones[channel]
    if mat is None or zone < 0:
        return f"board {board + 1} channel {channel}"
    return mat.zones[zone].name


def write_scans(lines: Iterable[str], path: Path) -> int:
    """Write lines of CSV, replacing what was there; how many scans. Raises TakeError."""
    count = -1
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            for line in lines:
                file.write(line)
                count += 1
    except OSError as error:
        raise TakeError(f"{path} cannot be written: {error.strerror or error}") from error
    return count


def _quoted(text: str) -> str:
    if any(each in text for each in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text
