"""The parts of README.md and DEVELOPERS.md that are made from the code.

    python -m tests.support.documents     write them anew

Each stands between `<!-- made: NAME -->` and `<!-- end -->`; a test holds them to be current.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "matbridge"
ROOMS = ("", "board", "sensing", "mapping", "playing", "midi", "service", "cli", "display")

# Published points of a force-sensitive resistor: newtons and ohms (component tutorial for a common
# 5 V, 10 kohm divider; the unloaded part is open).
FSR_POINTS = ((0.2, 30_000), (1.0, 6_000), (10.0, 1_000), (100.0, 250))
FIXED_OHM = (1_000, 3_300, 10_000, 47_000)
BITS_A_BYTE = 10  # 8N1: start, eight data bits, stop
BAUDS = (115_200, 230_400, 460_800, 921_600, 2_000_000)
ZONES = (8, 16, 24, 48, 64)


def modules() -> str:
    """Every module with the first sentence of its docstring."""
    rows = ["| module | what it does |", "| --- | --- |"]
    for room in ROOMS:
        folder = PACKAGE / room
        for path in sorted(folder.glob("*.py" if not room else "**/*.py")):
            if "micropython" in path.parts or path.name == "__init__.py":
                continue
            doc = ast.get_docstring(ast.parse(path.read_text())) or ""
            first = " ".join(doc.split("\n\n")[0].split()).replace("|", "\\|")
            rows.append(f"| `{path.relative_to(PACKAGE)}` | {first} |")
    return "\n".join(rows)


def commands() -> str:
    """The commands and what they do."""
    from matbridge.cli.main import COMMANDS

    rows = ["| command | what it does |", "| --- | --- |"]
    return "\n".join([*rows, *(f"| `{name}` | {text} |" for name, (_, text) in COMMANDS.items())])


def resistors() -> str:
    """10-bit readings of a force-sensitive resistor for several fixed resistors."""
    head = "| force | sensor | " + " | ".join(f"fixed {ohm / 1000:g} kΩ" for ohm in FIXED_OHM)
    rows = [head + " |", "| --- |" + " --- |" * (len(FIXED_OHM) + 1)]
    for newton, ohm in FSR_POINTS:
        codes = [str(1024 * fixed // (fixed + ohm)) for fixed in FIXED_OHM]
        rows.append(f"| {newton:g} N | {ohm / 1000:g} kΩ | " + " | ".join(codes) + " |")
    return "\n".join(rows)


def frame_bytes(zones: int, bits: int) -> int:
    """Bytes of a packed scan on the wire at most: payload, checksum, stuffing (one byte, and one
    more for each whole 254), and the end byte."""
    payload = 10 + (zones * bits + 7) // 8 + 2
    return payload + 1 + payload // 254 + 1


def line_bytes(zones: int) -> int:
    """Bytes of a text scan at worst: four digits and a separator a reading of 10 bits."""
    return zones * 5


def rates() -> str:
    """How many scans a second a serial line carries, text and packed, 10-bit readings."""
    head = "| zones | bytes: text / packed | " + " | ".join(f"{baud:,} baud" for baud in BAUDS)
    rows = [head.replace(",", " ") + " |", "| --- |" + " --- |" * (len(BAUDS) + 1)]
    for zones in ZONES:
        text, packed = line_bytes(zones), frame_bytes(zones, 10)
        cells = [
            f"{baud // BITS_A_BYTE // text} / {baud // BITS_A_BYTE // packed}" for baud in BAUDS
        ]
        rows.append(f"| {zones} | {text} / {packed} | " + " | ".join(cells) + " |")
    return "\n".join(rows)


def mapping() -> str:
    """The reference of the two YAML files."""
    from matbridge.mapping.reference import reference

    return reference()


MADE: dict[str, tuple[str, Callable[[], str]]] = {
    "modules": ("DEVELOPERS.md", modules),
    "commands": ("README.md", commands),
    "resistors": ("README.md", resistors),
    "rates": ("README.md", rates),
    "mapping": ("README.md", mapping),
}


def renewed(document: str) -> str:
    """The text of a document with all its made parts as they should be."""
    text = (ROOT / document).read_text()
    for name, (where, make) in MADE.items():
        if where != document:
            continue
        pattern = re.compile(rf"<!-- made: {name} -->\n.*?<!-- end -->", re.DOTALL)
        whole = f"<!-- made: {name} -->\n{make()}\n<!-- end -->"
        text, count = pattern.subn(lambda _, whole=whole: whole, text)  # type: ignore[misc]
        if count != 1:
            raise ValueError(f"{document} has {count} places for the made part {name!r}, not one")
    return text


if __name__ == "__main__":
    for document in ("README.md", "DEVELOPERS.md"):
        (ROOT / document).write_text(renewed(document))
