"""`matbridge explain FILE`: what every zone plays and how, preset by preset."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.table import Table

    from matbridge.mapping.plan import PresetPlan, Show


def parser() -> argparse.ArgumentParser:
    made = argparse.ArgumentParser(
        prog="matbridge explain",
        description="Print what every zone of a performance plays, and how, preset by preset.",
    )
    made.add_argument("file", metavar="FILE", help="the performance, a YAML file, or a packed show")
    made.add_argument("--preset", metavar="NAME", help="only this preset")
    made.add_argument("--json", action="store_true", help="print it for programs, as JSON")
    return made


def main(argv: Sequence[str]) -> int:
    options = parser().parse_args(argv)

    from matbridge.cli.show_argument import written_file
    from matbridge.mapping.load import load_show

    show = load_show(written_file(options.file))
    presets = chosen(show, options.preset)
    if options.json:
        print(json.dumps([preset_facts(preset, show) for preset in presets], indent=2))
    else:
        _print_tables(presets, show)
    return 0


def chosen(show: Show, name: str | None) -> tuple[PresetPlan, ...]:
    """The preset of that name, or all of them. Raises MatbridgeError where there is none."""
    from matbridge.errors import MatbridgeError
    from matbridge.mapping.fields import near, said

    presets = show.performance.presets
    if name is None:
        return presets
    found = tuple(preset for preset in presets if preset.name == name)
    if not found:
        names = [preset.name for preset in presets]
        raise MatbridgeError(f"there is no preset {said(name)}{near(name, names)}")
    return found


def preset_facts(preset: PresetPlan, show: Show) -> dict[str, Any]:
    """A preset as JSON data: its zones in mat order, each with its parts in the order written."""
    from dataclasses import asdict

    from matbridge.mapping.describe import part_text, velocity_text

    zones = [
        {
            "zone": place.name,
            "label": zone.label,
            "velocity": velocity_text(zone),
            "parts": [asdict(part_text(part, preset, show.performance)) for part in zone.parts],
        }
        for place, zone in zip(show.mat.zones, preset.zones, strict=True)
    ]
    return {"preset": preset.name, "zones": zones}


# Columns that are told once, above the table, where all zones of a preset agree.
TOLD_ONCE = {"velocity": "velocity from", "pressure": "pressure to", "where": "to"}

# The kinds of part that each of them is said of.
TOLD_OF = {
    "velocity": ("notes",),
    "pressure": ("notes",),
    "where": ("notes", "control", "program", "bend"),
}


def _print_tables(presets: Sequence[PresetPlan], show: Show) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    for preset in presets:
        rows = list(_rows(preset_facts(preset, show)))
        columns = ["zone", "plays", "how"]
        told = []
        for column, words in TOLD_ONCE.items():
            values = {row[column] for row in rows if row["kind"] in TOLD_OF[column]}
            if len(values) > 1:
                columns.append(column)
            elif values != {""} and values:
                told.append(f"{words} {values.pop()}")
        console.print(Text(preset.name, style="bold"), soft_wrap=True)
        console.print(Text("; ".join(told)), soft_wrap=True)
        console.print(_table(columns, rows))


def _rows(facts: dict[str, Any]) -> Iterator[dict[str, str]]:
    """One row a part, the zone and what holds for all of it only in its first."""
    from dataclasses import asdict

    from matbridge.mapping.describe import PartText

    for zone in facts["zones"]:
        parts = zone["parts"] or [asdict(PartText("silence", "nothing"))]
        for number, part in enumerate(parts):
            first = number == 0
            plays = part["plays"]
            if first and _tells_more(zone["label"], part):
                plays = f"{zone['label']}: {plays}"
            velocity = zone["velocity"] if part["kind"] == "notes" else ""
            name = zone["zone"] if first else ""
            yield {**part, "zone": name, "plays": plays, "velocity": velocity}


def _tells_more(label: str, part: dict[str, str]) -> bool:
    """Whether a label says what its part does not: the name of a chord, or one that was given."""
    if part["kind"] == "notes":
        return not part["plays"].startswith(label.removesuffix(" ..."))
    return label.split(" ", maxsplit=1)[0] not in part["plays"]


def _table(columns: Sequence[str], rows: Sequence[dict[str, str]]) -> Table:
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE_HEAD, pad_edge=False)
    for column in columns:
        heading = "to" if column == "where" else column
        table.add_column(heading, overflow="fold", no_wrap=column == "zone")
    for row in rows:
        table.add_row(*(Text(row[column]) for column in columns))
    return table
