"""Readings of many zones as bars in a terminal, as many columns as fit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from rich.text import Text

# Longest name that a bar has room for; the zone names of a mat are short.
MAX_NAME = 12

# A bar shorter than this shows nothing, one longer makes the eye travel.
MIN_BAR, MAX_BAR = 8, 40

# Parts of a cell that is partly filled, by eighths.
EIGHTHS = "\u258f\u258e\u258d\u258c\u258b\u258a\u2589"


class Bar(NamedTuple):
    """One zone. level, ticks: shares of the full range, 0.0 to 1.0; ticks mark what was measured.

    number: what to print beside it. state: one character before the name. asked: whether the eye
    should go there.
    """

    name: str
    level: float
    ticks: Sequence[float] = ()
    number: str = ""
    state: str = " "
    asked: bool = False


def draw_bars(bars: Sequence[Bar], width: int, height: int, *, plain: bool = False) -> Text:
    """The bars in at most `height` lines of `width` characters; those around the asked one if not
    all fit. plain: ASCII only."""
    name_width = min(MAX_NAME, max((len(bar.name) for bar in bars), default=1))
    number_width = max((len(bar.number) for bar in bars), default=0)
    around = 2 + name_width + 2 + 1 + number_width + 2  # state, name, ends of the bar, number, gap
    columns = max(1, width // (around + MIN_BAR))
    while columns > 1 and -(-len(bars) // (columns - 1)) <= min(height, 8):
        columns -= 1
    rows = -(-len(bars) // columns)
    bar_width = max(3, min(MAX_BAR, width // columns - around))
    first = 0
    hidden = 0
    if rows > height:
        shown = max(1, height - 1) * columns
        asked = next((index for index, bar in enumerate(bars) if bar.asked), 0)
        first = max(0, min(asked - shown // 2, len(bars) - shown))
        hidden = len(bars) - shown
        rows = max(1, height - 1)
    text = Text(no_wrap=True, overflow="crop")
    for row in range(rows):
        for column in range(columns):
            index = first + column * rows + row
            if index < min(len(bars), first + rows * columns):
                _append(text, bars[index], name_width, bar_width, number_width, plain)
        text.append("\n")
    if hidden:
        text.append(f"  and {hidden} zones more\n", "dim")
    text.right_crop(1)
    return text


def _append(
    text: Text, bar: Bar, name_width: int, bar_width: int, number_width: int, plain: bool
) -> None:
    strong = "bold reverse" if bar.asked else ""
    name = bar.name if len(bar.name) <= name_width else bar.name[: name_width - 1] + "~"
    text.append(f"{bar.state} ")
    text.append(f"{name:<{name_width}}", strong)
    text.append("[" if plain else "\u2595", "dim")
    filled, ticks = _cells(bar, bar_width, plain)
    for cell in range(bar_width):
        if cell in ticks and cell >= int(bar.level * bar_width):
            text.append("|" if plain else "\u2502", "dim")
        else:
            text.append(filled[cell], "bold" if bar.asked else "")
    text.append("]" if plain else "\u258f", "dim")
    text.append(f" {bar.number:>{number_width}}  ")


def _cells(bar: Bar, bar_width: int, plain: bool) -> tuple[str, set[int]]:
    level = min(1.0, max(0.0, bar.level)) * bar_width
    whole = int(level)
    part = int((level - whole) * 8)
    if plain:
        filled = "#" * whole + ("=" if part >= 4 else "")
    else:
        filled = "\u2588" * whole + (EIGHTHS[part - 1] if part else "")
    ticks = {min(bar_width - 1, int(tick * bar_width)) for tick in bar.ticks}
    return filled.ljust(bar_width)[:bar_width], ticks
