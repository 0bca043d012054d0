"""Commented files to begin with: a mat of so many zones, and a performance for a mat."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from string import ascii_lowercase

# A step of a grown-up and a little room; zones closer than this are hit two at a time.
APART_CM = 40

# One letter a row.
MAX_ROWS = len(ascii_lowercase)

# As many zones as the largest board sends readings.
MAX_ZONES = 1024

_SENSORS = {
    "force": (
        "{type: force, bits: 10, fixed_resistor_ohm: 1000}",
        "force-sensitive resistors, each in a divider with 1 kohm to ground",
    ),
    "level": (
        "{type: level, bits: 10}",
        "readings that go with the load already, or with the nearness of a foot",
    ),
    "switch": ("{type: switch}", "contacts or touch chips: 0 or 1"),
}

SENSOR_TYPES = tuple(_SENSORS)

# What writes such readings among the programs that come along, and its baud; all are packed.
_BOARD_PROGRAMS = {"force": ("mat_board", 500_000)}
_OTHERWISE = ("touch_board", 250_000)


def mat_starter(zones: int, rows: int, sensor: str, schema: str) -> str:
    """A mat file for `zones` zones in `rows` rows (0 for about as many rows as columns).

    schema: where the JSON Schema is, for editors.
    """
    rows = rows or min(MAX_ROWS, max(1, round(math.sqrt(zones))))
    columns = math.ceil(zones / rows)
    written, meaning = _SENSORS[sensor]
    program, baud = _BOARD_PROGRAMS.get(sensor, _OTHERWISE)
    places = [
        (f"{ascii_lowercase[row]}{column + 1}", column * APART_CM, row * APART_CM)
        for row in range(rows)
        for column in range(columns)
    ][:zones]
    used = sorted({name[0] for name, _, _ in places})
    lines = [
        f"# yaml-language-server: $schema={schema}",
        "",
        "mat: my mat                      # its calibration is kept under this name",
        "",
        "board:",
        "  port: simulated                # a mat that plays by itself, to try things out;",
        "                                 # your board is /dev/serial/by-id/..., or usb:2e8a:0005",
        "                                 # ('matbridge ports' lists what is there)",
        f"  baud: {baud}                   # as the board has it: these two are those of",
        f"  format: packed                 # {program}, see 'matbridge board-program';",
        "                                 # text, of a board that writes lines of numbers",
        "",
        f"# {meaning[0].upper()}{meaning[1:]}.",
        f"sensor: {written}",
        "",
        "# In playing order. `at` is the centre of a zone in cm: to the right, and away from the",
        "# player. A zone's channel is its place in this list, from 0; where your wiring differs,",
        "# write it: {name: a1, at: [0, 0], channel: 7}. 'matbridge identify' finds it out.",
        "zones:",
        *(f"  - {{name: {name}, at: [{x}, {y}]}}" for name, x, y in places),
        "",
        "# Names for several zones, for performances to use.",
        "groups:",
        *(f"  row {letter}: [{letter}*]" for letter in used),
        "",
    ]
    return "\n".join(lines)


def performance_starter(mat_file: str, zones: Sequence[str], schema: str) -> str:
    """A performance file for a mat, whose file is `mat_file` as seen from it."""
    last, first = zones[-1], zones[0]
    drone = (
        f"      {quoted(first)}: {{note: D2, hold: toggle}}                # a drone to stand on"
    )
    lines = [
        f"# yaml-language-server: $schema={schema}",
        "",
        "performance: my show",
        f"mat: {quoted(mat_file)}",
        "",
        "outputs:                         # where MIDI goes, by names of your own",
        "  synth: {virtual: matbridge}    # a new port that other programs connect to",
        '  # desk: {port: "USB MIDI*"}    # a port that is there already, by name or pattern',
        "  # rack: {serial: /dev/ttyAMA0} # a DIN jack on a serial line",
        "",
        "defaults:                        # what holds for presets that do not say otherwise",
        "  output: synth",
        "  channel: 1                     # MIDI channels are 1-16",
        "  velocity: {range: [20, 120]}   # the softest and the loudest strike",
        "",
        "presets:                         # one a piece; 'matbridge preset NAME' switches",
        "  first piece:",
        "    scale: {root: C3, type: major pentatonic}     # C4 is middle C, note 60",
        "    # layout: snake                # how the scale lies: order, rows, snake, ...",
        "    # pressure: {send: channel pressure}          # lean on a zone to swell the sound",
        "    # hold: toggle                 # a second touch ends the note",
        "    zones:                         # zones that play something of their own",
        f"      {quoted(last)}: {{action: next preset}}",
        "",
        "  second piece:",
        "    scale: {root: D3, type: dorian}",
        "    zones:",
        f"      {quoted(last)}: {{action: previous preset}}",
        *([drone] if first != last else []),
        "",
        f"# The zones of the mat: {', '.join(zones)}",
        "",
    ]
    return "\n".join(lines)


def quoted(text: str) -> str:
    """A word as it may stand in YAML, in quotes where it must be."""
    return text if _PLAIN.fullmatch(text) else "'" + text.replace("'", "''") + "'"


# Words that no reader of YAML takes for anything but text: a letter, then a digit or punctuation
# somewhere, so that it is no `yes` or `off`.
_PLAIN = re.compile(r"[A-Za-z][A-Za-z]*[0-9./_-][A-Za-z0-9./_-]*")
