"""The mat as it is played, for a terminal: every zone where it lies, and how everything fares.

A zone is drawn as large as fits between its neighbours, in one of these forms:

    ● b2      D4     name and what it plays; the dot while it sounds, ! when it has a fault
      ▕███▍  │       its load, and the level from which it sounds

    ●b2▕██▍ │        the same in one line
    ●b2              the name alone, where zones are narrow
    ▓                the load alone, where there are hundreds; reversed while it sounds

`plain` draws the same in ASCII. What is drawn comes from matbridge.service.status, by way of the
control socket: values are taken as they come and a missing one is shown as nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import PurePath
from typing import Any, NamedTuple

from rich.text import Text

from matbridge.display.bars import EIGHTHS
from matbridge.display.durations import duration
from matbridge.display.status import heard
from matbridge.mapping.notes import note_name
from matbridge.plain import escaped

Facts = Mapping[str, Any]

# The most that a zone is drawn, so that the eye takes in the mat at one look.
MAX_CELL = 18

# Forms a zone is drawn in: (least width, lines). The first that fits all zones is taken.
FORMS = ((14, 2), (8, 2), (6, 1))

# Zones at least this wide show their load as a bar, and grow while there is room.
BAR_WIDTH = 6

# Between zones side by side, so that two names do not run together; none where only load is shown.
GAP = 1

SHADES = " ░▒▓█"
PLAIN_SHADES = " .:*#"

# Lines above the mat.
HEAD_LINES = 2

# On a narrower screen what plays is worth more than a word on keys.
HINT_WIDTH = 40


class Zone(NamedTuple):
    """One zone to draw. x_cm, y_cm: its centre; y grows away from the player."""

    name: str
    x_cm: float
    y_cm: float
    plays: str
    load: float
    onset: float
    sounds: bool
    fault: str


class Cell(NamedTuple):
    """Where a zone is drawn: its upper left corner."""

    zone: int
    column: int
    line: int


def draw(
    scene: Facts, frame: Facts, width: int, height: int, *, hint: str = "", plain: bool = False
) -> Text:
    """The whole screen, in `height` lines of `width` characters at most. hint: what keys do."""
    lines = [*_head(scene, frame, width, hint)]
    foot = _foot(frame, width)[: max(0, height - HEAD_LINES - 1)]
    room = max(1, height - len(lines) - len(foot))
    lines += draw_mat(zones(scene, frame), width, room, plain=plain)
    lines += foot
    return Text("\n", no_wrap=True, overflow="crop").join(lines)


def zones(scene: Facts, frame: Facts) -> list[Zone]:
    """The zones of a scene as a frame has them."""
    load, onset = frame.get("load", ()), frame.get("onset", ())
    sounding = {note.get("zone") for note in frame.get("sounding", ())}
    faults = {fault.get("zone"): fault.get("kind", "?") for fault in frame.get("faults", ())}
    return [
        Zone(
            escaped(str(zone.get("name", ""))),
            *_place(zone.get("at")),
            escaped(str(zone.get("plays", ""))),
            load[index] if index < len(load) else 0.0,
            onset[index] if index < len(onset) else 0.0,
            index in sounding,
            faults.get(zone.get("name"), ""),
        )
        for index, zone in enumerate(scene.get("zones", ()))
    ]


def draw_mat(mat: Sequence[Zone], width: int, height: int, *, plain: bool = False) -> list[Text]:
    """The zones where they lie, in `height` lines of `width` characters."""
    cell_width, cell_lines, cells = place(mat, width, height)
    rows: list[dict[int, Text]] = [{} for _ in range(height)]
    for cell in cells:
        for offset, text in enumerate(_zone(mat[cell.zone], cell_width, cell_lines, plain)):
            rows[cell.line + offset][cell.column] = text
    lines = []
    for row in rows:
        line = Text(no_wrap=True)
        for column in sorted(row):
            line.append(" " * (column - line.cell_len))
            line.append_text(row[column])
        lines.append(line)
    return lines


def place(mat: Sequence[Zone], width: int, height: int) -> tuple[int, int, list[Cell]]:
    """The width and lines of every zone, and where each is drawn, none over another.

    Where not even one character each is free, zones share a place, the loudest on top.
    """
    left, right = _span([zone.x_cm for zone in mat])
    near, far = _span([zone.y_cm for zone in mat])

    def cells(cell_width: int, cell_lines: int) -> list[Cell]:
        return [
            Cell(
                index,
                round((zone.x_cm - left) / (right - left) * (width - cell_width)),
                round((far - zone.y_cm) / (far - near) * max(0, height - cell_lines)),
            )
            for index, zone in enumerate(mat)
        ]

    named = 1 + max((len(zone.name) for zone in mat), default=1)
    for least, lines in (*FORMS, (named, 1)):
        if least > width or lines > height:
            continue
        if _free(cells(least, lines), least + GAP, lines):
            best = least
            while BAR_WIDTH <= best < min(MAX_CELL, width):
                if not _free(cells(best + 1, lines), best + 1 + GAP, lines):
                    break
                best += 1
            return best, lines, cells(best, lines)
    return 1, 1, sorted(cells(1, 1), key=lambda cell: mat[cell.zone].load)


def _free(cells: Sequence[Cell], width: int, lines: int) -> bool:
    """Whether no two cells of that size touch."""
    taken: dict[int, list[int]] = {}
    for cell in cells:
        for line in range(cell.line, cell.line + lines):
            taken.setdefault(line, []).append(cell.column)
    for columns in taken.values():
        columns.sort()
        if any(right - left < width for left, right in pairwise(columns)):
            return False
    return True


def _zone(zone: Zone, width: int, lines: int, plain: bool) -> list[Text]:
    style = "bold" if zone.sounds else ""
    if zone.fault:
        style = "reverse"
    mark = "!" if zone.fault else ("*" if plain else "●") if zone.sounds else " "
    if width == 1:
        shades = PLAIN_SHADES if plain else SHADES
        shade = shades[min(len(shades) - 1, int(_share(zone.load) * len(shades)))]
        if shade == " ":
            shade = "." if plain else "·"
        return [Text("!" if zone.fault else shade, "reverse" if zone.sounds else style)]
    if width < BAR_WIDTH:
        return [Text(f"{mark}{zone.name}"[:width].ljust(width), style)]
    if lines == 1:
        name = min(len(zone.name), width // 2)
        text = Text(f"{mark}{zone.name[:name]}", style)
        text.append_text(_bar(zone, width - 1 - name, plain))
        return [text]
    says = zone.fault or zone.plays
    room = width - 2 - len(zone.name) - 1
    first = Text(f"{mark} {zone.name}"[:width], style)
    if room > 1:
        first.append(f" {says[:room]:>{room}}", style or "dim")
    second = Text("  ")
    second.append_text(_bar(zone, width - 2, plain))
    return [first, second]


def _bar(zone: Zone, width: int, plain: bool) -> Text:
    inner = width - 1
    filled = _share(zone.load) * inner
    whole = int(filled)
    part = int((filled - whole) * 8)
    text = "#" * whole if plain else "█" * whole + (EIGHTHS[part - 1] if part else "")
    cells = list(text.ljust(inner)[:inner])
    tick = min(inner - 1, int(_share(zone.onset) * inner))
    if zone.onset > 0 and tick >= whole:
        cells[tick] = "|" if plain else "│"
    return Text(("[" if plain else "▕") + "".join(cells), "bold" if zone.sounds else "")


def _head(scene: Facts, frame: Facts, width: int, hint: str) -> list[Text]:
    presets = scene.get("presets", ())
    preset = scene.get("preset", "")
    number = f" ({presets.index(preset) + 1} of {len(presets)})" if preset in presets else ""
    line = Text(no_wrap=True)
    line.append(escaped(str(scene.get("performance", ""))), "dim")
    line.append("  ")
    line.append(f"{escaped(str(preset))}{number}", "bold")
    # What holds now stands to the right, where no long name pushes it off the screen.
    marks = Text(no_wrap=True)
    if frame.get("transpose"):
        marks.append(f"  {frame['transpose']:+d} semitones")
    if frame.get("muted"):
        marks.append("  ").append("muted", "reverse")
    if hint and width >= HINT_WIDTH:
        marks.append(f"  {hint}", "dim")
    line.truncate(max(0, width - marks.cell_len), pad=True)
    line.append_text(marks)
    line.truncate(width)
    return [line, Text("")]


def _foot(frame: Facts, width: int) -> list[Text]:
    lines = [Text(""), _line("sounds", " ".join(map(_note, frame.get("sounding", ()))))]
    lines += _recording(frame.get("recording") or {})
    for board in frame.get("boards", ()):
        port = escaped(str(board.get("port", "")))
        trouble = escaped(str(board.get("trouble", "")))
        lines.append(_line("board", f"{port}  {trouble or heard(board)}", bad=bool(trouble)))
    outputs = frame.get("outputs", ())
    down = [str(each.get("name")) for each in outputs if not each.get("up")]
    late = frame.get("latency_us") or {}
    said = ", ".join(f"{each.get('name')} {'up' if each.get('up') else 'DOWN'}" for each in outputs)
    if late:
        said += (
            f"   latency {late.get('median', 0) / 1000:.2f} ms, p99 {late.get('p99', 0) / 1000:.2f}"
        )
    lines.append(_line("out", escaped(said), bad=bool(down)))
    faults = frame.get("faults", ())
    if faults:
        said = ", ".join(f"{each.get('zone')} {each.get('kind')}" for each in faults)
        lines.append(_line("faults", escaped(said), bad=True))
    for line in lines:
        line.truncate(width)
    return lines


def _recording(take: Facts) -> list[Text]:
    """The take that is made now, or why the last one ended by itself; mostly nothing."""
    if take.get("take"):
        name = PurePath(str(take["take"])).stem
        said = f"recording, {duration(take.get('seconds', 0))}  {name}"
        return [_line("take", escaped(said))]
    if take.get("why", "stopped") not in ("", "stopped"):
        return [_line("take", escaped(f"ended by itself: {take['why']}"), bad=True)]
    return []


def _line(name: str, said: str, *, bad: bool = False) -> Text:
    line = Text(no_wrap=True)
    line.append(f"{name:<8}", "dim")
    line.append(said, "bold" if bad else "")
    return line


def _note(note: Facts) -> str:
    return f"{note_name(int(note.get('note', 0)))}/{note.get('channel', '?')}"


def _place(at: object) -> tuple[float, float]:
    if isinstance(at, list | tuple) and len(at) == 2:
        return float(at[0]), float(at[1])
    return 0.0, 0.0


def _span(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values, default=0.0), max(values, default=0.0)
    return (low, high) if high > low else (low, low + 1.0)


def _share(value: float) -> float:
    return min(1.0, max(0.0, value))
