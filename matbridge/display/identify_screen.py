"""What finding out the wiring says: the zone to press, bars of every channel, and the result."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from matbridge.display.bars import Bar, draw_bars
from matbridge.display.guiding import heading
from matbridge.sensing.identify import Findings, Identifier, IdentifyStage, Place

KEYS = {
    IdentifyStage.READY: "Enter: the mat is clear   q: give up",
    IdentifyStage.REST: "b: back   q: give up",
    IdentifyStage.ASK: "Enter: leave this zone out   b: back   q: give up",
    IdentifyStage.DONE: "Enter: show what was found   b: back   q: give up",
}


def place_name(place: Place, boards: int) -> str:
    """A channel in words; with its board, counted from 1, where the mat has several."""
    return f"channel {place.channel}" + (f" of board {place.board + 1}" if boards > 1 else "")


def task(identifier: Identifier) -> str:
    """What it waits for, to be said to whoever is on the mat."""
    if identifier.stage is IdentifyStage.READY:
        return "take everything off the mat and step off it"
    if identifier.stage is IdentifyStage.REST:
        return "keep off the mat while its rest is measured"
    if identifier.stage is IdentifyStage.ASK:
        return f"press {identifier.wiring.zones[identifier.zone].name}"
    return "done"


def remark(identifier: Identifier) -> str:
    """What was found last, or why the rest is measured again."""
    boards = len({place.board for place in identifier.places})
    if identifier.stage is IdentifyStage.REST and identifier.moved_at_rest:
        return f"{place_name(identifier.moved_at_rest[0], boards)} moved: measuring the rest again"
    if identifier.last is None:
        return ""
    zone, place = identifier.last
    wire = identifier.wiring.zones[zone]
    written = Place(wire.board, wire.channel)
    agrees = "as written" if written == place else f"not {place_name(written, boards)} as written"
    return f"{wire.name}: {place_name(place, boards)}, {agrees}"


def screen(
    identifier: Identifier,
    readings: Sequence[int],
    trouble: str,
    width: int,
    height: int,
    *,
    plain: bool = False,
) -> Text:
    """The whole picture. readings: the latest of each place. trouble: why no scans come, if so."""
    step = ""
    if identifier.stage is IdentifyStage.REST:
        step = f"{100 * identifier.rest_share():.0f} %"
    elif identifier.stage is IdentifyStage.ASK:
        step = f"{identifier.zone + 1} of {len(identifier.wiring.zones)}"
    mat = identifier.wiring.mat
    head = heading(mat, step, task(identifier), trouble, remark(identifier), width)
    left = height - len(head.plain.split("\n")) - 1
    body = draw_bars(_bars(identifier, readings), width, left, plain=plain)
    keys = (f"\n\n{KEYS[identifier.stage]}", "dim")
    return Text.assemble(head, body, keys, no_wrap=True, overflow="crop")


def _bars(identifier: Identifier, readings: Sequence[int]) -> list[Bar]:
    top = (1 << identifier.wiring.sensor.bits) - 1
    boards = len({place.board for place in identifier.places})
    found = set(identifier.findings().under)
    return [
        Bar(
            name=f"{place.board + 1}:{place.channel}" if boards > 1 else str(place.channel),
            level=reading / top,
            number=f"{reading:{len(str(top))}d}",
            state="." if place in found else " ",
        )
        for place, reading in zip(identifier.places, readings, strict=True)
    ]


def report(identifier: Identifier, findings: Findings) -> RenderableType:
    """Every zone with its channel, found and written, and a sentence on all that is not right."""
    boards = len({place.board for place in identifier.places})
    drawn = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for name in ("zone", "found on", "written", ""):
        drawn.add_column(name, no_wrap=True)
    twice = dict(findings.twice)
    for zone, (wire, place) in enumerate(zip(identifier.wiring.zones, findings.under, strict=True)):
        words = []
        if zone in findings.silent:
            words.append("silent")
        if zone in findings.moved:
            words.append("elsewhere")
        if zone in twice:
            words.append(f"and {place_name(twice[zone], boards)}")
        drawn.add_row(
            Text(wire.name),
            "-" if place is None else place_name(place, boards),
            place_name(Place(wire.board, wire.channel), boards),
            Text(", ".join(words) or "right", "green" if not words else "yellow"),
        )
    return Group(drawn, *(Text(line) for line in _sentences(identifier, findings, boards)))


def _sentences(identifier: Identifier, findings: Findings, boards: int) -> list[str]:
    names = [wire.name for wire in identifier.wiring.zones]
    lines = []
    for zone, place in findings.twice:
        lines.append(
            f"{names[zone]} moves {place_name(place, boards)} nearly as much as its own: two leads "
            "touch, or it was pressed across a border"
        )
    for place, zones in findings.shared:
        shared = " and ".join(names[zone] for zone in zones)
        lines.append(
            f"{place_name(place, boards)} answers for {shared}: they are wired together, or one "
            "was pressed for the other"
        )
    if findings.silent:
        silent = ", ".join(names[zone] for zone in findings.silent)
        lines.append(f"nothing answers for {silent}: look for a broken lead or a dead sensor")
    if findings.spare:
        spare = ", ".join(place_name(place, boards) for place in findings.spare)
        lines.append(f"no zone moved {spare}")
    if findings.as_written:
        lines.append("the mat is wired as the file says")
    return ["", *lines] if lines else []
